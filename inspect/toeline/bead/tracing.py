"""From a rough band to two toe lines: lay the bead straight, learn how bead and plate look, solve, and once more finer."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import bead_extent, core_odds, core_presence
from toeline.bead.evidence import Evidence
from toeline.bead.finder import Band
from toeline.bead.looks import ANY_GROUND, PLATE, Ground, above_sides, looks_log_odds, rough_log_odds
from toeline.bead.strip import ALONG, Strip, features, lay_straight, resample_line, smooth_line
from toeline.bead.toes import TwoLines, edge_score, solve_lines

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

STEP_COLUMNS = 3
"""Strip columns to a station of the optimisation."""
EDGE_SHARE = 0.5
"""Weight of plain edges beside a learned toe map [ratio]."""
TOE_WEIGHT = 3.0
"""Edge score of a px where a learned map is sure of a toe."""
PASSES = ((25, 45), (20, 48))
ROUGH_PASSES = ((12, 48), (16, 48), (20, 48))
"""Rows of the expected half width and of the strip's half height, in one strip after another: by a learned map, and by roughness, whose
band may hold no more than the lit half of a face."""
ROUNDS = (3, 2)
"""How often the lines are solved in the first and in each further strip by looks that are learnt anew from the lines before."""
BEYOND_HALVES = (3.0, 6.0)
"""How far beyond what is known of it a bead is followed, in half widths: by a learned map, and by roughness [ratio]."""

AT_BORDER = 0.9
"""A leg longer than this share of what a strip holds may be cut by the strip's border: once more in a wider one [ratio]."""
EXPECTED = (1.3, 0.5, 0.5)
"""Width expected in the first strip over the band's half width, and its spread (log) in the first and second strip."""

__all__ = ["Anchor", "Trace", "beside", "trace_band", "trace_row"]

