"""The closest look: a small convolutional network on two patches about a place, one filled by it and one of the plate around.

Rings say what stands up; a patch shows its outline, its neighbours, and whether the plate is strewn with grains of the same kind.
The weights (``judge.onnx``) run in OpenCV's own network engine; ``training/judge.py`` makes them.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import as_file, files
from math import ceil
from threading import Lock

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.spatter.candidates import Array32

Array = NDArray[np.float64]

PATCH_PX = 24
NEAR, WIDE = 2.2, 6.0
"""Half a patch's side over the place's radius [ratio]."""
N_PLANES = 10
BATCH = 128
"""Patches the network sees at a time: always as many, so that it is set up once."""

_lock = Lock()
_step = (np.arange(PATCH_PX, dtype=np.float32) + 0.5) * (2.0 / PATCH_PX) - 1.0
_U, _V = (m.ravel() for m in np.meshgrid(_step, _step))
_OUTSIDE = np.flatnonzero(np.hypot(_U, _V) * NEAR > 1.25)[::3]

__all__ = ["read_patches", "score_patches"]


def read_patches(levels: list[Array32], x: Array, y: Array, diameter: Array, turn: Array) -> Array32:
    """What the network is shown of each place, shape (n, N_PLANES, PATCH_PX, PATCH_PX).

    Brightness, red less blue and green less both on the near patch, brightness on the wide one, all less the plate's own around the
    place and divided by their spread; then planes of one number each: spread, spread over the plate's, the plate's tone and colour, size.

    Parameters
    ----------
    levels : list of ndarray
        From `rings.colour_levels`.
    x, y, diameter : ndarray, shape (n,)
        Places in the finest level [px].
    turn : ndarray, shape (n,)
        Direction in the picture that comes to lie along the patch's columns, usually the place's bright side [rad].
    """
    near = _cut(levels, x, y, diameter, turn, NEAR, 10.0)
    wide = _cut(levels, x, y, diameter, turn, WIDE, 4.0)[..., 0]
    plate = near[:, _OUTSIDE]
    base = np.median(plate, axis=1)
    rough = plate[..., 0].std(axis=1)
    near = near - base[:, None, :]
    spread = np.sqrt((near[..., 0] ** 2).mean(axis=1))
    n = len(x)
    planes = np.empty((n, N_PLANES, PATCH_PX * PATCH_PX), dtype=np.float32)
    planes[:, 0] = near[..., 0] / (spread[:, None] + 1.0)
    planes[:, 1:3] = np.moveaxis(near[..., 1:], 2, 1) / (spread[:, None, None] + 4.0)
    planes[:, 3] = (wide - base[:, :1]) / (spread[:, None] + 1.0)
    numbers = [
        np.log(spread + 1.0) - 2.0,
        np.log((spread + 1.0) / (rough + 1.0)),
        np.log(base[:, 0] + 10.0) - 4.5,
        base[:, 1] / 20.0,
        base[:, 2] / 20.0,
        np.log(diameter / 8.0),
    ]
    planes[:, 4:] = np.stack(numbers, axis=1)[:, :, None]
    return np.clip(planes, -6, 6).reshape(n, N_PLANES, PATCH_PX, PATCH_PX)


def _cut(levels: list[Array32], x: Array, y: Array, diameter: Array, turn: Array, reach: float, fine: float) -> Array32:
    """Square patches of `reach` radii each way, read at the level at which a place is about `fine` px wide, shape (n, side², channels)."""
    values = np.empty((len(x), PATCH_PX * PATCH_PX, levels[0].shape[2]), dtype=np.float32)
    which = np.clip(np.round(np.log2(np.maximum(diameter, 1.0) / fine)), 0, len(levels) - 1).astype(int)
    for number, level in enumerate(levels):
        for part in np.array_split(mine := np.flatnonzero(which == number), max(1, ceil(len(mine) / 4000))):
            if len(part) == 0:
                continue
            arm = (0.5 * reach * diameter[part] / 2.0**number)[:, None]
            cos, sin = np.cos(turn[part])[:, None], np.sin(turn[part])[:, None]
            at_x = (x[part, None] / 2.0**number + arm * (cos * _U - sin * _V)).astype(np.float32)
            at_y = (y[part, None] / 2.0**number + arm * (sin * _U + cos * _V)).astype(np.float32)
            read = cv2.remap(level, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            values[part] = read.reshape(len(part), PATCH_PX * PATCH_PX, -1)
    return values


def score_patches(patches: Array32) -> Array:
    """For each place: log odds that it is a droplet; log of its true over its assumed diameter; how far its middle is off along the
    patch's columns and rows, over the diameter. Shape (n, 4)."""
    n = len(patches)
    found = np.empty((n, 4))
    for start in range(0, n, BATCH):
        part = patches[start : start + BATCH]
        padded = np.zeros((BATCH, *part.shape[1:]), dtype=np.float32)
        padded[: len(part)] = part
        with _lock:
            network = _network()
            network.setInput(padded)
            found[start : start + len(part)] = network.forward()[: len(part)]
    return found


@cache
def _network() -> cv2.dnn.Net:
    with as_file(files("toeline.spatter").joinpath("judge.onnx")) as path:
        return cv2.dnn.readNetFromONNX(str(path))
