"""The bead room's door: a view in, one bead with its toe lines, parts, doubts and confidence out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import OFF_ENDS_MM, Extent, bead_extent, bead_parts, core_presence, runs
from toeline.bead.evidence import Evidence, classical_evidence
from toeline.bead.finder import Band, find_bands
from toeline.bead.result import Bead, Part, ToeLine
from toeline.bead.tracing import STEP_COLUMNS, Anchor, Trace, trace_band, trace_row
from toeline.bead.view import CouponView, plate_to_view, view_to_photo, view_to_plate
from toeline.coupon import Hints
from toeline.errors import BadUsage, NoBead
from toeline.flags import Flag
from toeline.scale import rays
from toeline.scale.solution import Scale

Array = NDArray[np.float64]

STATION_MM = 0.5
LEAST_CONFIDENCE = 0.4
"""Below this a bead is refused [ratio]."""
UNSURE_CONFIDENCE = 0.65
"""Below this a bead is answered but doubted [ratio]."""
RIVAL_BEAD = 0.5
"""Another bead with at least this share of the chosen one's total contrast is told of [ratio]."""
LEG_MM = (1.5, 18.0)
DEFINITION_RATIO = 0.015
"""How well a toe is defined at all, as a share of the width: it is a crease or a rolled edge, not a line [ratio]."""
CORRELATION_WIDTHS = 1.0
"""Toe errors stay alike over about this many widths along the bead."""

__all__ = ["find_bead"]


def find_bead(
    view: CouponView,
    scale: Scale,
    *,
    joint: str,
    travel: str = "right",
    hints: Hints | None = None,
    evidence: Evidence | None = None,
) -> Bead:
    """Find the bead in a view and trace its two toe lines.

    Parameters
    ----------
    view : CouponView
        Plates laid flat; an unscaled view is the photo itself.
    scale : Scale
    joint : str
        ``tee`` looks for a toe on either plate about the root; every other joint for the strongest, most central bead of any
        direction.
    travel : str
        Direction of travel in the view, ``right`` or ``left``.
    hints : Hints, optional
        Anchors and a box from a hand.
    evidence : Evidence, optional
        A learned map of the view; absent, the classical evidence is made here.

    Returns
    -------
    Bead
        Stations every 0.5 mm along the bead's own smooth middle line (tee: along the root). Flat beads: ``across_mm`` is the
        signed distance from that middle line, positive up in the view. Unscaled: stations every sixteenth of the width, in px.

    Raises
    ------
    NoBead
        Nothing in the view looks enough like a bead.
    BadUsage
        An anchor names a toe that this joint hasn't.
    """
    hints = hints or Hints()
    tee = view.root_row is not None
    names = _toe_names(tee, travel)
    anchors = _anchors(view, scale, hints, names)
    bead = _find(view, scale, tee, travel, names, anchors, hints, evidence)
    if not anchors and hints.box_px is None:
        return bead
    return replace(
        bead,
        anchors=hints.through,
        flags=(*bead.flags, Flag("hand-anchored")),
        moved_mm=_moved(bead, view, scale, tee, travel, names, evidence),
    )


def _find(
    view: CouponView,
    scale: Scale,
    tee: bool,
    travel: str,
    names: tuple[str, str],
    anchors: tuple[Anchor, ...],
    hints: Hints,
    evidence: Evidence | None,
) -> Bead:
    """One bead by the given hints."""
    visible = view.valid & ~view.strips
    whole = bool(visible.all())
    valid = None if whole else visible
    box = _box(view, scale, hints)
    evidence = evidence or classical_evidence(view.image, valid=valid)
    bands: tuple[Band, ...] = ()
    if tee:
        trace = _trace_tee(view, visible, evidence, anchors, box)
    else:
        if box is not None:
            valid = _inside(box, visible)
        bands = find_bands(evidence, valid=valid, inside_box_px=box)
        if not bands:
            raise NoBead(
                "Nothing in the photo is rougher than the plate beside it, as a weld face is.",
                advice="Fill the frame with the bead, add light from the side, or draw a box round it.",
            )
        trace = trace_band(view.image, valid, bands[0], evidence, anchors)
    return _assemble(view, scale, trace, tee, travel, names, bands, bool(anchors) or box is not None)