Anchor = tuple[int, float, float]
"""(line 0 or 1, x, y in the view)."""


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Two toe lines in a straightened bead.

    Attributes
    ----------
    strip : Strip
    columns : ndarray, shape (n,)
        Strip column of every station.
    lines : TwoLines
    odds, edges, seen : ndarray, shape (rows, n)
        Log odds of weld metal, edge score and visibility that the lines were solved from.
    whole : ndarray, shape (rows, n)
        Log odds of weld metal by one measure for the whole strip, which tells where the bead ends.
    rough : ndarray, shape (rows, n)
        Log roughness along the bead.
    bead : slice
        Stations that look like the bead; beyond its ends the lines follow whatever they find.
    toe : ndarray, shape (rows, n), or None
        Toe probability of a learned map.
    second : TwoLines or None
        A second opinion on both lines: by the classical evidence beside lines from a learned map, by another ground beside classical lines.
    """

    strip: Strip
    columns: Array
    lines: TwoLines
    odds: Array32
    edges: Array32
    seen: Array32
    whole: Array32
    rough: Array32
    bead: slice
    toe: Array32 | None = None
    second: TwoLines | None = None

    @property
    def width_rows(self) -> float:
        """Usual width over the bead."""
        return float(np.median(self.lines.rows[1, self.bead] - self.lines.rows[0, self.bead]))

    @property
    def longest_half_rows(self) -> float:
        """Usual distance from the middle row, over the bead, of the toe farther from it."""
        return float(np.median(np.abs(self.lines.rows[:, self.bead] - self.strip.centre_row), axis=1).max())

    @property
    def edge_along(self) -> Array:
        """Edge score along both lines, of the three rows nearest to a line the strongest, shape (2, n)."""
        rows = np.clip(np.round(self.lines.rows).astype(int), 1, len(self.edges) - 2)
        stations = np.arange(len(self.columns))
        return np.asarray(np.max([self.edges[rows + k, stations] for k in (-1, 0, 1)], axis=0), dtype=np.float64)

    def toe_px(self, line: int) -> Array:
        """A toe line in the view, shape (n, 2) [px]."""
        return self.strip.to_view(self.columns, self.lines.rows[line])

    def middle_px(self) -> Array:
        """The line midway between both toes, shape (n, 2) [px]."""
        return self.strip.to_view(self.columns, self.lines.rows.mean(axis=0))


def trace_band(
    image: NDArray[np.uint8],
    valid: NDArray[np.bool_] | None,
    band: Band,
    evidence: Evidence,
    anchors: tuple[Anchor, ...] = (),
    *,
    ground: Ground = ANY_GROUND,
) -> Trace:
    """Toe lines of a flat bead of any direction, from its rough band.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3)
    valid : ndarray of bool, shape (height, width), or None
    band : Band
    evidence : Evidence
        A learned map is used in the lines' solution; of classical evidence only the band was needed.
    anchors : tuple of (line, x, y)
        Points of the view that a line must pass through [px].
    ground : Ground
        What lies beside the bead, for the classical evidence.
    """
    height, width = image.shape[:2]
    half = float(np.quantile(band.half_px, 0.6))
    middle = smooth_line(resample_line(band.middle_px, half / 4), 6.0)
    trace: Trace | None = None
    rough = evidence.roughness is not None
    for core_rows, half_rows in ROUGH_PASSES if rough else PASSES:
        middle = _lengthen(middle, BEYOND_HALVES[rough] * half, (width, height))
        strip = lay_straight(image, valid, middle, half_rows=half_rows, pitch_px=half / core_rows, evidence=evidence)
        first = trace is None
        expected = (EXPECTED[0] * core_rows, EXPECTED[1]) if first else (2.0 * core_rows, EXPECTED[2])
        trace = _solve(strip, expected, anchors, before=trace, ground=ground)
        half = max(trace.width_rows / 2 * strip.pitch_px, 1.5)
        middle = smooth_line(resample_line(trace.middle_px(), half / 4), 10.0)
    assert trace is not None
    return trace


def trace_row(
    image: NDArray[np.uint8],
    valid: NDArray[np.bool_] | None,
    row_px: float,
    columns_px: tuple[float, float],
    evidence: Evidence,
    *,
    leg_px: tuple[float, float],
    anchors: tuple[Anchor, ...] = (),
    ground: Ground = PLATE,
) -> Trace:
    """Toe lines on both sides of a known straight row: a tee's legs about its root.

    Parameters
    ----------
    row_px : float
        Row of the root in the view [px].
    columns_px : (float, float)
        Where the plates begin and end [px].
    leg_px : (float, float)
        Shortest and longest leg looked for [px].
    ground : Ground
        What lies beside the bead, for the classical evidence.
    """
    middle = np.array([[columns_px[0], row_px], [columns_px[1], row_px]])
    longest = leg_px[1]
    trace: Trace | None = None
    for half_rows in (45, 60, 60):
        if trace is not None:
            leg = trace.longest_half_rows * trace.strip.pitch_px
            if half_rows == trace.strip.centre_row and leg < AT_BORDER * longest:
                break  # the second strip held both legs with room to spare
            longest = min(leg_px[1], 1.7 * leg)
        pitch = longest / half_rows
        strip = lay_straight(image, valid, middle, half_rows=half_rows, pitch_px=pitch, evidence=evidence)
        least = leg_px[0] / pitch
        if trace is None:
            expected = (2 * 7.0 / 18.0 * half_rows, 0.6)
        else:
            expected = (2 * half_rows / 1.7, 0.35)
        trace = _solve(strip, expected, anchors, before=trace, ground=ground, least_half_rows=least)
    assert trace is not None
    return trace


def beside(first: Trace, second: Trace) -> tuple[Trace, Trace]:
    """Two traces of one bead, each with the other's lines as its second opinion."""
    return replace(first, second=_lines_of(second, first)), replace(second, second=_lines_of(first, second))


