"""Find solidified droplets on a picture of plate, size them, and say how likely each is one.

One look of a small network over the whole plate (``sight``) tells droplets from what is flat, from pits, scratches and crumbs; a logistic
model makes a probability of its log odds.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import ceil, log, sqrt
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toeline.spatter.sight import STEP, Array, Array32, Finds, Mask, find_middles

Picture = NDArray[np.uint8]

SMALLEST_PX = (3.75, 5.25)
"""Diameter to which the smallest droplet is brought before looking: the least, and where the plate in view is small, the most [px]."""
LOOKED_AT_PX = 4e6
"""Plate in view that is looked at as finely as that; more is looked at more coarsely [px]."""
LARGEST_GROWTH = 1.6
"""Most that a coarse picture is grown by for that [ratio]."""
LEAST_RATIO = 0.85
"""Finds narrower than this share of the smallest diameter are left out: a droplet of just that size may be told a little narrower."""
LEAST_PROBABILITY = 0.05
"""Less likely places are not told [ratio]."""
WET_FROM_MM2 = 40.0
"""So much wet plate makes it a wet plate: about four drops of water and what lies about them; dry generated coupons show 13 at most [mm²]."""
WET_LOG_ODDS, PERHAPS_WET_LOG_ODDS = 1.0, -2.0
"""Where water is told more surely than the first, plate is wet; on a wet plate it may be from the second on."""
WET_PROBABILITY = 0.3
"""Where a wet plate may be wet no find is surer than this: a drop of water may pass for a droplet of metal [ratio]."""

__all__ = ["Found", "Sheet", "clues", "detect_particles", "judgement", "lay_out", "one_for_each_place"]


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Droplets found in one picture, most probable first; all arrays have shape (n,).

    Attributes
    ----------
    x_px, y_px : ndarray
        Middles [px].
    diameter_px, diameter_u_px : ndarray
        Diameter of the circle of equal area and its standard uncertainty [px].
    elongation_ratio : ndarray
        Long over short axis of what differs from the plate.
    probability : ndarray
        That it is a droplet.
    wet_mm2 : float
        Plate with drops of water on it and close by, 0 where that is so little that it may be none [mm²].
    """

    x_px: Array
    y_px: Array
    diameter_px: Array
    diameter_u_px: Array
    elongation_ratio: Array
    probability: Array
    wet_mm2: float


@cache
def judgement() -> dict[str, list[float]]:
    """The last judgement's numbers, fitted on pictures that the network did not see: see ``particles.json``."""
    told: dict[str, list[float]] = json.loads(files("toeline.spatter").joinpath("particles.json").read_text(encoding="utf-8"))
    return told


def clues(finds: Finds, smallest_px: float) -> Array:
    """What the last judgement weighs of each find, shape (n, 3): log odds, width, and how clear the picture is.

    The narrowest are told less surely than their log odds say; from 1.6 times the smallest width on, width says nothing more.
    On a noisy plate many finds are a little likely; where likely ones outnumber those, a find of the same log odds is a droplet more often.
    """
    n_likely, n_weak = int(np.sum(finds.log_odds > -0.3)), int(np.sum((finds.log_odds > -2.4) & (finds.log_odds < -0.9)))
    clear = log((3.0 + n_likely) / (10.0 + n_weak))
    wide = np.minimum(np.log(finds.diameter_px / smallest_px), 0.5)
    return np.column_stack([finds.log_odds, wide, np.full(len(finds.x_px), clear)])


def one_for_each_place(finds: Finds) -> Finds:
    """The likeliest of finds that mean the same droplet, most likely first."""
    order = np.argsort(-finds.log_odds, kind="stable")
    x, y, diameter = finds.x_px[order], finds.y_px[order], finds.diameter_px[order]
    kept = np.ones(len(order), dtype=bool)
    if len(order):
        points = np.column_stack([x, y])
        for one, other in sorted(cKDTree(points).query_pairs(0.5 * float(diameter.max()))):
            gap = float(np.hypot(*(points[one] - points[other])))
            if kept[one] and gap < max(0.4 * max(diameter[one], diameter[other]), 0.36 * (diameter[one] + diameter[other])):
                kept[other] = False
    return Finds(*(getattr(finds, name)[order[kept]] for name in Finds.__slots__))


