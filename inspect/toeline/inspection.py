"""One photo from pixels to causes: the job, in the order a person would describe it.

Only this module reads the timer and turns a stage's error into `refused`; the stages raise.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from time import perf_counter

from toeline.bead import CouponView, find_bead, look, unfold, with_breaks
from toeline.bead.result import Bead
from toeline.causes import Diagnosis, Past, reason
from toeline.causes.balance import wire_g_per_mm
from toeline.coupon import Coupon, Hints, Scaling
from toeline.errors import BadUsage, ToelineError
from toeline.flags import Flag
from toeline.limits import Verdict, judge
from toeline.measure import BeadSize, add_shape, lift_doubt, measure_bead
from toeline.photo import Photo, check_bead, check_photo, check_strips
from toeline.processes import load_process
from toeline.scale import find_scale
from toeline.scale.printed import strip_tones
from toeline.scale.solution import Scale
from toeline.spatter import Correction, Sighting, Spatter, correct, find_spatter, lower_bound, see_plate, take_off
from toeline.surface import SurfaceSign, breaks, find_signs, read_straight

#: One integer a room, raised when a number's meaning changes; see DEVELOPERS.md, "Numbers that changed".
METHOD = {"photo": 1, "scale": 2, "bead": 4, "measure": 3, "surface": 4, "spatter": 5, "limits": 3, "causes": 4}


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why there are no numbers, and what to do."""

    reason: str
    message: str
    advice: str


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """Everything found on one photo; what could not be reached is None or empty, and `refused` says why."""

    photo: Photo
    coupon: Coupon
    scaling: Scaling = field(default_factory=Scaling)
    scale: Scale | None = None
    view: CouponView | None = None
    bead: Bead | None = None
    size: BeadSize | None = None
    surface: tuple[SurfaceSign, ...] = ()
    spatter: Spatter | None = None
    verdicts: tuple[Verdict, ...] = ()
    diagnosis: Diagnosis | None = None
    own_flags: tuple[Flag, ...] = ()
    history: tuple[Past, ...] = ()
    refused: Refusal | None = None
    seconds: tuple[tuple[str, float], ...] = ()

    @property
    def flags(self) -> tuple[Flag, ...]:
        """Every doubt, each once, in the order of the flow."""
        stages = (self.scale, self.bead, self.spatter)
        listed = [*self.own_flags, *(flag for stage in stages if stage for flag in stage.flags)]
        return tuple(dict.fromkeys(listed))

    def as_dict(self) -> dict[str, object]:
        """The result as the contract's JSON object (``report/schema.json``)."""
        from toeline.record import as_record

        return as_record(self)


class _Stopwatch:
    def __init__(self) -> None:
        self.start = perf_counter()
        self.rows: list[tuple[str, float]] = []

    @contextmanager
    def room(self, name: str) -> Iterator[None]:
        start = perf_counter()
        try:
            yield
        finally:
            self.rows.append((name, perf_counter() - start))

    def read(self) -> tuple[tuple[str, float], ...]:
        return (("total", perf_counter() - self.start), *self.rows)


def inspect_photo(
    photo: Photo,
    coupon: Coupon,
    *,
    scaling: Scaling | None = None,
    hints: Hints | None = None,
    limit_set: str = "teaching",
    history: Sequence[Past] = (),
    before: Photo | None = None,
) -> Inspection:
    """Inspect one photo.

    Parameters
    ----------
    photo : Photo
    coupon : Coupon
        What the person says of the piece.
    scaling : Scaling, optional
        How to get millimetres; printed strips of unknown thickness by default.
    hints : Hints, optional
        Points and a box set by hand.
    limit_set : str
        Name of a limit set.
    history : sequence of Past
        Coupons of the same hand and set-up before this one, oldest first, each with the change made after it.
    before : Photo, optional
        Of the plates before this bead: the particles on it are taken off the count.

    Returns
    -------
    Inspection
        With `refused` set, and no numbers, where a stage could not do its work.

    Raises
    ------
    BadUsage
        The request contradicts itself or names something unknown.
    """
    hints = hints or Hints()
    for x, y in [*((x, y) for _, x, y in hints.through), *([hints.bead_px] if hints.bead_px else [])]:
        if not (0 <= x < photo.width_px and 0 <= y < photo.height_px):
            raise BadUsage(
                f"The point {x:g}, {y:g} lies outside the photo, which is {photo.width_px} × {photo.height_px} px when upright.",
                advice="Give points in px from the upper left corner of the upright photo.",
            )
    return _inspected(Inspection(photo, coupon, scaling or Scaling(), history=tuple(history)), hints, limit_set, before)