def _lines_of(other: Trace, trace: Trace) -> TwoLines:
    """The lines of another trace in this one's strip, with their spread and rivals."""
    ratio = other.strip.pitch_px / trace.strip.pitch_px
    fields = (other.lines.sd_rows * ratio, other.lines.rival)
    rows, (sd, rival) = _carried(other, trace.strip, trace.columns, fields)
    return TwoLines(rows, sd, rival)


def _solve(
    strip: Strip,
    expected: tuple[float, float],
    anchors: tuple[Anchor, ...],
    *,
    before: Trace | None,
    ground: Ground,
    least_half_rows: float | None = None,
) -> Trace:
    """Lines in one strip: solve, learn the bead's and the plates' looks between and beyond the lines, solve again."""
    stack, edge, seen = features(strip, STEP_COLUMNS)
    rows_n, n = stack.shape[:2]
    columns = np.arange(n, dtype=np.float64) * STEP_COLUMNS + (STEP_COLUMNS - 1) / 2
    edges = edge_score(edge, seen)
    rough = stack[..., ALONG].mean(axis=2)
    toe = None if strip.toe is None else np.asarray(_pooled(strip.toe, n) * seen, dtype=np.float32)
    if toe is not None:
        edges = (EDGE_SHARE * edges + TOE_WEIGHT * toe).astype(np.float32)
    fixed = _fixed(strip, anchors, n)
    n_states = int(0.675 * rows_n) if least_half_rows is None else int(strip.centre_row - least_half_rows) + 1
    rows = None if before is None else _carried(before, strip, columns)[0]
    if strip.weld is None:
        if rows is None and least_half_rows is None:
            half = expected[0] / EXPECTED[0]
            rows = np.stack([np.full(n, strip.centre_row - half), np.full(n, strip.centre_row + half)])
        first = before is None
        lines, odds, whole = _by_looks(
            stack, edges, seen, rows, rounds=ROUNDS[not first], share=ground.share, plate=ground.far if first else ground.near,
            n_states=n_states, width_rows=expected, fixed=fixed,
        )  # fmt: skip
        bead = _extent(whole, lines.rows, seen, both=True)
        return Trace(strip, columns, _through(lines, fixed), odds, edges, seen, whole, rough, bead)
    odds = np.asarray(_pooled(strip.weld, n) * seen, dtype=np.float32)
    lines = solve_lines(odds, edges, n_states=n_states, width_rows=expected, fixed=fixed)
    second = None
    if before is not None:
        second = _second_opinion(stack, edge_score(edge, seen), seen, lines, n_states=n_states, log_sd=expected[1])
    bead = _extent(odds, lines.rows, seen, both=False)
    return Trace(strip, columns, _through(lines, fixed), odds, edges, seen, odds, rough, bead, toe, second)


def _by_looks(
    stack: Array32,
    edges: Array32,
    seen: Array32,
    rows: Array | None,
    *,
    rounds: int,
    share: float,
    plate: tuple[float, float],
    n_states: int,
    width_rows: tuple[float, float],
    fixed: tuple[tuple[int, int, float], ...],
) -> tuple[TwoLines, Array32, Array32]:
    """Lines by this photo's own looks, learnt anew in every round; the log odds that they were solved from; and those, above the sides',
    by one measure for the whole strip."""
    rough, everywhere = rough_log_odds(stack, seen), rough_log_odds(stack, seen, local=False)
    odds, whole = rough, everywhere
    if rows is None:
        rows = solve_lines(odds, edges, n_states=n_states, width_rows=width_rows, fixed=fixed).rows
    for _ in range(rounds):
        stations = _extent(above_sides(whole, seen, rows), rows, seen, both=True)
        looks = looks_log_odds(stack, seen, rows, plate=plate, stations=stations)
        odds, whole = (np.asarray((1 - share) * r + share * looks, np.float32) for r in (rough, everywhere))
        lines = solve_lines(odds, edges, n_states=n_states, width_rows=width_rows, fixed=fixed)
        rows = lines.rows
    return lines, odds, above_sides(whole, seen, rows)


