"""Where weld metal is: bands that are rougher than what lies on both sides of them, with their middle lines.

A band is a path (middle, half width) along a picture that was turned so that the bead runs roughly left to right; dynamic
programming finds the path of the largest total contrast, free to begin and end anywhere. Four turns cover every direction, since
a path may climb faster than one row a column.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.evidence import Evidence

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

MAP_LONG_SIDE_PX = 320
COLUMN_STEP_PX = 4
HALF_WIDTHS_PX: tuple[int, ...] = (2, 3, 4, 5, 7, 9, 12, 16, 21)
"""Half widths tried, in px of the map."""

_OUTSIDE = -0.5
_SLOPE_COST = 0.15
_WIDEN_COST = 0.35
_MAX_SLOPE = 4
_LEAST_RISE = 0.15
_OFF_CENTRE = 0.6

__all__ = ["Band", "find_bands"]


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """A candidate bead.

    Attributes
    ----------
    middle_px : ndarray, shape (n, 2)
        Middle line in the view, left to right (top to bottom for steep ones) [px].
    half_px : ndarray, shape (n,)
        Half width along it [px].
    contrast : ndarray, shape (n,)
        How much rougher than both sides, in the evidence's own log units.
    total : float
        Sum of contrast over its path, the quantity that was maximised.
    """

    middle_px: Array
    half_px: Array
    contrast: Array
    total: float

    @property
    def length_px(self) -> float:
        return float(np.hypot(*np.diff(self.middle_px, axis=0).T).sum())


def find_bands(
    evidence: Evidence,
    *,
    valid: NDArray[np.bool_] | None = None,
    angles_deg: tuple[float, ...] = (0.0, 90.0, 45.0, -45.0),
    inside_box_px: tuple[float, float, float, float] | None = None,
    through_row_px: float | None = None,
    n_most: int = 3,
) -> tuple[Band, ...]:
    """Candidate beads, strongest first.

    Parameters
    ----------
    evidence : Evidence
    valid : ndarray of bool, shape of the view, optional
        Where there is plate or bead to be seen.
    angles_deg : tuple of float
        Directions tried, from x towards y (down) [deg].
    inside_box_px : (x0, y0, x1, y1), optional
        The middle line must stay in this box of the view [px].
    through_row_px : float, optional
        A row of the view (a tee's root) that every band must hold [px].
    n_most : int
        How many to return at most.
    """
    scale = min(1.0, MAP_LONG_SIDE_PX / max(evidence.weld.shape))
    seen = _seen(evidence, valid, scale)
    fields = [_Field(evidence, seen, angle, scale * evidence.scale_ratio, inside_box_px, through_row_px) for angle in angles_deg]
    first = [(field.best(), field) for field in fields]
    found = [band for band, _ in first if band is not None]
    if not found:
        return ()
    strongest = max(first, key=lambda pair: -np.inf if pair[0] is None else pair[0].total)[1]
    for _ in range(n_most - 1):
        further = strongest.best()
        if further is not None:
            found.append(further)
    found.sort(key=lambda band: -band.total)
    kept: list[Band] = []
    for band in found:
        if len(kept) < n_most and all(_apart(band, other) for other in kept):
            kept.append(band)
    return tuple(kept)


def _seen(evidence: Evidence, valid: NDArray[np.bool_] | None, scale: float) -> Array32:
    """Share of valid view px in each map px, shape of the map."""
    height, width = evidence.weld.shape
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    if valid is None:
        return np.ones(size[::-1], np.float32)
    return np.asarray(cv2.resize(valid.astype(np.float32), size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _map(evidence: Evidence, angle: float, size: tuple[int, int]) -> Array32:
    """What is contrasted: roughness along the direction, or the log odds of a learned map."""
    field = evidence.log_odds() / 3 if evidence.roughness is None else evidence.roughness.log_energy(angle)
    return np.asarray(cv2.resize(field, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


class _Field:
    """Contrast along one direction, from which bands are taken one by one, strongest first."""

    def __init__(
        self,
        evidence: Evidence,
        seen: Array32,
        angle: float,
        to_map: float,
        box: tuple[float, float, float, float] | None,
        row: float | None,
    ) -> None:
        turned, inside, turn = _turn(_map(evidence, angle, (seen.shape[1], seen.shape[0])), seen, angle)
        self.contrast = _contrast(turned, inside)
        self.back = np.asarray(cv2.invertAffineTransform(turn), dtype=np.float64)
        self.to_map = to_map
        _prefer_centre(self.contrast, self.back, seen.shape)
        if box is not None or row is not None:
            _forbid(self.contrast, self.back, to_map, box, row)

    def best(self) -> Band | None:
        """The strongest band left, in view px; its place is then taken."""
        total, path = _best_path(self.contrast)
        if len(path) < 4 or total <= 0:
            return None
        x, k, y = path.T
        value = self.contrast[k, y, x].astype(np.float64)
        points = np.stack([x * COLUMN_STEP_PX + (COLUMN_STEP_PX - 1) / 2, y, np.ones(len(x))], axis=1) @ self.back.T
        middle = (points + 0.5) / self.to_map - 0.5
        half = np.asarray(np.array(HALF_WIDTHS_PX)[k] / self.to_map, dtype=np.float64)
        for xi, ki, yi in path:
            reach = 2 * HALF_WIDTHS_PX[ki]
            self.contrast[:, max(0, yi - reach) : yi + reach + 1, xi] = _OUTSIDE
        run = middle[-1] - middle[0]
        if run[np.argmax(np.abs(run))] < 0:
            middle, half, value = middle[::-1], half[::-1], value[::-1]
        return Band(middle, half, value, float(total))


def _turn(field: Array32, seen: Array32, angle: float) -> tuple[Array32, Array32, NDArray[np.float64]]:
    """Field and visibility turned by ``angle`` so that this direction runs along the rows, and the map → turned matrix."""
    h, w = field.shape
    a = np.deg2rad(angle)
    size = (int(abs(w * np.cos(a)) + abs(h * np.sin(a))) + 1, int(abs(w * np.sin(a)) + abs(h * np.cos(a))) + 1)
    matrix = np.asarray(cv2.getRotationMatrix2D(((w - 1) / 2, (h - 1) / 2), angle, 1.0), dtype=np.float64)
    matrix[:, 2] += (np.array(size) - (w, h)) / 2
    turned = cv2.warpAffine(field, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.warpAffine(seen, matrix, size, flags=cv2.INTER_LINEAR)
    return np.asarray(turned, np.float32), np.asarray(inside, np.float32), matrix


def _contrast(field: Array32, seen: Array32) -> Array32:
    """Inside mean less the rougher side's mean for every half width, shape (k, h, n columns)."""
    soft = cv2.GaussianBlur(field * seen, (0, 0), sigmaX=4.0, sigmaY=0.7)
    weight = cv2.GaussianBlur(seen, (0, 0), sigmaX=4.0, sigmaY=0.7)
    n = field.shape[1] // COLUMN_STEP_PX
    soft = soft[:, : n * COLUMN_STEP_PX].reshape(len(soft), n, -1).mean(2)
    weight = weight[:, : n * COLUMN_STEP_PX].reshape(len(weight), n, -1).mean(2)
    sums = np.vstack([np.zeros((1, n), np.float32), np.cumsum(soft, 0)])
    seen_sums = np.vstack([np.zeros((1, n), np.float32), np.cumsum(weight, 0)])
    y = np.arange(len(field))
    out = np.full((len(HALF_WIDTHS_PX), len(field), n), _OUTSIDE, np.float32)

    def mean(low: NDArray[np.intp], high: NDArray[np.intp]) -> tuple[Array32, Array32]:
        length = (high - low)[:, None]
        low, high = np.clip(low, 0, len(y)), np.clip(high, 0, len(y))
        held = seen_sums[high] - seen_sums[low]
        return (sums[high] - sums[low]) / np.maximum(held, 1e-3), held / length

    for k, half in enumerate(HALF_WIDTHS_PX):
        side = max(3, half)
        within, n_in = mean(y - half, y + half + 1)
        above, n_above = mean(y - half - 1 - side, y - half - 1)
        below, n_below = mean(y + half + 2, y + half + 2 + side)
        rise = within - np.maximum(np.where(n_above > 0.5, above, -9), np.where(n_below > 0.5, below, -9))
        ok = (n_in > 0.85) & (np.maximum(n_above, n_below) > 0.7) & (np.minimum(n_above, n_below) > 0.5)
        out[k] = np.where(ok, rise - _LEAST_RISE, _OUTSIDE)
    return out


def _prefer_centre(contrast: Array32, back: NDArray[np.float64], shape: tuple[int, ...]) -> None:
    """Weigh contrast down towards the picture's borders: people aim at the bead they mean. In place."""
    _, h, n = contrast.shape
    ys, xs = np.mgrid[:h, :n]
    xs = xs * COLUMN_STEP_PX + (COLUMN_STEP_PX - 1) / 2
    off = (back[1, 0] * xs + back[1, 1] * ys + back[1, 2]) / (shape[0] - 1) * 2 - 1
    off_x = (back[0, 0] * xs + back[0, 1] * ys + back[0, 2]) / (shape[1] - 1) * 2 - 1
    across = off * abs(back[1, 1]) + off_x * abs(back[0, 1])
    weight = (1 - _OFF_CENTRE * np.clip(across * across, 0, 1)).astype(np.float32)
    np.multiply(contrast, weight[None], out=contrast, where=contrast > 0)


def _forbid(
    contrast: Array32,
    back: NDArray[np.float64],
    to_map: float,
    box: tuple[float, float, float, float] | None,
    row: float | None,
) -> None:
    """Forbid middles outside the box and bands that miss the row, in place."""
    _, h, n = contrast.shape
    ys, xs = np.mgrid[:h, :n]
    xs = xs * COLUMN_STEP_PX + (COLUMN_STEP_PX - 1) / 2
    px = (back[0, 0] * xs + back[0, 1] * ys + back[0, 2] + 0.5) / to_map - 0.5
    py = (back[1, 0] * xs + back[1, 1] * ys + back[1, 2] + 0.5) / to_map - 0.5
    if box is not None:
        out = (px < box[0]) | (px > box[2]) | (py < box[1]) | (py > box[3])
        contrast[:, out] = -5.0
    if row is not None:
        for k, half in enumerate(HALF_WIDTHS_PX):
            contrast[k][np.abs(py - row) > 0.7 * half / to_map] = -5.0


def _best_path(score: Array32) -> tuple[float, NDArray[np.intp]]:
    """Path of the largest sum, free to start and end anywhere: rows of (column, k, y), shape (n, 3)."""
    n_k, h, n = score.shape
    values = np.empty((n, n_k, h), np.float32)
    reach = np.zeros((n_k, h), np.float32)
    for x in range(n):
        values[x] = reach + score[:, :, x]
        reach = values[x].copy()
        for _ in range(_MAX_SLOPE):
            np.maximum(reach[:, 1:], reach[:, :-1] - _SLOPE_COST, out=reach[:, 1:])
            np.maximum(reach[:, :-1], reach[:, 1:] - _SLOPE_COST, out=reach[:, :-1])
        wider = reach.copy()
        wider[1:] = np.maximum(wider[1:], reach[:-1] - _WIDEN_COST)
        wider[:-1] = np.maximum(wider[:-1], reach[1:] - _WIDEN_COST)
        reach = np.maximum(wider, 0.0)
    x, k, y = (int(v) for v in np.unravel_index(int(np.argmax(values)), values.shape))
    total = float(values[x, k, y])
    path = [(x, k, y)]
    while x > 0 and values[x, k, y] - score[k, y, x] > 1e-6:
        low_k, low_y = max(0, k - 1), max(0, y - 2 * _MAX_SLOPE)
        block = values[x - 1, low_k : k + 2, low_y : y + 2 * _MAX_SLOPE + 1].copy()
        block -= _WIDEN_COST * np.abs(np.arange(low_k, low_k + block.shape[0]) - k)[:, None]
        block -= _SLOPE_COST * np.abs(np.arange(low_y, low_y + block.shape[1]) - y)[None]
        dk, dy = (int(v) for v in np.unravel_index(int(np.argmax(block)), block.shape))
        x, k, y = x - 1, low_k + dk, low_y + dy
        path.append((x, k, y))
    return total, np.array(path[::-1], dtype=np.intp)


def _apart(band: Band, other: Band) -> bool:
    """Most of a band lies off the other."""
    gap = np.hypot(*np.moveaxis(band.middle_px[:, None] - other.middle_px[None], -1, 0)).min(axis=1)
    return bool(np.mean(gap > 1.5 * np.median(other.half_px)) > 0.6)