def inspect_scaled(photo: Photo, coupon: Coupon, scale: Scale, *, scaling: Scaling, limit_set: str = "teaching") -> Inspection:
    """Inspect one photo whose scale is known already, from several photos of the same coupon; see `inspect_photo`."""
    return _inspected(Inspection(photo, coupon, scaling, scale=scale), Hints(), limit_set)


def _inspected(found: Inspection, hints: Hints, limit_set: str, before: Photo | None = None) -> Inspection:
    watch = _Stopwatch()
    try:
        for stage in _flow(found, hints, limit_set, before, watch):
            found = stage
    except BadUsage:
        raise
    except ToelineError as error:
        found = replace(found, refused=Refusal(error.reason, error.message, error.advice))
    return replace(found, seconds=watch.read())


def _flow(found: Inspection, hints: Hints, limit_set: str, before: Photo | None, watch: _Stopwatch) -> Iterator[Inspection]:
    """The stages in order: what is known after each of them, so that an error loses nothing found before it."""
    photo, coupon, scaling = found.photo, found.coupon, found.scaling
    with watch.room("photo"):
        found = replace(found, own_flags=check_photo(photo))
    yield found
    with watch.room("scale"):
        scale = found.scale or find_scale(photo, joint=coupon.joint, scaling=scaling)
        strips_ok = check_strips(*strip_tones(photo, scale)) if scale.source == "strips" else ()
        found = replace(found, scale=scale, own_flags=(*found.own_flags, *strips_ok))
    yield found
    with watch.room("bead"):
        view = unfold(photo, scale)
        evidence = look(view)
        found = replace(found, view=view)
        yield found
        bead = find_bead(view, scale, joint=coupon.joint, travel=coupon.heading, hints=hints, evidence=evidence)
        found = replace(found, bead=bead, own_flags=(*found.own_flags, *_fitness(view, scale, bead, coupon)))
    yield found
    scaled = scale.source != "none"
    with watch.room("surface"):
        surface = None
        if scaled:
            read = read_straight(view, bead)
            bead = with_breaks(bead, breaks(read))
            surface = find_signs(view, bead, scale, read, evidence=evidence)
        found = replace(found, bead=bead, surface=surface or (), own_flags=(*found.own_flags, *_slag(surface or (), coupon)))
    yield found
    with watch.room("measure"):
        size = add_shape(measure_bead(bead, scale, joint=coupon.joint), bead, view)
        found = replace(found, size=size, own_flags=(*found.own_flags, *lift_doubt(size)))
    yield found
    if scaled:
        with watch.room("spatter"):
            spatter = find_spatter(
                view,
                bead,
                scale,
                plate_before=coupon.plate_before,
                plate_now=coupon.plate_now,
                wire_g_per_mm=wire_g_per_mm(coupon.settings),
            )
            found = replace(found, spatter=spatter)
            if before is not None:
                found = _less_before(found, before)
                coupon = found.coupon
            found = replace(found, spatter=_as_far_as_seen(found))
        yield found
    with watch.room("limits"):
        verdicts = judge(size, surface=surface, spatter=found.spatter, coupon=coupon, limit_set=limit_set)
        found = replace(found, verdicts=verdicts)
    yield found
    with watch.room("causes"):
        diagnosis = reason(size, surface=surface, spatter=found.spatter, coupon=coupon, history=found.history, flags=found.flags)
        found = replace(found, diagnosis=diagnosis)
    yield found