def _extent(whole: Array32, rows: Array, seen: Array32, *, both: bool) -> slice:
    """Stations of the bead."""
    extent = bead_extent(core_presence(core_odds(whole, rows, seen, both=both)), bridge=10)
    return slice(extent.first, extent.last + 1)


def _second_opinion(stack: Array32, edges: Array32, seen: Array32, lines: TwoLines, *, n_states: int, log_sd: float) -> TwoLines:
    """What roughness, edges and this photo's own looks make of lines that a learned map gave."""
    looks = looks_log_odds(stack, seen, lines.rows, plate=PLATE.near)
    odds = ((1 - PLATE.share) * rough_log_odds(stack, seen) + PLATE.share * looks).astype(np.float32)
    width = float(np.median(lines.rows[1] - lines.rows[0]))
    return solve_lines(odds, edges, n_states=n_states, width_rows=(width, log_sd))


def _through(lines: TwoLines, fixed: tuple[tuple[int, int, float], ...]) -> TwoLines:
    """Lines moved the last fraction of a row onto their anchors, and their neighbours with them."""
    if not fixed:
        return lines
    rows, sd = lines.rows.copy(), lines.sd_rows.copy()
    at = np.arange(rows.shape[1])
    for line, column, row in fixed:
        near = np.exp(-np.square((at - column) / 6.0))
        rows[line] += (row - rows[line, column]) * near
        sd[line] *= 1 - 0.8 * near
    return TwoLines(rows, sd, lines.rival)


def _carried(before: Trace, strip: Strip, columns: Array, fields: tuple[Array, ...] = ()) -> tuple[Array, tuple[Array, ...]]:
    """The lines of another strip as rows of this one, shape (2, n), and what is known along them, each of shape (2, n)."""
    rows, along = np.empty((2, len(columns))), tuple(np.empty((2, len(columns))) for _ in fields)
    for line in (0, 1):
        at, row = strip.from_view(before.toe_px(line)[::2])
        order = np.argsort(at, kind="stable")
        rows[line] = np.interp(columns, at[order], row[order])
        for field, carried in zip(fields, along, strict=True):
            carried[line] = np.interp(columns, at[order], field[line, ::2][order])
    return np.stack([np.minimum(rows[0], rows[1] - 4.0), np.maximum(rows[1], rows[0] + 4.0)]), along


def _pooled(field: Array32, n: int) -> Array32:
    return np.asarray(field[:, : n * STEP_COLUMNS].reshape(len(field), n, STEP_COLUMNS).mean(2), dtype=np.float32)


def _fixed(strip: Strip, anchors: tuple[Anchor, ...], n: int) -> tuple[tuple[int, int, float], ...]:
    """Anchors as (line, station, row)."""
    if not anchors:
        return ()
    columns, rows = strip.from_view(np.array([[x, y] for _, x, y in anchors], dtype=np.float64))
    return tuple(
        (line, min(n - 1, int(column // STEP_COLUMNS)), float(row))
        for (line, _, _), column, row in zip(anchors, columns, rows, strict=True)
    )


def _lengthen(line: Array, by_px: float, size_px: tuple[int, int]) -> Array:
    """A middle line carried on straight at both ends, as far as the picture reaches."""
    step = float(np.hypot(*(line[1] - line[0])))
    n = max(1, int(by_px / max(step, 1e-6)))
    reach = min(len(line) - 1, 12)

    def beyond(end: Array, inner: Array) -> Array:
        direction = (end - inner) / max(float(np.hypot(*(end - inner))), 1e-9)
        points = end + direction * step * np.arange(1, n + 1)[:, None]
        inside = ((points >= 0) & (points <= np.array(size_px) - 1)).all(axis=1)
        return points[: int(np.argmin(inside)) if not inside.all() else n]

    head, tail = beyond(line[0], line[reach]), beyond(line[-1], line[-1 - reach])
    return np.concatenate([head[::-1], line, tail])
