"""The bead room's door: a view in, one bead with its toe lines, parts, doubts and confidence out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from toeline.bead.confidence import confidence, read_traits
from toeline.bead.doubts import RIVAL_BEAD, bead_doubts, range_doubts, toe_doubts
from toeline.bead.ends import Extent, bead_extent, core_odds, core_presence, runs
from toeline.bead.evidence import Evidence, classical_evidence
from toeline.bead.finder import Band, find_bands
from toeline.bead.hand import anchors_in_view, box_in_view, inside_box, meant_first
from toeline.bead.looks import ANY_GROUND, FAR_PLATE, Ground
from toeline.bead.parts import OFF_ENDS_MM, bead_parts
from toeline.bead.result import Bead, ToeLine
from toeline.bead.stations import core_seen, presence, read_off
from toeline.bead.tracing import STEP_COLUMNS, Anchor, Trace, beside, trace_band, trace_row
from toeline.bead.view import CouponView, view_to_photo, view_to_plate
from toeline.coupon import Hints
from toeline.errors import BadUsage, NoBead
from toeline.flags import Flag
from toeline.scale.rays import to_plate_mm
from toeline.scale.solution import Scale

Array = NDArray[np.float64]

STATION_MM = 0.5
LEAST_CONFIDENCE = 0.05
"""Below this a bead is refused [ratio]."""
LEAST_ON_PLATES = 0.75
"""The same where millimetres are read off lines that only the classical evidence gave: it errs by half a face or by a halo [ratio]."""
LEG_MM = (1.5, 18.0)
CLEARLY_APART = 0.1
"""Two readings of one bead so many widths apart in the mean exclude each other; right is within 0.08 [ratio]."""
GAP_WIDTHS = 0.5
"""A stretch without weld metal of at least so many widths is a gap in the bead."""
FAR_WIDTHS = 2.0
"""A point farther than this from the toe as found without it is a slip of the hand: half a face missed is one width [ratio]."""
MISSED_WIDTHS = 0.25
"""A line that misses its point by more than this share of the width could not be led through it [ratio]."""
OPEN_BARE = 0.15
"""So little plate between a bead's end and the border of the view, in widths, and the bead leaves the view there [ratio]."""
CORRELATION_WIDTHS = 1.0
"""Toe errors stay alike over about this many widths along the bead."""
OTHER_POINTS = 24
"""Points kept of the middle line of a bead that was not chosen."""

__all__ = ["find_bead", "find_readings"]