def _less_before(found: Inspection, before: Photo) -> Inspection:
    """Take what a photo of the plates before this bead shows off the count; a flag says so where that can't be done."""
    assert found.view and found.bead and found.scale and found.spatter
    now = Sighting(found.view, found.bead, found.scale, see_plate(found.view, found.bead), found.spatter)
    try:
        scale = find_scale(before, joint=found.coupon.joint, scaling=found.scaling)
        earlier = unfold(before, scale)
        spatter = take_off(now, earlier, scale, wire_g_per_mm=wire_g_per_mm(found.coupon.settings))
    except BadUsage:
        raise
    except ToelineError as error:
        return replace(found, own_flags=(*found.own_flags, Flag("before-photo-not-laid-over", error.reason)))
    return replace(found, spatter=spatter, coupon=replace(found.coupon, plate_before="photographed"))


def correct_spatter(found: Inspection, corrections: Sequence[Correction], *, limit_set: str = "teaching") -> Inspection:
    """An inspection with a hand's answers to what is a droplet and what is none, counted and judged again.

    Parameters
    ----------
    found : Inspection
        With spatter.
    corrections : sequence of Correction
    limit_set : str
        Name of a limit set.
    """
    if not corrections or found.spatter is None or found.size is None:
        return found
    spatter, coupon = correct(found.spatter, corrections), found.coupon
    return replace(
        found,
        spatter=spatter,
        verdicts=judge(found.size, surface=found.surface, spatter=spatter, coupon=coupon, limit_set=limit_set),
        diagnosis=reason(
            found.size, surface=found.surface, spatter=spatter, coupon=coupon, history=found.history, flags=found.flags
        ),
    )


#: Doubts that keep droplets from being told, and why.
_HIDES_DROPLETS = {
    "blurred": "not sharp",
    "too-dark": "too dark",
    "low-resolution": "too few pixels to the millimetre",
    "plate-wet": "drops of water on the plate",
}


def _as_far_as_seen(found: Inspection) -> Spatter:
    """The spatter, as a lower bound where the photo can't show all droplets; in the dark no strip is to blame for it."""
    assert found.spatter is not None
    named = {flag.name for flag in found.flags}
    why = ", ".join(words for name, words in _HIDES_DROPLETS.items() if name in named)
    if not why:
        return found.spatter
    told = lower_bound(found.spatter, why)
    return replace(told, flags=tuple(f for f in told.flags if not ("too-dark" in named and f.name == "spatter-plate-unseen")))


def _slag(surface: Sequence[SurfaceSign], coupon: Coupon) -> tuple[Flag, ...]:
    """A doubt where slag is more likely than not still on the bead; without a process it may be any dark patch."""
    if coupon.process is None or not load_process(coupon.process).slag:
        return ()
    seen = max((s for s in surface if s.sign == "slag left on"), key=lambda s: s.probability, default=None)
    if seen is None or seen.probability <= 0.5:
        return ()
    return (Flag("slag-on-bead", f"{seen.along_mm:.0f} mm along, {100 * seen.probability:.0f} %"),)


def _fitness(view: CouponView, scale: Scale, bead: Bead, coupon: Coupon) -> tuple[Flag, ...]:
    """Doubts about the photo where the bead is, and about the joint."""
    unscaled = scale.source == "none"
    near = view.near(bead, margin_mm=0.02 * view.image.shape[1] if unscaled else 1.5)
    flags = list(check_bead(view.grey(), near, px_per_mm=99.0 if unscaled else scale.px_per_mm.value))
    if coupon.travel is None:
        flags.append(Flag("travel-assumed"))
    if coupon.joint in ("lap", "corner"):
        flags.append(Flag("width-only-joint", coupon.joint))
    return tuple(flags)
