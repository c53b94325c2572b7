"""Where a bead begins and ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

END_SHARE = 0.5
"""Where between the core's usual and its lowest values the bead ends, from above [ratio]."""
LANES = (0.15, 0.6)
LANE = (0.3, 0.7)
"""Where the core is looked at, in half widths from the middle: both lanes together, and each by itself [ratio]."""

__all__ = ["Extent", "bead_extent", "core_odds", "core_presence", "running_median", "runs"]


@dataclass(frozen=True, slots=True)
class Extent:
    """First and last station of the bead, and of further short pieces beyond a gap."""

    first: int
    last: int
    others: tuple[tuple[int, int], ...] = ()


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every run of true values."""
    padded = np.concatenate([[False], flags, [False]]).astype(np.int8)
    change = np.diff(padded)
    return [(int(a), int(b) - 1) for a, b in zip(np.nonzero(change == 1)[0], np.nonzero(change == -1)[0], strict=True)]


def core_odds(odds: NDArray[np.float32], rows: Array, seen: NDArray[np.float32], *, both: bool = False) -> Array:
    """Log odds of weld metal of the bead's core at each station, shape (n,).

    The core is two lanes between both toes at their usual distance, off the middle where a tee's root line would show:
    beyond the bead's ends the lines follow whatever they find, the core shows bare plate.

    Parameters
    ----------
    odds, seen : ndarray, shape (rows, n)
    rows : ndarray, shape (2, n)
        Both toe lines.
    both : bool
        Weld metal must be seen on either side of the middle: roughness takes the dark line of a joint for a bead, but that runs along one
        lane only.

    Returns
    -------
    ndarray, shape (n,)
        NaN before the first and after the last station that shows any core, and everywhere where none does.
    """
    n = odds.shape[1]
    half = float(np.median(rows[1] - rows[0])) / 2
    reach = max(3, n // 12)
    middle = running_median(rows.mean(axis=0), reach)
    off = np.arange(len(odds))[:, None] - middle[None]

    def lane(place: Array, span: tuple[float, float]) -> Array:
        weight = (place >= span[0] * half) * (place <= span[1] * half) * (seen > 0.5)
        held = weight.sum(axis=0)
        return np.where(held > 0.4 * held.max(), (odds * weight).sum(axis=0) / np.maximum(held, 1), np.nan)

    core = np.fmin(lane(-off, LANE), lane(off, LANE)) if both else lane(np.abs(off), LANES)
    if not np.isfinite(core).any():
        return core
    known = np.nonzero(np.isfinite(core))[0]
    core = np.interp(np.arange(n), known, core[known], left=np.nan, right=np.nan)
    first, last = int(known[0]), int(known[-1])
    core[first : last + 1] = running_median(core[first : last + 1], max(2, min(n // 4, round(0.35 * half))))
    return np.asarray(core, dtype=np.float64)


def core_presence(core: Array) -> Array:
    """How weld-like the bead's core is above what parts bead from plate in this picture, shape (n,); −1 where no core is seen.

    The level that parts lies half way between the core's usual and its lowest values, but at least 0.5 (in log odds) below the usual, so
    that a bead without ends in view is not cut; where even the usual looks like plate the bead is short, and even odds part (own
    definition). The level finds ends; it does not say that what lies below it is plate.
    """
    known = np.isfinite(core)
    if not known.any():
        return np.zeros(len(core))
    top, high, low = (float(q) for q in np.quantile(core[known], [0.95, 0.65, 0.04]))
    level = 0.0 if high < 0 < top else high - max(END_SHARE * (high - low), 0.5)
    return np.where(known, core - level, -1.0)


def running_median(values: Array, reach: int) -> Array:
    """Median over ``reach`` values on either side, ends repeated, shape (n,)."""
    padded = np.pad(values, reach, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1), dtype=np.float64)


def bead_extent(presence: Array, *, bridge: int) -> Extent:
    """The stretch of the largest total presence.

    Parameters
    ----------
    presence : ndarray, shape (n,)
        Positive where the bead is seen, negative where plate is.
    bridge : int
        Stretches closer than this belong together [stations].
    """
    soft = np.convolve(np.pad(presence, 2, mode="edge"), np.ones(5) / 5, mode="valid")
    best_sum, best = -np.inf, (0, len(soft) - 1)
    total, start = 0.0, 0
    for i, value in enumerate(soft):
        if total <= 0:
            total, start = 0.0, i
        total += float(value)
        if total > best_sum:
            best_sum, best = total, (start, i)
    others = tuple((a, b) for a, b in runs(soft > 0) if (b < best[0] - bridge or a > best[1] + bridge) and b - a >= bridge)
    return Extent(best[0], best[1], others)
