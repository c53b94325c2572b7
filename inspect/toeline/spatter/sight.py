"""One look at a picture of plate: where droplets' middles are, how wide they are, how sure that is, and where water lies in drops.

A small U-shaped convolutional network says it for every second pixel (a heat map with sizes and offsets, after Zhou, Wang and Krähenbühl
2019); what stands out from its neighbours is a find. The weights (``droplets.onnx``) run in OpenCV's own network engine;
``training/droplets.py`` makes them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.networks import run

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

STEP = 2
"""Pixels to one cell of the network's map."""
AROUND_PX = 33
"""Side of the surroundings that brightness and contrast are told against [px]."""
MARGIN_PX = 16
"""The picture is looked at in windows with a margin about each that only lends context [px]."""
BLOCK_PX = 16
"""Windows are laid on a grid of this step, which is the network's coarsest [px]."""
LEAST_LOG_ODDS = -2.5
"""Less likely places are not looked into."""
DRY_LOG_ODDS = -9.0
"""Of water where nothing is looked at."""

__all__ = ["Finds", "find_middles", "shown"]


@dataclass(frozen=True, slots=True, eq=False)
class Finds:
    """Places that may be droplets, arrays of shape (n,).

    Attributes
    ----------
    x_px, y_px, diameter_px : ndarray
        [px]
    log_spread : ndarray
        Log of how far the diameter's logarithm may be off (Laplace's scale).
    log_odds : ndarray
        Of a droplet's middle, as the network has it.
    """

    x_px: Array
    y_px: Array
    diameter_px: Array
    log_spread: Array
    log_odds: Array


def shown(picture: Array32) -> Array32:
    """What the network is shown of a picture, shape (h, w, 3) in 0..255: colour against the surroundings, contrast, brightness around.

    Returns
    -------
    ndarray of float32, shape (5, h, w)
    """
    box = (AROUND_PX, AROUND_PX)
    grey = np.asarray(cv2.transform(picture, np.array([[0.3, 0.5, 0.2]], dtype=np.float32) / np.float32(255)), dtype=np.float32)
    mean = cv2.blur(grey, box, borderType=cv2.BORDER_REFLECT_101)
    square = cv2.sqrBoxFilter(grey, -1, box, normalize=True, borderType=cv2.BORDER_REFLECT_101)
    spread = np.sqrt(np.maximum(square - mean * mean, 0)) + np.float32(0.015)
    planes = np.empty((5, *grey.shape), dtype=np.float32)
    np.multiply(mean, np.float32(3), out=planes[4])
    for k in range(3):
        np.multiply(picture[..., k], np.float32(3 / 255), out=planes[k])
        planes[k] -= planes[4]
    contrast = np.subtract(grey, mean, out=planes[3])
    contrast /= spread
    np.clip(contrast, -4, 4, out=contrast)
    contrast *= np.float32(0.5)
    np.subtract(np.multiply(mean, np.float32(2), out=planes[4]), np.float32(1), out=planes[4])
    return planes


