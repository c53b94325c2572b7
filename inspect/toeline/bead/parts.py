"""Which stretches of a bead are not steady: start, crater, restarts, tacks welded over.

All own definitions. Sizes of the templates are the trade's own (common practice, no source): a tack is some 10 mm long, at a restart
the crater that was not filled leaves a dip and the cold start after it a hump, a few millimetres each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import runs
from toeline.bead.result import Part

Array = NDArray[np.float64]
Span = tuple[float, float]

OFF_ENDS_MM = 8.0
"""What is left out at each end at least, in the house definition of the steady part [mm]."""
END_CHANGE = 0.15
"""An end part grows while the width stays farther off the middle half's than this [ratio]."""
END_ABOVE = 2.0
"""And than so many robust standard deviations of the middle half's own width: an uneven bead is uneven at its ends too."""
JUMP_CHANGE = 0.22
"""Change of width that marks a restart whatever its form [ratio]."""
JUMP_ABOVE = 5.0
"""And how many robust standard deviations: where the width jumps everywhere the bead is uneven, and none of it is left out."""
TACK_MM = 2.9
RESTART_MM = (2.5, 2.1, 2.0, 1.8)
"""Where a restart's hump lies after it and how wide it is, where its dip lies before it and how wide that is [mm]."""
REACH_MM = 9.0
"""How far on either side the bead is fitted with a template and a straight line [mm]."""
HALF_MM = 6.0
"""A tack or restart takes so much of the bead on either side [mm]."""
NEIGHBOUR_MM = 10.0
"""How far beyond a restart or tack its neighbours reach, against which hump and dip are told [mm]."""
TACK_LEAST = (0.08, 4.0)
RESTART_LEAST = (0.10, 5.0)
"""Least swing of the width, and how many robust standard deviations above what this bead does elsewhere [ratio, 1]."""

__all__ = ["OFF_ENDS_MM", "bead_parts", "between", "hump_and_dip"]


