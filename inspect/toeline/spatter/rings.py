"""Read candidates on rings about their middles: a glance that drops most, and a closer look that says droplet or not, how wide, how far off.

Both are small fully connected networks; how their numbers came about is told in ``training/spatter.py``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import ceil, log2
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.spatter.candidates import Array32, Seen, chosen

Array = NDArray[np.float64]

N_ANGLES = 16
RINGS = np.array([0.15, 0.4, 0.65, 0.85, 1.05, 1.3, 1.6, 2.0])
"""Radii at which a candidate is read, over its radius [ratio]."""
GLANCE_RINGS = np.array([0.3, 0.75, 1.15, 1.7])
N_GLANCE_ANGLES = 8

__all__ = ["Net", "colour_levels", "forward", "glance", "net", "net_from", "read_rings", "worth_reading"]


def _pyramid(picture: Array32, n_levels: int) -> list[Array32]:
    levels = [picture]
    for _ in range(n_levels - 1):
        if min(levels[-1].shape[:2]) < 8:
            break
        levels.append(np.asarray(cv2.pyrDown(levels[-1]), dtype=np.float32))
    return levels


def _sample(levels: list[Array32], seen: Seen, rings: Array, n_angles: int) -> Array32:
    """Read the picture on rings, at the pyramid level that fits each candidate's size, shape (n, rings, angles, channels)."""
    n = len(seen.x_px)
    angle = np.arange(n_angles) * (2 * np.pi / n_angles)
    ring_x = (rings[:, None] * np.cos(angle)).astype(np.float32)
    ring_y = (rings[:, None] * np.sin(angle)).astype(np.float32)
    n_channels = 1 if levels[0].ndim == 2 else levels[0].shape[2]
    values = np.empty((n, len(rings), n_angles, n_channels), dtype=np.float32)
    which = np.clip(np.floor(np.log2(np.maximum(seen.diameter_px, 1.0) / 8.0)), 0, len(levels) - 1).astype(int)
    for number, level in enumerate(levels):
        mine = np.flatnonzero(which == number)
        for part in np.array_split(mine, max(1, ceil(len(mine) / 8000))):
            if len(part) == 0:
                continue
            radius = seen.diameter_px[part, None, None] / 2
            scale = np.float32(2.0**number)
            x = (seen.x_px[part, None, None] + radius * ring_x) / scale
            y = (seen.y_px[part, None, None] + radius * ring_y) / scale
            read = cv2.remap(
                level,
                x.reshape(len(part), -1),
                y.reshape(len(part), -1),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            values[part] = read.reshape(len(part), len(rings), n_angles, -1)
    return values


def _levels_for(picture: Array32, seen: Seen) -> list[Array32]:
    largest = max(8.0, float(seen.diameter_px.max())) if len(seen.diameter_px) else 8.0
    return _pyramid(picture, 1 + ceil(log2(largest / 8.0)))


def glance(light: Array32, seen: Seen) -> Array32:
    """A few numbers on each candidate, the same however it is turned, shape (n, n_numbers): enough to drop most of them."""
    values = _sample(_levels_for(light, seen), seen, GLANCE_RINGS, N_GLANCE_ANGLES)[..., 0]
    outer = values[:, 2:]
    base = outer.mean(axis=(1, 2), keepdims=True)
    rough = outer.std(axis=(1, 2))
    centred = values - base
    spread = np.sqrt((centred**2).mean(axis=(1, 2))) + 1.0
    waves = np.fft.rfft(centred / spread[:, None, None], axis=2) / N_GLANCE_ANGLES
    size = np.abs(waves)
    same_way = np.real(waves[:, 0, 1] * np.conj(waves[:, 1, 1]))
    against = np.real(waves[:, 1, 1] * np.conj(waves[:, 2, 1]))
    numbers = [
        np.real(waves[:, :, 0]),
        size[:, :, 1],
        size[:, :, 2],
        np.stack([same_way, against, np.log(spread), np.log(spread / (rough + 1.0)), np.log(seen.stands_out)], axis=1),
        np.log(seen.diameter_px / 8.0)[:, None],
    ]
    return np.concatenate(numbers, axis=1).astype(np.float32)


def worth_reading(light: Array32, seen: Seen, net: Net, n_most: int) -> Seen:
    """The candidates that a glance likes best."""
    if len(seen.x_px) <= n_most:
        return seen
    liked = forward(net.glance, (glance(light, seen) - net.glance_centre) / net.glance_spread)[:, 0]
    return chosen(seen, np.argpartition(-liked, n_most)[:n_most])


def colour_levels(picture: Array32, largest_px: float) -> list[Array32]:
    """Pyramid of brightness, red less blue, and green less both, for reading rings of discs up to a diameter [px]."""
    to_channels = np.array([[0.3, 0.5, 0.2], [1.0, 0.0, -1.0], [-0.5, 1.0, -0.5]], dtype=np.float32)
    channels = np.asarray(cv2.transform(picture, to_channels), dtype=np.float32)
    return _pyramid(channels, 1 + ceil(log2(max(8.0, largest_px) / 8.0)))


def read_rings(levels: list[Array32], seen: Seen) -> tuple[Array32, Array32]:
    """What the network is shown of each candidate, and its bright side.

    Parameters
    ----------
    levels : list of ndarray
        From `colour_levels`.
    seen : Seen

    Returns
    -------
    ndarray, shape (n, n_features)
        Brightness on rings, turned so that the bright side comes first and divided by its own spread; colour on rings; how strong,
        how wide.
    ndarray, shape (n, 2)
        Direction of the bright side (x, y), its length the dipole's share of the spread.
    """
    values = _sample(levels, seen, RINGS, N_ANGLES)
    bright = values[..., 0]
    outside = RINGS > 1.2
    base = bright[:, outside].mean(axis=(1, 2))
    rough = bright[:, outside].std(axis=(1, 2))
    centred = bright - base[:, None, None]
    spread = np.sqrt((centred**2).mean(axis=(1, 2)))
    area = np.where(RINGS <= 1.0, RINGS, 0.0).astype(np.float32)
    first = np.fft.rfft(bright, axis=2)[..., 1]
    wave = (first * area).sum(axis=1) / area.sum() * (2.0 / N_ANGLES)
    phase = -np.angle(wave)
    turn = np.round(phase / (2 * np.pi / N_ANGLES)).astype(int) % N_ANGLES
    order = (np.arange(N_ANGLES)[None] + turn[:, None]) % N_ANGLES
    turned = np.take_along_axis(centred, order[:, None, :], axis=2) / (spread[:, None, None] + 1.0)
    hue = values[..., 1:].mean(axis=2)
    hue_base = hue[:, outside].mean(axis=1)
    hue = (hue - hue_base[:, None]) / (spread[:, None, None] + 4.0)
    dipole = np.stack([np.cos(phase), np.sin(phase)], axis=1) * (np.abs(wave) / (spread + 1.0))[:, None]
    features = np.concatenate(
        [
            turned.reshape(len(turned), -1),
            hue.reshape(len(hue), -1),
            np.stack(
                [
                    np.log(spread + 1.0),
                    np.log((spread + 1.0) / (rough + 1.0)),
                    np.log(base + 10.0),
                    hue_base[:, 0] / 20.0,
                    hue_base[:, 1] / 20.0,
                    np.log(seen.diameter_px / 8.0),
                ],
                axis=1,
            ),
        ],
        axis=1,
    )
    return features.astype(np.float32), dipole.astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Net:
    """Three small fully connected networks, as layers of weights and biases, and the few numbers of the last judgement."""

    glance_centre: Array32
    glance_spread: Array32
    glance: tuple[tuple[Array32, Array32], ...]
    centre: Array32
    spread: Array32
    droplet: tuple[tuple[Array32, Array32], ...]
    fit: tuple[tuple[Array32, Array32], ...]
    last: Array
    last_with_eye: Array
    size: Array
    log_diameter_u: Array


@cache
def net() -> Net:
    return net_from(json.loads(files("toeline.spatter").joinpath("particles.json").read_text(encoding="utf-8")))


def net_from(told: dict[str, Any]) -> Net:
    """The network from the numbers that training wrote."""

    def layers(rows: list[dict[str, Any]]) -> tuple[tuple[Array32, Array32], ...]:
        return tuple((np.array(r["weights"], np.float32), np.array(r["biases"], np.float32)) for r in rows)

    return Net(
        np.array(told["glance_centre"], np.float32),
        np.array(told["glance_spread"], np.float32),
        layers(told["glance"]),
        np.array(told["centre"], np.float32),
        np.array(told["spread"], np.float32),
        layers(told["droplet"]),
        layers(told["fit"]),
        np.array(told["last"], np.float64),
        np.array(told["last_with_eye"], np.float64),
        np.array(told["size"], np.float64),
        np.array(told["log_diameter_u"], np.float64),
    )


def forward(layers: tuple[tuple[Array32, Array32], ...], values: Array32) -> Array32:
    for weights, biases in layers[:-1]:
        values = np.maximum(values @ weights + biases, 0)
    weights, biases = layers[-1]
    return values @ weights + biases