def find_middles(picture: Array32, mask: Mask) -> tuple[Finds, Array32]:
    """Places within the mask that may be droplets, in no order, and how surely water lies in drops.

    Parameters
    ----------
    picture : ndarray of float32, shape (h, w, 3)
        Red first, 0..255.
    mask : ndarray of bool, shape (h, w)

    Returns
    -------
    finds : Finds
    water : ndarray of float32, shape (⌈h / STEP⌉, ⌈w / STEP⌉)
        Log odds that drops of water lie there or close by, `DRY_LOG_ODDS` outside the mask.
    """
    planes = shown(picture)
    height, width = mask.shape
    padded = np.zeros((5, height + 2 * MARGIN_PX + BLOCK_PX, width + 2 * MARGIN_PX + BLOCK_PX), dtype=np.float32)
    padded[:, MARGIN_PX : MARGIN_PX + height, MARGIN_PX : MARGIN_PX + width] = planes
    coarse = mask[::STEP, ::STEP]
    parts, water = [np.empty((0, 5))], np.full(coarse.shape, DRY_LOG_ODDS, dtype=np.float32)
    for top, bottom, left, right in windows(mask):
        tall, wide = bottom - top + 2 * MARGIN_PX, right - left + 2 * MARGIN_PX
        told = run("spatter/droplets.onnx", padded[None, :, top : top + tall, left : left + wide])[0]
        edge = MARGIN_PX // STEP
        core = (edge, edge + (bottom - top) // STEP, edge, edge + (right - left) // STEP)
        found = _peaks(told, core)
        here = water[top // STEP : bottom // STEP, left // STEP : right // STEP]
        here[:] = told[5, core[0] : core[1], core[2] : core[3]][: here.shape[0], : here.shape[1]]
        parts.append(found + np.array([left - MARGIN_PX, top - MARGIN_PX, 0.0, 0.0, 0.0]))
    rows = np.concatenate(parts)
    column, row = np.round(rows[:, 0]).astype(int), np.round(rows[:, 1]).astype(int)
    inside = (row >= 0) & (column >= 0) & (row < height) & (column < width)
    inside[inside] = mask[row[inside], column[inside]]
    water[~coarse] = DRY_LOG_ODDS
    return Finds(*rows[inside].T), water


def windows(mask: Mask) -> list[tuple[int, int, int, int]]:
    """Windows that hold the whole mask and, margins counted, as little else as cutting it into bands of rows leaves.

    Returns
    -------
    list of tuple of int
        First row and the one after the last, columns likewise, multiples of `BLOCK_PX`.
    """
    tall, wide = (-(-side // BLOCK_PX) for side in mask.shape)
    blocks = np.zeros((tall * BLOCK_PX, wide * BLOCK_PX), dtype=bool)
    blocks[: mask.shape[0], : mask.shape[1]] = mask
    above = np.zeros((tall + 1, wide), dtype=np.int32)
    above[1:] = blocks.reshape(tall, BLOCK_PX, wide, BLOCK_PX).any(axis=(1, 3)).cumsum(axis=0)
    margin = 2 * MARGIN_PX // BLOCK_PX
    ends = [*range(0, tall, 4), tall]
    least: dict[int, tuple[int, int, list[tuple[int, int]]]] = {
        0: (0, 0, [])
    }  # by last row: blocks seen, where the band starts, its runs
    for bottom in ends[1:]:
        ways = []
        for top in ends:
            if top >= bottom:
                break
            runs = _runs(np.flatnonzero(above[bottom] > above[top]), margin)
            seen = sum((bottom - top + margin) * (right - left + margin) for left, right in runs)
            ways.append((least[top][0] + seen, top, runs))
        least[bottom] = min(ways, key=lambda way: way[0])
    found, bottom = [], tall
    while bottom > 0:
        _, top, runs = least[bottom]
        found += [(top * BLOCK_PX, bottom * BLOCK_PX, left * BLOCK_PX, right * BLOCK_PX) for left, right in runs]
        bottom = top
    return found


def _runs(places: NDArray[np.intp], margin: int) -> list[tuple[int, int]]:
    """First and one after the last of places, rising, split where a gap is wider than the margins that a split costs."""
    if len(places) == 0:
        return []
    gaps = np.flatnonzero(np.diff(places) > margin + 1)
    starts, stops = np.r_[places[0], places[gaps + 1]], np.r_[places[gaps], places[-1]] + 1
    return list(zip(starts.tolist(), stops.tolist(), strict=True))


def _peaks(told: Array32, core: tuple[int, int, int, int]) -> Array:
    """Cells of a window's core (rows, columns) that stand out from their neighbours: x, y, diameter [px], log spread, log odds."""
    odds = told[0]
    top = (odds >= cv2.dilate(odds, np.ones((3, 3), np.uint8))) & (odds > LEAST_LOG_ODDS)
    row, column = np.nonzero(top[core[0] : core[1], core[2] : core[3]])
    row, column = row + core[0], column + core[2]
    wide, spread, dx, dy = told[1:5, row, column].astype(float)
    x, y = (column + dx + 0.5) * STEP - 0.5, (row + dy + 0.5) * STEP - 0.5
    return np.column_stack([x, y, np.exp(np.clip(wide, 0.0, 5.0)), np.clip(spread, -4.0, 1.0), odds[row, column]])