def bead_parts(
    along: Array,
    width: Array,
    *,
    travel: str,
    open_ends: tuple[bool, bool],
    off_ends: float,
    gaps: tuple[Span, ...] = (),
    apart: tuple[Span, ...] = (),
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
        Least length left out at a seen end; it stands for ``OFF_ENDS_MM`` where there are no millimetres [mm].
    gaps : tuple of (from, to)
        Stretches within the bead that show no weld metal: restarts [mm].
    apart : tuple of (from, to)
        Pieces of weld beyond the bead's ends: tacks [mm].
    """
    per_mm = off_ends / OFF_ENDS_MM
    bounds, ends = _end_parts(along, width, travel=travel, open_ends=open_ends, off_ends=off_ends)
    inner = (along >= bounds[0]) & (along <= bounds[1])
    usual = float(np.median(width[inner])) if inner.any() else float(np.median(width))
    found = [Part("restart", a, b) for a, b in (*gaps, *_jumps(along, width, bounds, usual))]
    if np.count_nonzero(inner) > 8:
        found += _swellings(along[inner], width[inner] / usual - 1, travel=travel, per_mm=per_mm)
    holes = _merged(found, bounds)
    holes = [hump_and_dip(part, along, width, gaps, holes, per_mm=per_mm) for part in holes]
    parts = [Part("steady", *span) for span in between(*bounds, [(p.from_mm, p.to_mm) for p in holes])]
    return tuple(sorted((*parts, *holes, *ends, *(Part("tack", a, b) for a, b in apart)), key=lambda part: part.from_mm))


def hump_and_dip(
    part: Part, along: Array, width: Array, gaps: tuple[Span, ...], holes: list[Part], *, per_mm: float = 1.0
) -> Part:
    """A restart or tack with its hump, dip and gap (own definition): the width, averaged over a millimetre, against a straight line fitted
    by least squares to what lies within ``NEIGHBOUR_MM`` beyond both its ends and in no other hole, while in a gap there is no width."""
    step = float(np.median(np.diff(along)))
    reach = max(1, round(per_mm / step))
    soft = np.convolve(np.pad(width, reach, mode="edge"), np.ones(2 * reach + 1) / (2 * reach + 1), mode="valid")
    missing = np.zeros(len(along), dtype=bool)
    for a, b in gaps:
        missing |= (along >= a - per_mm) & (along <= b + per_mm)
    inside = (along >= part.from_mm) & (along <= part.to_mm) & ~missing
    near = np.zeros(len(along), dtype=bool)
    for a, b in ((part.from_mm - NEIGHBOUR_MM * per_mm, part.from_mm), (part.to_mm, part.to_mm + NEIGHBOUR_MM * per_mm)):
        near |= (along >= a) & (along <= b)
    for other in holes:
        near &= (along < other.from_mm) | (along > other.to_mm)
    gap = sum(max(0.0, min(b, part.to_mm) - max(a, part.from_mm)) for a, b in gaps) if part.kind == "restart" else None
    if np.count_nonzero(near & ~missing) < 4 or not inside.any():
        return replace(part, gap_mm=gap)
    line = np.polyfit(along[near & ~missing], width[near & ~missing], 1)
    off = (soft - np.polyval(line, along))[inside]
    return replace(part, hump_mm=max(0.0, float(off.max())), dip_mm=max(0.0, float(-off.min())), gap_mm=gap)


def _end_parts(
    along: Array, width: Array, *, travel: str, open_ends: tuple[bool, bool], off_ends: float
) -> tuple[Span, list[Part]]:
    """Where the steady part may begin and end, and the parts beyond: they grow from ``off_ends`` to at most three times that while the
    width stays off the middle half's median."""
    length = float(along[-1] - along[0])
    middle = width[len(width) // 4 : max(len(width) // 4 + 1, 3 * len(width) // 4)]
    usual = float(np.median(middle))
    odd = max(END_CHANGE, END_ABOVE * 1.4826 * float(np.median(np.abs(middle / usual - 1))))
    cut = min(off_ends, length / 3)
    bounds = []
    for left in (True, False):
        if open_ends[0 if left else 1]:
            bounds.append(float(along[0] if left else along[-1]))
            continue
        distance = along - along[0] if left else along[-1] - along
        reach = cut
        for i in np.argsort(distance):
            if cut < distance[i] <= min(3 * cut, length / 3):
                if abs(width[i] / usual - 1) <= odd:
                    break
                reach = float(distance[i])
        bounds.append(float(along[0] + reach if left else along[-1] - reach))
    kinds = ("start", "crater") if travel == "right" else ("crater", "start")
    parts = []
    if not open_ends[0]:
        parts.append(Part(kinds[0], float(along[0]), bounds[0]))
    if not open_ends[1]:
        parts.append(Part(kinds[1], bounds[1], float(along[-1])))
    return (bounds[0], bounds[1]), parts


def _jumps(along: Array, width: Array, bounds: Span, usual: float) -> list[Span]:
    """Stretches, between a fifth of a width and three widths long, where the width is more than ``JUMP_CHANGE`` off its running median
    over eight widths; widened by half a width either way."""
    step = float(np.median(np.diff(along))) if len(along) > 1 else 1.0
    half = max(2, int(4 * usual / step))
    padded = np.pad(width, half, mode="reflect" if len(width) > half else "edge")
    running = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    swing = np.abs(width / np.maximum(running, 1e-9) - 1)
    odd = swing > max(JUMP_CHANGE, JUMP_ABOVE * 1.4826 * float(np.median(swing)))
    odd &= (along >= bounds[0]) & (along <= bounds[1])
    found = []
    for a, b in runs(odd):
        long = float(along[b] - along[a]) + step
        if 0.2 * usual <= long <= 3 * usual:
            found.append((float(along[a]) - 0.5 * usual, float(along[b]) + 0.5 * usual))
    return found


def _swellings(along: Array, swing: Array, *, travel: str, per_mm: float) -> list[Part]:
    """Tacks and restarts by their form: the width's swing fitted with a template and a straight line at every place.

    Parameters
    ----------
    swing : ndarray, shape (n,)
        Width over the usual one, less 1 [ratio].
    per_mm : float
        Length that stands for a millimetre.
    """
    hump_at, hump, dip_at, dip = RESTART_MM
    way = 1.0 if travel == "right" else -1.0

    def restart(x: Array) -> Array:
        return 0.6 * _bell(x - way * hump_at, hump) - 0.4 * _bell(x + way * dip_at, dip)

    free = np.ones(len(along), dtype=bool)
    edge = int(4.0 * per_mm / max(float(np.median(np.diff(along))), 1e-9))
    free[:edge] = free[len(free) - edge :] = False
    kinds = ("restart", "tack")
    explained = np.empty((2, len(along)))
    for i, (template, (least, above)) in enumerate(((restart, RESTART_LEAST), (lambda x: _bell(x, TACK_MM), TACK_LEAST))):
        height, energy = _fitted(along / per_mm, swing, template)
        spread = 1.4826 * float(np.median(np.abs(height - np.median(height)))) + 1e-4
        stands_out = free & (height >= least) & (height >= above * spread)
        explained[i] = np.where(stands_out, height * height * energy, 0.0)
    found: list[Part] = []
    while explained.max() > 0:
        kind, best = np.unravel_index(int(np.argmax(explained)), explained.shape)
        at = float(along[best])
        found.append(Part(kinds[kind], at - HALF_MM * per_mm, at + HALF_MM * per_mm))
        explained[:, np.abs(along - at) <= 2 * HALF_MM * per_mm] = 0.0
    return found


def _bell(x: Array, sd: float) -> Array:
    return np.asarray(np.exp(-0.5 * np.square(x / sd)), dtype=np.float64)


def _fitted(along: Array, swing: Array, template: Callable[[Array], Array]) -> tuple[Array, float]:
    """Least-squares height of a template at every place, beside a straight line, shape (n,), and what a height of 1 explains."""
    step = float(np.median(np.diff(along)))
    n = max(1, int(REACH_MM / step))
    x = np.asarray(np.arange(-n, n + 1) * step, dtype=np.float64)
    form = template(x)
    line, _ = np.linalg.qr(np.stack([np.ones_like(x), x], axis=1))
    form = form - line @ (line.T @ form)
    padded = np.pad(swing, n, mode="reflect" if len(swing) > n else "edge")
    energy = float(form @ form)
    return np.asarray(np.correlate(padded, form / energy, mode="valid"), dtype=np.float64), energy


def _merged(parts: list[Part], bounds: Span) -> list[Part]:
    """Parts cut to the bounds, overlapping ones joined under the name of the first found."""
    merged: list[Part] = []
    for part in sorted(parts, key=lambda p: p.from_mm):
        low, high = max(part.from_mm, bounds[0]), min(part.to_mm, bounds[1])
        if high <= low:
            continue
        if merged and low <= merged[-1].to_mm:
            kind = "restart" if "restart" in (part.kind, merged[-1].kind) else part.kind
            merged[-1] = Part(kind, merged[-1].from_mm, max(merged[-1].to_mm, high))
        else:
            merged.append(Part(part.kind, low, high))
    return merged


def between(low: float, high: float, holes: list[Span]) -> list[Span]:
    """What is left of a span without its holes."""
    left, spans = low, []
    for a, b in holes:
        if a > left:
            spans.append((left, a))
        left = max(left, b)
    if high > left:
        spans.append((left, high))
    return spans