def _trace_tee(
    view: CouponView, visible: NDArray[np.bool_], evidence: Evidence, anchors: tuple[Anchor, ...], box: tuple[float, ...] | None
) -> Trace:
    """Both legs about the root row."""
    assert view.root_row is not None
    row = view.root_row
    low, high = int(max(0, row - 2 * view.px_per_mm)), int(row + 2 * view.px_per_mm) + 1
    columns = np.nonzero(view.valid[low:high].mean(axis=0) > 0.5)[0]
    if len(columns) < 10 * view.px_per_mm:
        raise NoBead("The root of the joint is not in the photo.", advice="Keep the whole joint in the frame.")
    span = (float(columns[0]), float(columns[-1]))
    if box is not None:
        span = (max(span[0], box[0]), min(span[1], box[2]))
    return trace_row(
        view.image,
        visible,
        row,
        span,
        evidence,
        leg_px=(LEG_MM[0] * view.px_per_mm, LEG_MM[1] * view.px_per_mm),
        anchors=anchors,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Stations:
    """A trace at the bead's stations.

    ``at`` are fractional trace stations; everything else is sampled there; lengths in view px.
    """

    at: Array
    along_px: Array
    across_px: Array
    u_px: Array
    rival: Array
    seen: NDArray[np.bool_]
    view_px: Array


def _assemble(
    view: CouponView,
    scale: Scale,
    trace: Trace,
    tee: bool,
    travel: str,
    names: tuple[str, str],
    bands: tuple[Band, ...],
    by_hand: bool,
) -> Bead:
    """A trace as a bead: stations, parts, flags, confidence."""
    _, sharp = _presence(trace)
    presence = core_presence(trace.whole, trace.lines.rows, trace.seen)
    bridge = max(3, int(1.0 * trace.width_rows / STEP_COLUMNS))
    extent = bead_extent(presence, bridge=bridge)
    unscaled = scale.source == "none"
    if bands and (unscaled or trace.strip.weld is None):  # a plain photo mostly shows a stretch of a long seam: its ends count for little
        extent = _with_band(extent, trace, bands[0])
    core = np.nonzero(_core_seen(trace))[0]
    low, high = (int(core[0]), int(core[-1])) if len(core) else (0, len(presence) - 1)
    edge = max(2, int(0.5 * trace.width_rows / STEP_COLUMNS))
    open_ends = (extent.first <= low + edge, extent.last >= high - edge)
    first, last = (low if open_ends[0] else extent.first), (high if open_ends[1] else extent.last)
    width_px = trace.width_rows * trace.strip.pitch_px
    step_px = max(1.0, width_px / 16) if unscaled else STATION_MM * view.px_per_mm
    if (last - first) * STEP_COLUMNS * trace.strip.pitch_px < 1.5 * width_px:
        raise NoBead(
            "What looks most like a bead is shorter than it is wide.",
            advice="Fill the frame with the bead, or draw a box round it.",
        )
    stations = _stations(trace, first, last, step_px, sharp)
    ratio = 1.0 / view.px_per_mm
    along = stations.along_px * ratio
    confidence = _confidence(trace, stations, bands)
    if confidence < LEAST_CONFIDENCE and not by_hand:
        raise NoBead(
            "Something bead-like is there, but its toes can't be told from what lies beside them.",
            advice="Clean the plate, add light from the side, go closer; or put points on the toes or a box round the bead.",
        )
    toes: dict[str, ToeLine] = {}
    plate_points: dict[str, Array] = {}
    for i, name in enumerate(names):
        index, points = view_to_plate(view, stations.view_px[i])
        plate = view.plate_names[int(np.bincount(index).argmax())]
        across = np.abs(stations.across_px[i]) if tee else stations.across_px[i]
        toes[name] = ToeLine(
            name, plate, _still(across * ratio), _still(stations.u_px[i] * ratio), stations.seen[i],
            _still(view_to_photo(view, scale, stations.view_px[i])),
        )  # fmt: skip
        plate_points[name] = _still(points)
    gap = stations.view_px[0] - stations.view_px[1]
    width = np.hypot(*gap.T) * ratio
    off_ends = (width_px if unscaled else OFF_ENDS_MM * view.px_per_mm) * ratio
    parts = bead_parts(along, width, travel=travel, open_ends=open_ends, off_ends=off_ends)
    flags = _flags(stations, along, names, confidence, bands, parts, open_ends, unscaled)
    ends = view_to_photo(view, scale, stations.view_px.mean(axis=0)[[0, -1]])
    correlation = CORRELATION_WIDTHS * width_px * ratio
    return Bead(
        _still(along),
        MappingProxyType(toes),
        MappingProxyType(plate_points),
        correlation,
        confidence,
        parts,
        (float(ends[0, 0]), float(ends[0, 1])),
        (float(ends[1, 0]), float(ends[1, 1])),
        flags=flags,
    )


def _with_band(extent: Extent, trace: Trace, band: Band) -> Extent:
    """An extent no shorter than the rough band's, which was chosen over the whole picture; half a width is left to the closer look."""
    columns, _ = trace.strip.from_view(band.middle_px[[0, -1]])
    spare = 0.5 * trace.width_rows / STEP_COLUMNS
    ends = sorted(float(c) / STEP_COLUMNS for c in columns)
    last = len(trace.columns) - 1
    return Extent(
        int(np.clip(min(extent.first, ends[0] + spare), 0, last)),
        int(np.clip(max(extent.last, ends[1] - spare), 0, last)),
        extent.others,
    )


def _core_seen(trace: Trace) -> NDArray[np.bool_]:
    """Stations at which the view shows most of the bead's width, shape (n,)."""
    off = np.abs(np.arange(len(trace.seen))[:, None] - trace.lines.rows.mean(axis=0)[None])
    within = off <= 0.3 * trace.width_rows
    return np.asarray((trace.seen * within).sum(axis=0) > 0.5 * within.sum(axis=0), dtype=bool)


def _presence(trace: Trace) -> tuple[Array, Array]:
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


def _stations(trace: Trace, first: int, last: int, step_px: float, parting: Array) -> _Stations:
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
    return _Stations(
        at,
        (at - first) * spacing,
        (trace.strip.centre_row - rows) * trace.strip.pitch_px,
        np.hypot(sampled(trace.lines.sd_rows), DEFINITION_RATIO * trace.width_rows) * trace.strip.pitch_px,
        sampled(trace.lines.rival),
        visible & told,
        np.stack([trace.strip.to_view(columns, r) for r in rows]),
    )


def _confidence(trace: Trace, stations: _Stations, bands: tuple[Band, ...]) -> float:
    """A score in [0, 1], growing with how surely both toes were told [ratio].

    The band's total contrast weighs most: the solver learns from its own lines and parts anything it was led to. Monotone, not yet a
    probability; weights set on the marked photos kept for training and on bare plate.
    """
    inside, parting = _presence(trace)
    span = slice(int(stations.at[0]), int(stations.at[-1]) + 1)
    part = float(np.clip(parting[:, span].mean(), -1, 1.5))
    score = 0.5 * (part - 0.5) + 0.3 * (float(np.median(inside[span])) - 0.5) + 4.0 * (0.05 - float(stations.rival.mean()))
    score += 2.0 * (float(stations.seen.mean()) - 0.9)
    if bands:
        score += 1.3 * (float(np.log(max(bands[0].total, 0.1))) - 2.2)
        score -= 0.5 * (len(bands) > 1 and bands[1].total > RIVAL_BEAD * bands[0].total)
    else:
        score += 1.5 * (part - 0.2)
    return float(0.95 / (1 + np.exp(-score)))


def _flags(
    stations: _Stations,
    along: Array,
    names: tuple[str, str],
    confidence: float,
    bands: tuple[Band, ...],
    parts: tuple[Part, ...],
    open_ends: tuple[bool, bool],
    unscaled: bool,
) -> tuple[Flag, ...]:
    """Doubts, each with its stretch."""
    unit = "px" if unscaled else "mm"
    flags: list[Flag] = []
    usual = float(np.median(stations.across_px[0] - stations.across_px[1]))
    step = float(np.median(np.diff(stations.along_px))) if len(along) > 1 else 1.0
    least = max(4, round(0.5 * usual / step))

    def stretches(flag: str, name: str, where: NDArray[np.bool_], least: int) -> None:
        for a, b in runs(_closed(where, 4)):
            if b - a + 1 >= least:
                flags.append(Flag(flag, f"{name} toe, {along[a]:.0f}–{along[b]:.0f} {unit}"))

    for i, name in enumerate(names):
        stretches("toe-bridged", name, ~stations.seen[i], least)
        doubtful = (stations.rival[i] > 0.4) | _jumped(stations.across_px[i], stations.across_px[0] - stations.across_px[1])
        stretches("toe-unsure", name, doubtful & stations.seen[i], least)
    if confidence < UNSURE_CONFIDENCE:
        flags.append(Flag("bead-unsure"))
    if len(bands) > 1 and bands[1].total > RIVAL_BEAD * bands[0].total:
        flags.append(Flag("several-beads"))
    if any(open_ends):
        where = "both ends" if all(open_ends) else ("left end" if open_ends[0] else "right end")
        flags.append(Flag("bead-leaves-frame", where))
    steady = sum(p.to_mm - p.from_mm for p in parts if p.kind == "steady")
    if not unscaled and steady < 20.0:
        flags.append(Flag("short-bead", f"{steady:.0f} mm"))
    return tuple(flags)


def _jumped(across: Array, width: Array) -> NDArray[np.bool_]:
    """Stretches between sudden steps of a toe that lie a quarter of the width off its usual place: another edge, or a restart."""
    usual = float(np.median(width))
    reach = 3
    step = np.zeros(len(across))
    if len(across) > 2 * reach:
        step[reach:-reach] = np.abs(across[2 * reach :] - across[: -2 * reach])
    ends = [0, *(round((a + b) / 2) for a, b in runs(step > 0.2 * usual)), len(across)]
    place = float(np.median(across))
    out = np.zeros(len(across), dtype=bool)
    for a, b in zip(ends[:-1], ends[1:], strict=True):
        if b > a and len(ends) > 2 and abs(float(np.median(across[a:b])) - place) > 0.25 * usual:
            out[a:b] = True
    return out


def _closed(flags: NDArray[np.bool_], gap: int) -> NDArray[np.bool_]:
    """Runs of true values with gaps shorter than ``gap`` closed."""
    out = flags.copy()
    ones = np.nonzero(flags)[0]
    for a, b in zip(ones[:-1], ones[1:], strict=True):
        if 1 < b - a <= gap:
            out[a:b] = True
    return out


def _toe_names(tee: bool, travel: str) -> tuple[str, str]:
    """Names of the first (up in the view) and second line."""
    if tee:
        return "standing", "base"
    return ("left", "right") if travel == "right" else ("right", "left")


def _to_view(view: CouponView, scale: Scale, plate: str, points_px: Array) -> Array:
    return plate_to_view(view, plate, rays.to_plate_mm(scale, plate, points_px))


def _anchors(view: CouponView, scale: Scale, hints: Hints, names: tuple[str, str]) -> tuple[Anchor, ...]:
    """Anchors in the view."""
    found: list[Anchor] = []
    for name, x, y in hints.through:
        if name not in names:
            raise BadUsage(f"There is no {name!r} toe on this joint.", advice=f"Use {names[0]!r} or {names[1]!r}.")
        plate = name if name in view.plate_names else view.plate_names[0]
        point = _to_view(view, scale, plate, np.array([[x, y]], dtype=np.float64))[0]
        found.append((names.index(name), float(point[0]), float(point[1])))
    return tuple(found)


def _box(view: CouponView, scale: Scale, hints: Hints) -> tuple[float, float, float, float] | None:
    """The hand's box as the smallest upright box of the view."""
    if hints.box_px is None:
        return None
    x0, y0, x1, y1 = hints.box_px
    if not (x1 - x0 > 5 and y1 - y0 > 5):
        raise BadUsage("The box round the bead is empty.", advice="Give left, top, right, bottom in px of the upright photo.")
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=np.float64)
    points = np.concatenate([_to_view(view, scale, plate, corners) for plate in view.plate_names])
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        raise BadUsage("The box lies outside the plates.", advice="Draw it round the bead.")
    low, high = points.min(axis=0), points.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _inside(box: tuple[float, float, float, float], visible: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Visible px in and a little round a box: the plate beside the bead is needed to tell it."""
    h, w = visible.shape
    margin = 0.5 * min(box[2] - box[0], box[3] - box[1])
    rows, columns = np.arange(h)[:, None], np.arange(w)[None]
    near_rows = (rows >= box[1] - margin) & (rows <= box[3] + margin)
    near_columns = (columns >= box[0] - 2) & (columns <= box[2] + 2)
    wide = box[2] - box[0] >= box[3] - box[1]
    if not wide:
        near_rows = (rows >= box[1] - 2) & (rows <= box[3] + 2)
        near_columns = (columns >= box[0] - margin) & (columns <= box[2] + margin)
    return np.asarray(visible & near_rows & near_columns, dtype=bool)


def _moved(
    bead: Bead, view: CouponView, scale: Scale, tee: bool, travel: str, names: tuple[str, str], evidence: Evidence | None
) -> Mapping[str, float]:
    """By how much the hand moved each toe's mean place across, in mm; NaN where the tool alone had refused."""
    try:
        alone = _find(view, scale, tee, travel, names, (), Hints(), evidence)
    except NoBead:
        return MappingProxyType(dict.fromkeys(names, float("nan")))
    moved = {}
    for name in names:
        a, b = bead.plate_points_mm[name], alone.plate_points_mm[name]
        gap = np.hypot(*np.moveaxis(a[:, None] - b[None], -1, 0)).min(axis=1)
        moved[name] = float(gap.mean())
    return MappingProxyType(moved)


def _still(array: Array) -> Array:
    out = np.ascontiguousarray(array, dtype=np.float64)
    out.setflags(write=False)
    return out