def find_bead(
    view: CouponView,
    scale: Scale,
    *,
    joint: str,
    travel: str = "right",
    hints: Hints | None = None,
    evidence: Evidence | None = None,
    least_confidence: float | None = None,
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
        Anchors, a box and a point on the bead that is meant, from a hand.
    evidence : Evidence, optional
        A learned map of the view; absent, the classical evidence is made here.
    least_confidence : float, optional
        Below this a bead is refused, unless a hand pointed at it; absent, what millimetres by this evidence ask for [ratio].

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
        An anchor names a toe that this joint hasn't; or no bead runs where a hand pointed.
    """
    asked = _Asked(view, scale, view.root_row is not None, travel, evidence)
    hints = hints or Hints()
    if asked.tee and hints.bead_px is not None:
        raise BadUsage(
            "A tee's bead lies where both plates meet; there is none to choose from.",
            advice="Leave the point out; put points on a toe or draw a box round the stretch that is meant.",
        )
    bead = _find(asked, hints)
    if hints == Hints():
        if least_confidence is None:
            on_plates = (evidence is None or evidence.roughness is not None) and scale.source != "none"
            least_confidence = LEAST_ON_PLATES if on_plates else LEAST_CONFIDENCE
        if bead.confidence < least_confidence:
            raise NoBead(
                "Something bead-like is there, but its toes can't be told from what lies beside them.",
                advice="Clean the plate, add light from the side, go closer; or put points on the toes or a box round the bead.",
            )
        return bead
    if hints.through:
        _possible(bead, hints, asked)
    return replace(
        bead,
        anchors=hints.through,
        box_px=hints.box_px,
        bead_px=hints.bead_px,
        flags=(*bead.flags, Flag("hand-anchored")),
        moved_mm=_moved(bead, asked),
    )


def find_readings(view: CouponView, scale: Scale, *, joint: str, evidence: Evidence | None = None) -> tuple[Bead, ...]:
    """Every reading of one bead whatever its confidence, the most probable first: one by a learned map or in a plain photo, two by the
    classical evidence on plates.

    Parameters
    ----------
    view, scale, joint, evidence
        As for `find_bead`.

    Raises
    ------
    NoBead
        Nothing in the view looks enough like a bead.
    """
    return _readings(_Asked(view, scale, view.root_row is not None, "right", evidence), Hints())


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """Where one bead is looked for, whatever the hints."""

    view: CouponView
    scale: Scale
    tee: bool
    travel: str
    evidence: Evidence | None

    @property
    def names(self) -> tuple[str, str]:
        """Names of the first (up in the view) and second line."""
        if self.tee:
            return "standing", "base"
        return ("left", "right") if self.travel == "right" else ("right", "left")


def _find(asked: _Asked, hints: Hints) -> Bead:
    """One bead by the given hints."""
    return _readings(asked, hints)[0]


def _readings(asked: _Asked, hints: Hints) -> tuple[Bead, ...]:
    """One bead by the given hints, the more probable reading first.

    Where strips say that there is plate beside it, and only the classical evidence tells metal from it, the bead is read twice: plate far from
    a bead tells a face's shaded half from plate, but takes a halo of heat tint for metal; ground near by does the reverse.
    """
    view = asked.view
    visible = view.valid & ~view.strips
    valid = None if visible.all() else visible
    box = box_in_view(view, asked.scale, hints)
    anchors = anchors_in_view(view, asked.scale, hints, asked.names)
    evidence = asked.evidence or classical_evidence(view.image, valid=valid)
    bands: tuple[Band, ...] = ()
    if not asked.tee:
        if box is not None:
            valid = inside_box(box, visible)
        bands = meant_first(find_bands(evidence, valid=valid, inside_box_px=box), view, asked.scale, hints)
        if not bands:
            raise NoBead(
                "Nothing in the photo is rougher than the plate beside it, as a weld face is.",
                advice="Fill the frame with the bead, add light from the side, or draw a box round it.",
            )

    def trace_on(ground: Ground) -> Trace:
        if asked.tee:
            return _trace_tee(view, visible, evidence, anchors, box, ground)
        return trace_band(view.image, valid, bands[0], evidence, anchors, ground=ground)

    if evidence.roughness is None or asked.scale.source == "none":
        return (_assemble(asked, trace_on(ANY_GROUND), bands, hints),)
    read: list[Bead] = []
    refusals: list[NoBead] = []
    for trace in beside(trace_on(FAR_PLATE), trace_on(ANY_GROUND)):
        try:
            read.append(_assemble(asked, trace, bands, hints))
        except NoBead as refusal:
            refusals.append(refusal)
    if not read:
        raise refusals[0]
    return tuple(sorted(_exclusive(read), key=lambda bead: -bead.confidence))


def _exclusive(read: list[Bead]) -> list[Bead]:
    """Readings clearly apart can't both be right: each one's probability given that at most one is."""
    if len(read) < 2 or min(bead.traits["apart"] for bead in read) < CLEARLY_APART:
        return read
    odds = [bead.confidence / (1 - bead.confidence) for bead in read]
    return [replace(bead, confidence=o / (1 + sum(odds))) for bead, o in zip(read, odds, strict=True)]


def _trace_tee(
    view: CouponView,
    visible: NDArray[np.bool_],
    evidence: Evidence,
    anchors: tuple[Anchor, ...],
    box: tuple[float, ...] | None,
    ground: Ground,
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
        ground=ground,
    )


def _assemble(asked: _Asked, trace: Trace, bands: tuple[Band, ...], hints: Hints) -> Bead:
    """A trace as a bead: stations, parts, flags, confidence."""
    view, scale, names = asked.view, asked.scale, asked.names
    unscaled = scale.source == "none"
    first, last, open_ends, gaps, apart = _ends(trace, bands, unscaled=unscaled)
    width_px = trace.width_rows * trace.strip.pitch_px
    step_px = max(1.0, width_px / 16) if unscaled else STATION_MM * view.px_per_mm
    if (last - first) * STEP_COLUMNS * trace.strip.pitch_px < 1.5 * width_px:
        raise NoBead(
            "What looks most like a bead is shorter than it is wide.",
            advice="Fill the frame with the bead, or draw a box round it.",
        )
    _, parting = presence(trace)
    stations = read_off(trace, first, last, step_px, parting)
    ratio = 1.0 / view.px_per_mm
    along = stations.along_px * ratio
    traits = read_traits(trace, stations, bands)
    source = "learned" if trace.strip.weld is not None else "classical" if unscaled else "plates"
    surely = confidence(traits, source)
    toes: dict[str, ToeLine] = {}
    plate_points: dict[str, Array] = {}
    for i, name in enumerate(names):
        index, points = view_to_plate(view, stations.view_px[i])
        plate = view.plate_names[int(np.bincount(index).argmax())]
        across = np.abs(stations.across_px[i]) if asked.tee else stations.across_px[i]
        toes[name] = ToeLine(
            name, plate, _still(across * ratio), _still(stations.u_px[i] * ratio), stations.seen[i],
            _still(view_to_photo(view, scale, stations.view_px[i])),
        )  # fmt: skip
        plate_points[name] = _still(points)
    width = np.hypot(*(stations.view_px[0] - stations.view_px[1]).T) * ratio
    off_ends = width_px * ratio if unscaled else OFF_ENDS_MM
    station = STEP_COLUMNS * trace.strip.pitch_px * ratio
    gaps_mm, apart_mm = (tuple(((a - first) * station, (b - first) * station) for a, b in some) for some in (gaps, apart))
    parts = bead_parts(along, width, travel=asked.travel, open_ends=open_ends, off_ends=off_ends, gaps=gaps_mm, apart=apart_mm)
    chosen = hints.bead_px is not None or hints.box_px is not None
    others = () if chosen else tuple(band for band in bands[1:] if band.total > RIVAL_BEAD * bands[0].total)
    middle = view_to_photo(view, scale, stations.view_px.mean(axis=0))
    return Bead(
        _still(along),
        MappingProxyType(toes),
        MappingProxyType(plate_points),
        CORRELATION_WIDTHS * width_px * ratio,
        surely,
        parts,
        (float(middle[0, 0]), float(middle[0, 1])),
        (float(middle[-1, 0]), float(middle[-1, 1])),
        flags=(
            *toe_doubts(stations, along, names, unit="px" if unscaled else "mm"),
            *bead_doubts(surely, parts, open_ends, n_others=len(others), unscaled=unscaled),
            *range_doubts(scale, float(np.median(width)), plate_points[names[1]][len(along) // 2], toes[names[1]].plate),
        ),
        traits=MappingProxyType(asdict(traits)),
        others_px=tuple(_still(view_to_photo(view, scale, _thinned(band.middle_px))) for band in others),
    )


def _ends(
    trace: Trace, bands: tuple[Band, ...], *, unscaled: bool
) -> tuple[int, int, tuple[bool, bool], list[tuple[int, int]], tuple[tuple[int, int], ...]]:
    """First and last trace station of the bead, whether it runs out of the view at its left, right end, gaps within it, and pieces of
    weld beyond it, all in trace stations."""
    learned = trace.strip.weld is not None  # a learned map knows plate from weld metal up to the border
    odds = core_odds(trace.whole, trace.lines.rows, trace.seen, both=not learned)
    there = core_presence(odds)
    plate = (there < 0) & ~(odds > 0) if learned else there < 0
    extent = bead_extent(there, bridge=max(3, int(1.0 * trace.width_rows / STEP_COLUMNS)))
    if bands and unscaled:  # a plain photo mostly shows a stretch of a long seam: its ends count for little
        extent = _with_band(extent, trace, bands[0])
    core = np.nonzero(core_seen(trace))[0]
    low, high = (int(core[0]), int(core[-1])) if len(core) else (0, len(there) - 1)
    edge = max(2, int(0.5 * trace.width_rows / STEP_COLUMNS))
    bare = max(2, int(OPEN_BARE * trace.width_rows / STEP_COLUMNS)) if learned else edge
    near = len(there) if learned else edge
    open_ends = (
        extent.first <= low + near and int(np.count_nonzero(plate[low : extent.first])) <= bare,
        extent.last >= high - near and int(np.count_nonzero(plate[extent.last + 1 : high + 1])) <= bare,
    )
    first, last = (low if open_ends[0] else extent.first), (high if open_ends[1] else extent.last)
    if not learned:  # roughness alone can't tell a gap from a smooth stretch
        return first, last, open_ends, [], ()
    least = GAP_WIDTHS * trace.width_rows / STEP_COLUMNS
    gaps = [(a, b) for a, b in runs(plate) if a > first + least and b < last - least and b - a >= least]
    return first, last, open_ends, gaps, tuple((a, b) for a, b in extent.others if b < first or a > last)


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


def _possible(bead: Bead, hints: Hints, asked: _Asked) -> None:
    """Refuse points so far off the bead, as it is found without them, that they can't be meant for its toe, and those that no such toe can
    run through.
    """
    try:
        alone = _find(asked, replace(hints, through=()))
    except NoBead:
        alone = bead
    width = _mean_width(alone)
    unit = "px" if asked.scale.source == "none" else "mm"
    for name, x, y in hints.through:
        point = to_plate_mm(asked.scale, bead.toes[name].plate, np.array([[x, y]], dtype=np.float64))
        off, still_off = (float(np.hypot(*(b.plate_points_mm[name] - point).T).min()) for b in (alone, bead))
        if not off <= FAR_WIDTHS * width:
            raise BadUsage(
                f"The point {x:g}, {y:g} lies {off:.0f} {unit} off the {name} toe of a bead {width:.0f} {unit} wide, too far to be on it.",
                advice="Give points on the toe in px of the upright photo; if another bead is meant, point at its middle or draw a box.",
            )
        if not still_off <= MISSED_WIDTHS * width:
            raise BadUsage(
                f"No {name} toe can run through the point {x:g}, {y:g}: the nearest it could come is {still_off:.1f} {unit} away.",
                advice="Check which toe is meant: on a tee each lies on the plate of its name, and both toes can't change sides.",
            )


def _moved(bead: Bead, asked: _Asked) -> Mapping[str, float]:
    """By how much the hand moved each toe's mean place, and ``width`` the mean width (wider is positive); NaN where the tool alone
    had refused [mm]."""
    try:
        alone = _find(asked, Hints())
    except NoBead:
        return MappingProxyType(dict.fromkeys((*asked.names, "width"), float("nan")))
    moved = {}
    for name in asked.names:
        a, b = bead.plate_points_mm[name], alone.plate_points_mm[name]
        gap = np.hypot(*np.moveaxis(a[:, None] - b[None], -1, 0)).min(axis=1)
        moved[name] = float(gap.mean())
    moved["width"] = _mean_width(bead) - _mean_width(alone)
    return MappingProxyType(moved)


def _mean_width(bead: Bead) -> float:
    """Mean chord between both toes over the steady part, on a tee with square plates; in the bead's unit."""
    first, second = (toe.across_mm for toe in bead.toes.values())
    chord = np.hypot(first, second) if "base" in bead.toes else np.abs(first - second)
    steady = bead.steady()
    return float(chord[steady].mean() if steady.any() else chord.mean())


def _thinned(line: Array) -> Array:
    kept = np.unique(np.linspace(0, len(line) - 1, min(len(line), OTHER_POINTS)).round().astype(int))
    return np.asarray(line[kept], dtype=np.float64)


def _still(array: Array) -> Array:
    out = np.ascontiguousarray(array, dtype=np.float64)
    out.setflags(write=False)
    return out
