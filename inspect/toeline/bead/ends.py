"""Where a bead begins and ends, and which stretches of it are not steady: start, crater, restarts, tacks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toeline.bead.result import Part

Array = NDArray[np.float64]

OFF_ENDS_MM = 8.0
"""What is left out at each end at least, in the house definition of the steady part [mm]."""
END_SHARE = 0.5
"""Where between the core's usual and its lowest values the bead ends, from above [ratio]."""
RESTART_CHANGE = 0.22
"""Change of width that marks a restart [ratio]."""

__all__ = ["OFF_ENDS_MM", "Extent", "bead_extent", "bead_parts", "core_presence", "runs"]


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


def core_presence(odds: NDArray[np.float32], rows: Array, seen: NDArray[np.float32]) -> Array:
    """How weld-like the bead's core is at each station, above what parts bead from plate in this picture, shape (n,).

    The core is two lanes between both toes at their usual distance, off the middle where a tee's root line would show:
    beyond the bead's ends the lines follow whatever they find, the core shows bare plate. The level that parts lies half
    way between the core's usual and its lowest values, but at least 0.5 (in log odds) below the usual, so that a bead
    without ends in view is not cut (own definition).

    Parameters
    ----------
    odds, seen : ndarray, shape (rows, n)
    rows : ndarray, shape (2, n)
        Both toe lines.

    Returns
    -------
    ndarray, shape (n,)
        −1 before the first and after the last station that shows any core.
    """
    n = odds.shape[1]
    half = float(np.median(rows[1] - rows[0])) / 2
    reach = max(3, n // 12)
    middle = _running_median(rows.mean(axis=0), reach)
    off = np.abs(np.arange(len(odds))[:, None] - middle[None])
    weight = (off >= 0.15 * half) * (off <= 0.6 * half) * (seen > 0.5)
    held = weight.sum(axis=0)
    core = np.where(held > 0.4 * held.max(), (odds * weight).sum(axis=0) / np.maximum(held, 1), np.nan)
    if not np.isfinite(core).any():
        return np.zeros(n)
    known = np.isfinite(core)
    core = np.interp(np.arange(n), np.nonzero(known)[0], core[known])
    core = _running_median(core, max(2, min(n // 4, round(0.35 * half))))
    high, low = np.quantile(core[known], [0.65, 0.04])
    above = core - (high - max(END_SHARE * float(high - low), 0.5))
    first, last = (int(np.nonzero(known)[0][i]) for i in (0, -1))
    above[:first] = above[last + 1 :] = -1.0
    return np.asarray(above, dtype=np.float64)


def _running_median(values: Array, reach: int) -> Array:
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


def bead_parts(
    along: Array,
    width: Array,
    *,
    travel: str,
    open_ends: tuple[bool, bool],
    off_ends: float,
    tacks: tuple[tuple[float, float], ...] = (),
) -> tuple[Part, ...]:
    """Split a bead into steady part, start, crater, restarts and tacks.

    Parameters
    ----------
    along : ndarray, shape (n,)
        Stations [mm].
    width : ndarray, shape (n,)
        Toe to toe [mm].
    travel : str
        ``right`` or ``left``: where the start lies.
    open_ends : (bool, bool)
        Whether the bead runs out of the picture at its left, right end; such an end is neither start nor crater.
    off_ends : float
        Least length left out at a seen end [mm].
    tacks : tuple of (from, to)
        Pieces of weld beyond a gap [mm].

    Notes
    -----
    Own definition: an end part grows from ``off_ends`` to at most three times that while the width stays more than 15 % off
    the middle half's median. A restart is a stretch of more than 22 % off the running median over eight widths, between a
    fifth of a width and three widths long.
    """
    length = float(along[-1] - along[0])
    middle = width[len(width) // 4 : max(len(width) // 4 + 1, 3 * len(width) // 4)]
    usual = float(np.median(middle))
    cut = min(off_ends, length / 3)
    bounds = []
    for left in (True, False):
        if open_ends[0 if left else 1]:
            bounds.append(float(along[0] if left else along[-1]))
            continue
        distance = along - along[0] if left else along[-1] - along
        order = np.argsort(distance)
        reach = cut
        for i in order:
            if cut < distance[i] <= min(3 * cut, length / 3):
                if abs(width[i] / usual - 1) <= 0.15:
                    break
                reach = float(distance[i])
        bounds.append(float(along[0] + reach if left else along[-1] - reach))
    restarts = _restarts(along, width, bounds, usual)
    parts = [Part("steady", *span) for span in _between(bounds[0], bounds[1], restarts)]
    parts.extend(Part("restart", a, b) for a, b in restarts)
    kinds = ("start", "crater") if travel == "right" else ("crater", "start")
    if not open_ends[0]:
        parts.append(Part(kinds[0], float(along[0]), bounds[0]))
    if not open_ends[1]:
        parts.append(Part(kinds[1], bounds[1], float(along[-1])))
    parts.extend(Part("tack", a, b) for a, b in tacks)
    return tuple(sorted(parts, key=lambda part: part.from_mm))


def _restarts(along: Array, width: Array, bounds: list[float], usual: float) -> list[tuple[float, float]]:
    """Stretches where the width jumps, widened by half a width either way."""
    step = float(np.median(np.diff(along))) if len(along) > 1 else 1.0
    half = max(2, int(4 * usual / step))
    padded = np.pad(width, half, mode="reflect" if len(width) > half else "edge")
    running = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    odd = np.abs(width / np.maximum(running, 1e-9) - 1) > RESTART_CHANGE
    odd &= (along >= bounds[0]) & (along <= bounds[1])
    found = []
    for a, b in runs(odd):
        long = float(along[b] - along[a]) + step
        if 0.2 * usual <= long <= 3 * usual:
            found.append((max(bounds[0], float(along[a]) - 0.5 * usual), min(bounds[1], float(along[b]) + 0.5 * usual)))
    merged: list[tuple[float, float]] = []
    for low, high in found:
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged


def _between(low: float, high: float, holes: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """What is left of a span without its holes."""
    left, spans = low, []
    for a, b in holes:
        if a > left:
            spans.append((left, a))
        left = max(left, b)
    if high > left:
        spans.append((left, high))
    return spans
