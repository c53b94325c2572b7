"""What the classical evidence makes of a straightened bead: where this photo's plate ends and something else lies.

A lit half of a face is rough and bright, its shaded half is neither; what both have in common is that they are not this plate. So
plate is learnt anew in every photo, on each side apart and well away from the bead, and weld metal is what looks like the bead's middle
or, at least, unlike that plate. Colour tells smooth bright metal from rust, texture tells a dull face from heat tint, so texture is
judged once with lightness and colour and once by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import running_median

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

CLIP = 2.5
"""Log odds that no row exceeds: what is known of one place is little, however odd it looks."""
ROUGH_CUT = 0.5
"""Where between the sides' roughness and the roughest rows' weld metal begins at first [ratio]."""
GROUPS = ((0.6, slice(0, 8)), (0.6, slice(1, 6)))
"""Weights of all features together and of texture by itself."""
OUTER_SHARE = 0.5
"""Where the picture ends sooner, plate is learnt from so much of what is seen beyond a line, its outer part [ratio]."""
BORDER_ROWS = 4
"""Beside what can't be seen, features belong to its edge [rows]."""
ANY_SHARE, ANY_SPREAD = 0.7, 3.0
"""Weld metal unlike the bead's middle: how common, and how much wider than all of the strip it spreads (variance) [ratio]."""
SIDES = (1.25, 2.0)
"""Where both sides of the bead are looked at, in half widths from its middle [ratio]."""

__all__ = ["ANY_GROUND", "FAR_PLATE", "PLATE", "Ground", "above_sides", "looks_log_odds", "rough_log_odds"]


@dataclass(frozen=True, slots=True)
class Ground:
    """What is known of the ground on both sides of a bead.

    Attributes
    ----------
    share : float
        Share of this photo's own looks, against plain roughness, in the evidence [ratio].
    far, near : (from, to)
        Where it is learnt, in widths beyond a line: while the lines are a guess, and when they are nearly right [ratio].
    """

    share: float
    far: tuple[float, float]
    near: tuple[float, float]


PLATE = Ground(0.8, (0.8, 2.5), (0.3, 1.2))
"""Beside lines that are known to be nearly right."""
FAR_PLATE = Ground(0.8, (1.0, 2.5), (0.8, 2.0))
"""Never near the lines: half a face that was missed is not taken for plate, however often its looks are learnt anew."""
ANY_GROUND = Ground(0.5, (0.4, 1.5), (0.2, 1.0))
"""Where strips say so it is plate for a good way; in a plain photo a bench or another piece may soon follow."""


@dataclass(frozen=True, slots=True, eq=False)
class _Gaussian:
    mean: Array
    precision: Array
    log_det: float

    def log_density(self, flat: Array) -> Array:
        """Up to a constant, shape (n,)."""
        off = flat - self.mean
        return np.asarray(-0.5 * (((off @ self.precision) * off).sum(axis=1) + self.log_det), dtype=np.float64)


def _gaussian(sample: Array, spread: Array, inflated: float = 1.0) -> _Gaussian:
    covariance = np.asarray(inflated * np.cov(sample.T) + spread, dtype=np.float64)
    precision = np.asarray(np.linalg.inv(covariance), dtype=np.float64)
    return _Gaussian(sample.mean(axis=0), precision, float(np.linalg.slogdet(covariance)[1]))


def rough_log_odds(stack: Array32, seen: Array32, *, local: bool = True) -> Array32:
    """A first guess at weld metal: rougher than half way from the sides to the roughest rows, shape (h, n).

    Parameters
    ----------
    stack : ndarray, shape (h, n, 8)
        Features, of which the roughnesses are used.
    local : bool
        Judge every station by its own sides and roughest rows; else all by the whole strip's usual ones, which tells where a bead ends.
    """
    part = stack[..., 1:6]
    z = (part - np.median(part, axis=(0, 1))) / (part.std(axis=(0, 1)) + 1e-3)
    rough = cv2.GaussianBlur(z @ np.array([0.3, 0.15, 0.25, 0.15, 0.15], np.float32), (0, 0), sigmaX=3, sigmaY=1)
    profile = cv2.GaussianBlur(rough, (0, 0), sigmaX=15, sigmaY=0.8)
    margin = len(profile) // 6
    core = np.quantile(profile[margin:-margin], 0.92, axis=0)
    sides = (profile[:margin].mean(0) + profile[-margin:].mean(0)) / 2
    if not local:
        core, sides = np.full_like(core, np.quantile(core, 0.7)), np.full_like(sides, np.median(sides))
    spread = np.maximum(core - sides, 0.4) / 4
    return np.asarray(
        CLIP * np.tanh((rough - (ROUGH_CUT * core + (1 - ROUGH_CUT) * sides)) / spread / CLIP) * seen, dtype=np.float32
    )