def _elongation(light: Array32, x: Array, y: Array, diameter: Array) -> Array:
    """Long over short axis of what differs from the plate around, from its second moments, at least 1."""
    if len(x) == 0:
        return np.empty(0)
    step = np.linspace(-1.3, 1.3, 11, dtype=np.float32)
    u, v = (m.ravel() for m in np.meshgrid(step, step))
    at_x = (x[:, None] + 0.5 * diameter[:, None] * u).astype(np.float32)
    at_y = (y[:, None] + 0.5 * diameter[:, None] * v).astype(np.float32)
    ratio = np.ones(len(x))
    for part in np.array_split(np.arange(len(x)), max(1, ceil(len(x) / 8000))):
        values = cv2.remap(light, at_x[part], at_y[part], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        rim = np.hypot(u, v) > 1.2
        differs = np.abs(values - np.median(values[:, rim], axis=1, keepdims=True))
        differs = np.clip(differs - 1.5 * differs[:, rim].mean(axis=1, keepdims=True), 0, None) * (np.hypot(u, v) < 1.25)
        total = differs.sum(axis=1) + 1e-6
        mean_u, mean_v = (differs @ u) / total, (differs @ v) / total
        uu = (differs @ (u * u)) / total - mean_u**2 + 0.02
        vv = (differs @ (v * v)) / total - mean_v**2 + 0.02
        uv = (differs @ (u * v)) / total - mean_u * mean_v
        root = np.sqrt((uu - vv) ** 2 + 4 * uv**2)
        ratio[part] = np.sqrt((uu + vv + root) / np.maximum(uu + vv - root, 1e-3))
    return ratio


def detect_particles(
    image: Picture,
    mask: Mask,
    px_per_mm: float,
    *,
    smallest_mm: float = 0.3,
    largest_mm: float = 4.0,
) -> Found:
    """Droplets on a picture of plate seen from above.

    Parameters
    ----------
    image : ndarray of uint8, shape (h, w, 3)
        Red first.
    mask : ndarray of bool, shape (h, w)
        Plate that can be seen: only droplets whose middle lies in it are told.
    px_per_mm : float
        [px/mm]
    smallest_mm, largest_mm : float
        Range of diameters looked for [mm].

    Returns
    -------
    Found
        Every candidate that is more likely than one in twenty; callers choose where to cut.
    """
    if not mask.any():
        none = np.empty(0)
        return Found(none, none, none, none, none, none, 0.0)
    sheet = lay_out(image, mask, px_per_mm, smallest_mm=smallest_mm, largest_mm=largest_mm)
    some, water = find_middles(sheet.picture, sheet.mask)
    finds = one_for_each_place(some)
    last = judgement()
    probability = 1.0 / (1.0 + np.exp(-(last["last"][0] + clues(finds, sheet.smallest_px) @ np.array(last["last"][1:]))))
    wet_mm2 = float(np.count_nonzero(water > WET_LOG_ODDS)) * (STEP * smallest_mm / sheet.smallest_px) ** 2
    if wet_mm2 < WET_FROM_MM2:
        wet_mm2 = 0.0
    else:
        column, row = np.round(finds.x_px).astype(int) // STEP, np.round(finds.y_px).astype(int) // STEP
        in_water = water[row, column] > PERHAPS_WET_LOG_ODDS
        probability = np.where(in_water, np.minimum(probability, WET_PROBABILITY), probability)
    diameter = np.exp(last["size"][0] + last["size"][1] * np.log(finds.diameter_px))
    kept = np.flatnonzero(
        (probability > LEAST_PROBABILITY) & (diameter >= LEAST_RATIO * sheet.smallest_px) & (diameter <= 1.3 * sheet.largest_px)
    )
    kept = kept[np.argsort(-probability[kept], kind="stable")]
    x, y, diameter = finds.x_px[kept], finds.y_px[kept], diameter[kept]
    elongation = _elongation(sheet.light(), x, y, diameter)
    u = diameter * np.hypot(last["log_diameter_u"][0], last["log_diameter_u"][1] * np.exp(finds.log_spread[kept]))
    at_x, at_y = sheet.back(x, y)
    step = float(np.sqrt(sheet.step[0] * sheet.step[1]))
    return Found(at_x, at_y, diameter * step, u * step, elongation, probability[kept], wet_mm2)


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A picture of plate cut to what is looked at and brought to the size at which it is looked at.

    Attributes
    ----------
    picture : ndarray of float32, shape (h, w, 3)
    mask : ndarray of bool, shape (h, w)
    smallest_px, largest_px : float
        Range of diameters [px].
    corner : tuple of int
        Column and row of the cut's first pixel in the whole picture [px].
    step : tuple of float
        Pixels of the whole picture to one of the sheet, in x and y.
    """

    picture: Array32
    mask: Mask
    smallest_px: float
    largest_px: float
    corner: tuple[int, int]
    step: tuple[float, float]

    def light(self) -> Array32:
        """Brightness, shape (h, w)."""
        return np.asarray(cv2.transform(self.picture, np.array([[0.3, 0.5, 0.2]], dtype=np.float32)), dtype=np.float32)

    def back(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Places of the sheet in the whole picture [px]."""
        return (x + 0.5) * self.step[0] - 0.5 + self.corner[0], (y + 0.5) * self.step[1] - 0.5 + self.corner[1]


def lay_out(
    image: Picture,
    mask: Mask,
    px_per_mm: float,
    *,
    smallest_mm: float = 0.3,
    largest_mm: float = 4.0,
) -> Sheet:
    """Cut to the mask and a margin, and bring the smallest droplet to `SMALLEST_PX`; parameters as `detect_particles`."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    margin = int(largest_mm * px_per_mm)
    y0, y1 = max(0, rows[0] - margin), min(mask.shape[0], rows[-1] + 1 + margin)
    x0, x1 = max(0, columns[0] - margin), min(mask.shape[1], columns[-1] + 1 + margin)
    native = smallest_mm * px_per_mm
    wanted = min(native, SMALLEST_PX[1], native * sqrt(LOOKED_AT_PX / np.count_nonzero(mask)))
    shrink = max(1.0 / LARGEST_GROWTH, native / max(SMALLEST_PX[0], wanted))
    size = (max(1, round((x1 - x0) / shrink)), max(1, round((y1 - y0) / shrink)))

    def brought(picture: NDArray[Any], way: int) -> NDArray[Any]:
        return np.asarray(cv2.resize(picture[y0:y1, x0:x1], size, interpolation=way))

    smooth = cv2.INTER_AREA if shrink > 1 else cv2.INTER_LINEAR
    return Sheet(
        brought(image, smooth).astype(np.float32),
        brought(mask.astype(np.uint8), cv2.INTER_NEAREST) > 0,
        smallest_mm * px_per_mm / shrink,
        largest_mm * px_per_mm / shrink,
        (int(x0), int(y0)),
        ((x1 - x0) / size[0], (y1 - y0) / size[1]),
    )
