"""A trace read off at the bead's stations: where both toes are, how sure, and what speaks for and against."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.tracing import STEP_COLUMNS, Trace

Array = NDArray[np.float64]

DEFINITION_RATIO = 0.015
"""How well a toe is defined at all, as a share of the width: it is a crease or a rolled edge, not a line [ratio]."""

__all__ = ["Stations", "core_seen", "presence", "read_off"]


@dataclass(frozen=True, slots=True, eq=False)
class Stations:
    """A trace at the bead's stations; lengths in view px.

    Attributes
    ----------
    at : ndarray, shape (n,)
        Fractional trace stations.
    along_px : ndarray, shape (n,)
    across_px, u_px : ndarray, shape (2, n)
        Both toes' places, positive up, and their standard uncertainty.
    rival : ndarray, shape (2, n)
        Probability that the toe lies on another edge [ratio].
    apart, vague : ndarray, shape (2, n)
        Distance of the second opinion's line over the width, and the probability that this line itself lies elsewhere, both averaged over a
        width along; 0 where there is none [ratio].
    toe : ndarray, shape (2, n)
        A learned map's probability of a toe along either line; 0 where nothing says so [ratio].
    beyond : ndarray, shape (2, n)
        Log odds of weld metal from an eighth to half a width outside either line.
    inner : ndarray, shape (n,)
        Strongest toe probability along any line well between both, averaged over three widths along: a second crease [ratio].
    seen : ndarray of bool, shape (2, n)
    view_px : ndarray, shape (2, n, 2)
    """

    at: Array
    along_px: Array
    across_px: Array
    u_px: Array
    rival: Array
    apart: Array
    vague: Array
    toe: Array
    beyond: Array
    inner: Array
    seen: NDArray[np.bool_]
    view_px: Array


def core_seen(trace: Trace) -> NDArray[np.bool_]:
    """Stations at which the view shows most of the bead's width, shape (n,)."""
    off = np.abs(np.arange(len(trace.seen))[:, None] - trace.lines.rows.mean(axis=0)[None])
    within = off <= 0.3 * trace.width_rows
    return np.asarray((trace.seen * within).sum(axis=0) > 0.5 * within.sum(axis=0), dtype=bool)


def presence(trace: Trace) -> tuple[Array, Array]:
    """How like weld the middle looks at each station, (n,), and how well each toe parts weld from plate, (2, n)."""
    odds, rows = trace.odds.astype(np.float64), trace.lines.rows
    sums = np.vstack([np.zeros((1, odds.shape[1])), np.cumsum(odds, axis=0)])
    columns = np.arange(odds.shape[1])

    def mean(low: Array, high: Array) -> Array:
        a = np.clip(np.round(low), 0, len(odds) - 1).astype(int)
        b = np.maximum(np.clip(np.round(high), 1, len(odds)).astype(int), a + 1)
        return np.asarray((sums[b, columns] - sums[a, columns]) / (b - a))

    width = rows[1] - rows[0]
    near = np.maximum(2.0, 0.15 * width)
    inside = mean(rows[0] + 1, rows[1])
    parting = np.stack(
        [
            mean(rows[0] + 1, rows[0] + 1 + near) - mean(rows[0] - near, rows[0]),
            mean(rows[1] - near, rows[1]) - mean(rows[1] + 1, rows[1] + 1 + near),
        ]
    )
    return inside, parting


def read_off(trace: Trace, first: int, last: int, step_px: float, parting: Array) -> Stations:
    """Sample a trace every ``step_px`` between two of its stations."""
    spacing = STEP_COLUMNS * trace.strip.pitch_px
    at = np.arange(first, last + 1e-9, step_px / spacing)
    index = np.arange(len(trace.columns), dtype=np.float64)
    columns = np.interp(at, index, trace.columns)

    def sampled(field: Array) -> Array:
        return np.stack([np.interp(at, index, row) for row in field])

    rows = sampled(trace.lines.rows)
    nearest = np.clip(np.round(at).astype(int), 0, len(index) - 1)
    visible = np.stack([trace.seen[np.clip(np.round(r).astype(int), 0, len(trace.seen) - 1), nearest] > 0.5 for r in rows])
    edge = np.stack([trace.edges[np.clip(np.round(r).astype(int), 0, len(trace.seen) - 1), nearest] for r in rows])
    told = (sampled(parting) > 0.0) | (edge > 0.7)
    apart, vague = _second_opinion(trace)
    return Stations(
        at,
        (at - first) * spacing,
        (trace.strip.centre_row - rows) * trace.strip.pitch_px,
        np.hypot(sampled(trace.lines.sd_rows), DEFINITION_RATIO * trace.width_rows) * trace.strip.pitch_px,
        sampled(trace.lines.rival),
        sampled(apart),
        sampled(vague),
        *_across_the_bead(trace, at),
        visible & told,
        np.stack([trace.strip.to_view(columns, r) for r in rows]),
    )


def _second_opinion(trace: Trace) -> tuple[Array, Array]:
    """How far off the second opinion's lines are over the width, and how vague they are, averaged over one width along, (2, n) each."""
    if trace.second is None:
        return np.zeros_like(trace.lines.rows), np.zeros_like(trace.lines.rows)
    gap = np.abs(trace.lines.rows - trace.second.rows) / max(trace.width_rows, 1.0)
    reach = max(1, round(trace.width_rows / STEP_COLUMNS))
    apart, vague = (cv2.blur(f, (reach, 1), borderType=cv2.BORDER_REPLICATE) for f in (gap, trace.second.rival))
    return np.asarray(apart, dtype=np.float64), np.asarray(vague, dtype=np.float64)


SHARES = np.linspace(-0.6, 1.6, 89)
"""Places across the bead, in widths from the first toe, at which its maps are read [ratio]."""


def _across_the_bead(trace: Trace, at: Array) -> tuple[Array, Array, Array]:
    """Toe probability along both lines (2, n), log odds of weld beyond them (2, n), and the strongest toe between them (n,)."""
    index = np.arange(len(trace.columns), dtype=np.float64)
    first, second = (np.interp(at, index, row) for row in trace.lines.rows)
    rows = (first + SHARES[:, None] * (second - first)).astype(np.float32)
    columns = np.broadcast_to(at.astype(np.float32), rows.shape).copy()

    def read(field: NDArray[np.float32]) -> Array:
        return np.asarray(cv2.remap(field, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64)

    odds = read(trace.odds)
    beyond = np.stack([odds[(SHARES > a) & (SHARES < b)].mean(axis=0) for a, b in ((-0.5, -0.12), (1.12, 1.5))])
    if trace.toe is None:
        return np.zeros((2, len(at))), beyond, np.zeros(len(at))
    toe = read(trace.toe)
    lines = np.stack([toe[np.abs(SHARES - share) < 0.04].max(axis=0) for share in (0.0, 1.0)])
    width = float(np.median(second - first))
    step = float(np.median(np.diff(at))) * STEP_COLUMNS if len(at) > 1 else 1.0
    reach = max(1, round(3 * width / step))
    along = cv2.blur(toe, (reach, 3), borderType=cv2.BORDER_REPLICATE)
    inner = along[(SHARES > 0.2) & (SHARES < 0.8)].max(axis=0)
    return lines, beyond, np.asarray(inner, dtype=np.float64)
