"""A small network that reads signs from the bead laid straight: for each point, how likely a sign shows there.

It learnt from rendered beads only (``training/signs.py``, figures in ``training/signs_record.json``): what it says of real steel is a hint.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files
from threading import Lock
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.result import Bead
from toeline.bead.view import CouponView, plate_to_view

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

SIGNS = ("pores", "undercut", "overlap", "crater unfilled", "ripple pointed", "dull face", "soot")
STEP_MM = 0.15
N_BESIDE, N_FACE = 32, 64
"""Rows outside each toe, every `STEP_MM`, and rows over the face."""
FINEST_PX_PER_MM = 8.0
"""A finer picture is shrunk to this first, so that nothing is sampled between its pixels."""
MULTIPLE_PX = 32

_lock = Lock()

__all__ = ["N_BESIDE", "N_FACE", "SIGNS", "STEP_MM", "StraightSigns", "read_straight"]


@dataclass(frozen=True, slots=True, eq=False)
class StraightSigns:
    """Probability maps on the straight picture: rows from outside the first toe over the face to outside the second.

    Attributes
    ----------
    along_mm : ndarray, shape (n,)
        [mm]
    maps : mapping of sign to ndarray of float32, shape (2 · N_BESIDE + N_FACE, n)
        Probability that the sign shows; zero where nothing is seen.
    seen : ndarray of bool, same shape
        Where the photo shows plate or bead.
    view_px : ndarray, shape (rows, n, 2)
        Where each point lies in the view [px].
    width_mm : ndarray, shape (n,)
        Toe to toe [mm].
    names : tuple of str
        Names of the first and second toe.
    """

    along_mm: Array
    maps: Mapping[str, Array32]
    seen: NDArray[np.bool_]
    view_px: Array
    width_mm: Array
    names: tuple[str, str]


def read_straight(view: CouponView, bead: Bead) -> StraightSigns:
    """Lay the bead straight and run the network on it."""
    names = tuple(bead.toes)[:2]
    along = np.arange(float(bead.along_mm[0]), float(bead.along_mm[-1]) + 1e-9, STEP_MM)
    toes = []
    for name in names:
        line = plate_to_view(view, bead.toes[name].plate, bead.plate_points_mm[name])
        toes.append(np.stack([np.interp(along, bead.along_mm, line[:, i]) for i in (0, 1)], axis=1))
    gap = toes[1] - toes[0]
    width_px = np.maximum(np.linalg.norm(gap, axis=1), 1.0)
    way = gap / width_px[:, None]
    beside = (np.arange(N_BESIDE) * STEP_MM * view.px_per_mm)[:, None, None]
    share = ((np.arange(N_FACE) + 0.5) / N_FACE)[:, None, None]
    at = np.concatenate(
        [(toes[0][None] - beside * way[None])[::-1], toes[0][None] + share * gap[None], toes[1][None] + beside * way[None]]
    )
    shrink = min(1.0, FINEST_PX_PER_MM / view.px_per_mm)
    image = np.asarray(cv2.resize(view.image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    ratio = np.array([image.shape[1] / view.image.shape[1], image.shape[0] / view.image.shape[0]])
    straight = _sample(image, (at + 0.5) * ratio - 0.5, cv2.INTER_LINEAR)
    seen = _sample((view.valid & ~view.strips).astype(np.uint8), at, cv2.INTER_NEAREST) > 0
    straight[~seen] = 0
    out = _run(straight) * seen
    maps = {name: np.asarray(out[i], dtype=np.float32) for i, name in enumerate(SIGNS)}
    return StraightSigns(along, MappingProxyType(maps), seen, at, width_px / view.px_per_mm, (names[0], names[1]))


def _sample(picture: NDArray[np.uint8], at: Array, how: int) -> NDArray[np.uint8]:
    maps = at.astype(np.float32)
    return np.array(cv2.remap(picture, maps[..., 0], maps[..., 1], how, borderMode=cv2.BORDER_CONSTANT), dtype=np.uint8)


def _run(rgb: NDArray[np.uint8]) -> Array32:
    """Probabilities, shape (signs, rows, columns)."""
    n = rgb.shape[1]
    padded = np.pad(rgb, ((0, 0), (0, -n % MULTIPLE_PX), (0, 0)))
    blob = np.ascontiguousarray(padded.transpose(2, 0, 1)[None], dtype=np.float32) / np.float32(255)
    with _lock:
        network = _network()
        network.setInput(blob)
        out = np.array(network.forward(), dtype=np.float32)
    return np.asarray(out[0, :, :, :n], dtype=np.float32)


@cache
def _network() -> cv2.dnn.Net:
    with as_file(files("toeline").joinpath("surface/signs.onnx")) as path:
        return cv2.dnn.readNetFromONNX(str(path))