def looks_log_odds(
    stack: Array32, seen: Array32, rows: Array, *, plate: tuple[float, float], stations: slice = slice(None)
) -> Array32:
    """Log odds of weld metal against the plate of the same side, limited and faded where nothing is seen, shape (h, n).

    Parameters
    ----------
    stack : ndarray, shape (h, n, 8)
    seen : ndarray, shape (h, n)
    rows : ndarray, shape (2, n)
        Present lines, by which bead and plate are learnt.
    plate : (from, to)
        Where plate is learnt, in widths beyond each line.
    stations : slice
        Those to learn from: the bead without what lies beyond its ends.
    """
    areas = _areas(seen[:, stations], rows[:, stations], plate)
    middle = (rows[0] + rows[1]) / 2
    below = 1 / (1 + np.exp(-(np.arange(len(stack))[:, None] - middle[None]) / 2.0))
    total = np.zeros(seen.shape)
    for weight, group in GROUPS:
        odds = _odds_of_group(stack[..., group], stack[:, stations, group], areas, below)
        total += weight * CLIP * np.tanh(odds / CLIP)
    return np.asarray(total * seen, dtype=np.float32)


def _areas(seen: Array32, rows: Array, plate: tuple[float, float]) -> tuple[Mask, Mask, Mask, Mask]:
    """The bead's middle, plate on the first side, plate on the second side, and everything seen."""
    open_rows = (seen > 0.6).astype(np.uint8)
    size = (BORDER_ROWS + 1, 2 * BORDER_ROWS + 1)
    usable = cv2.erode(open_rows, np.ones(size[::-1], np.uint8), borderValue=1) > 0
    y = np.arange(len(seen))[:, None]
    top, bottom = rows[0][None], rows[1][None]
    width = bottom - top
    held = usable.any(axis=0)
    first = np.where(held, usable.argmax(axis=0), 0)[None]
    last = len(usable) - 1 - np.where(held, usable[::-1].argmax(axis=0), 0)[None]
    above = np.maximum(np.minimum(plate[0] * width, OUTER_SHARE * (top - first)), 2.0)
    below = np.maximum(np.minimum(plate[0] * width, OUTER_SHARE * (last - bottom)), 2.0)
    return (
        (y > top + 0.12 * width) & (y < bottom - 0.12 * width) & usable,
        (y < top - above) & (y > top - plate[1] * width) & usable,
        (y > bottom + below) & (y < bottom + plate[1] * width) & usable,
        usable,
    )


def _odds_of_group(stack: Array32, learnt: Array32, areas: tuple[Mask, Mask, Mask, Mask], below: Array) -> Array:
    """Half the log odds by one group of features (neighbouring features say much the same), shape (h, n)."""
    h, n, f = stack.shape
    flat = stack.reshape(-1, f).astype(np.float64)
    every = learnt[areas[3]] if areas[3].any() else learnt.reshape(-1, f)
    everything = every.astype(np.float64)
    spread = np.diag(everything.var(axis=0) * 0.03 + 1e-3)
    models = [
        _gaussian(learnt[area].astype(np.float64) if np.count_nonzero(area) > 50 else everything, spread) for area in areas[:3]
    ]
    weld, first, second = (model.log_density(flat).reshape(h, n) for model in models)
    other = _gaussian(everything, spread, ANY_SPREAD).log_density(flat).reshape(h, n)
    weld = np.logaddexp(weld + np.log(1 - ANY_SHARE), other + np.log(ANY_SHARE))
    return np.asarray(0.5 * (weld - (1 - below) * first - below * second), dtype=np.float64)


def above_sides(odds: Array32, seen: Array32, rows: Array) -> Array32:
    """Log odds less those of the station's more plate-like side: beyond the plate's edge everything is unlike plate, middle and sides
    alike, so nothing there is a bead. Shape (h, n).
    """
    half = float(np.median(rows[1] - rows[0])) / 2
    middle = running_median(rows.mean(axis=0), max(3, odds.shape[1] // 12))
    off = np.arange(len(odds))[:, None] - middle[None]
    sides = []
    for way in (-1.0, 1.0):
        use = (way * off > SIDES[0] * half) & (way * off < SIDES[1] * half) & (seen > 0.5)
        n = use.sum(axis=0)
        sides.append(np.where(n > 2, (odds * use).sum(axis=0) / np.maximum(n, 1), np.nan))
    lower = np.fmin(sides[0], sides[1])
    known = np.isfinite(lower)
    lower = np.where(known, lower, np.median(lower[known]) if known.any() else 0.0)
    soft = cv2.GaussianBlur(lower[None].astype(np.float32), (0, 0), 2.0)
    return np.asarray(odds - soft, dtype=np.float32)
