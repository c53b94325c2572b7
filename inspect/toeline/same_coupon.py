"""Several photos of one coupon: one scale, one set of lengths, one verdict.

Each photo is inspected by itself, but with plates and strips solved together where the strips lie alike; then the lengths are
averaged station by station. Photos that contradict each other are never averaged in silence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toeline.causes import Past, reason
from toeline.causes.balance import wire_g_per_mm
from toeline.coupon import Coupon, Scaling
from toeline.errors import BadUsage, CannotMeasure, PhotosDisagree, ToelineError
from toeline.flags import Flag
from toeline.inspection import Inspection, Refusal, inspect_scaled
from toeline.limits import judge
from toeline.measure import BeadSize, lift_doubt
from toeline.measure.averaging import average, strangest, weights_of, with_own_edges
from toeline.measure.result import Lengths
from toeline.measure.stations import lengths_of, size_of
from toeline.photo import Photo
from toeline.quantity import Measured
from toeline.scale.find import find_scales
from toeline.spatter import Shift, Sighting, Spatter, join, lay_over, lower_bound, see_plate

Array = NDArray[np.float64]

CONTRADICTION = 3.0
"""Difference between photos from which they contradict each other [standard uncertainties]."""
ENDS_U_MM = 2.0
"""How differently light and view may show where a bead begins and ends, standard uncertainty (own judgement) [mm]."""


@dataclass(frozen=True, slots=True, eq=False)
class CouponInspection:
    """What several photos of one coupon come to.

    Attributes
    ----------
    joint : Inspection
        The one result: lengths and spatter of all photos used; pictures and surface are those of the best of them.
    photos : tuple of Inspection
        Each photo by itself, in the order given, on the common scale.
    used : tuple of bool
        Which photos' lengths are in the result.
    together : bool
        Plates and strips were solved as one; False where the strips do not lie alike.
    """

    joint: Inspection
    photos: tuple[Inspection, ...]
    used: tuple[bool, ...]
    together: bool

    def as_dict(self) -> dict[str, Any]:
        """The one result as the contract's JSON object, with what each photo says by itself."""
        from toeline.record import as_record, each_photo

        return {**as_record(self.joint), "same_coupon": {"together": self.together, "photos": each_photo(self.photos, self.used)}}


def inspect_coupon(
    photos: Sequence[Photo],
    coupon: Coupon,
    *,
    scaling: Scaling | None = None,
    limit_set: str = "teaching",
    history: Sequence[Past] = (),
) -> CouponInspection:
    """Inspect several photos of one coupon and give one result.

    Parameters
    ----------
    photos : sequence of Photo
        Two or more; best from different sides, strips left where they lie.
    coupon : Coupon
    scaling : Scaling, optional
        Printed strips only.
    limit_set : str
    history : sequence of Past
        Coupons that this one follows; see `toeline.causes`.

    Returns
    -------
    CouponInspection
        Its `joint` is refused where no photo can be measured, or where they contradict each other.

    Raises
    ------
    BadUsage
        Fewer than two photos, the same photo twice, or a scale given by hand.
    """
    if len(photos) < 2:
        raise BadUsage(
            "There is one photo only, so there is nothing to solve together.", advice="Give two or more of one coupon."
        )
    twice = [b.name for i, b in enumerate(photos) for a in photos[:i] if a.sha256 == b.sha256]
    if twice:
        raise BadUsage(f"{twice[0]} is the same photo as another one, and says nothing new.", advice="Give each photo once.")
    scaling = scaling or Scaling()
    scales = find_scales(photos, joint=coupon.joint, scaling=scaling)
    each = []
    for k, photo in enumerate(photos):
        if k in scales.scales:
            each.append(inspect_scaled(photo, coupon, scales.scales[k], scaling=scaling, limit_set=limit_set))
        else:
            trouble = scales.troubles[k]
            each.append(Inspection(photo, coupon, scaling, refused=Refusal(trouble.reason, trouble.message, trouble.advice)))
    measured = [k for k, one in enumerate(each) if one.refused is None]
    if not measured:
        best = next((one for one in each if one.bead is not None), each[0])
        return CouponInspection(best, tuple(each), (False,) * len(each), scales.together)
    try:
        joint, used = _combined(each, measured, together=scales.together, limit_set=limit_set, history=tuple(history))
    except ToelineError as error:
        joint = replace(each[measured[0]], refused=Refusal(error.reason, error.message, error.advice))
        used = []
    return CouponInspection(joint, tuple(each), tuple(k in used for k in range(len(each))), scales.together)


def _combined(
    each: Sequence[Inspection], measured: list[int], *, together: bool, limit_set: str, history: tuple[Past, ...]
) -> tuple[Inspection, list[int]]:
    """One inspection from those photos that were measured, and the photos that are in it."""
    lengths = {k: with_own_edges(_lengths(each[k]), k + 1) for k in measured}
    used, flags = _agreeing(each, lengths)
    if len(measured) > 1 and not together:
        flags.append(Flag("strips-moved"))
    flags += [Flag("photo-left-out", one.photo.name) for one in each if one.refused is not None]
    best = min(used, key=lambda k: float(np.mean(lengths[k].rows["width"].own)))
    used = [best, *(k for k in used if k != best)]
    places = [_along(each[k], each[best], together=together) for k in used]
    mean = size_of(average([lengths[k] for k in used], places, weights_of([lengths[k] for k in used])))
    lead = each[best]
    assert lead.size is not None
    size = BeadSize(mean.stations, {**lead.size.measures, **mean.measures}, mean.steady)
    doubts = [flag for k in used for flag in each[k].flags if flag.name != "legs-difference-maybe-lift"]
    own = tuple(dict.fromkeys([*flags, *lift_doubt(size), *doubts]))
    coupon, surface = lead.coupon, lead.surface
    spatter = _joined_spatter([each[k] for k in used], together=together)
    joint = replace(
        lead,
        size=size,
        spatter=spatter,
        verdicts=judge(size, surface=surface, spatter=spatter, coupon=coupon, limit_set=limit_set),
        history=history,
        own_flags=own,
        seconds=_seconds(each),
    )
    diagnosis = reason(size, surface=surface, spatter=spatter, coupon=coupon, history=history, flags=joint.flags)
    return replace(joint, diagnosis=diagnosis), sorted(used)


def _joined_spatter(photos: Sequence[Inspection], *, together: bool) -> Spatter | None:
    """Spatter on the plate that any of the photos shows, each particle once; a photo that can't be laid over the first stays out."""
    sightings = [
        Sighting(one.view, one.bead, one.scale, see_plate(one.view, one.bead), one.spatter)
        for one in photos
        if one.view is not None and one.bead is not None and one.scale is not None and one.spatter is not None
    ]
    if len(sightings) < 2:
        return photos[0].spatter
    first, laid, shifts = sightings[0], [], []
    for other in sightings[1:]:
        try:
            shifts.append(Shift(0.0, 0.0, 0.0) if together else lay_over(first, other))
            laid.append(other)
        except CannotMeasure:
            continue
    coupon = photos[0].coupon
    joined = join(
        [first, *laid], shifts, clean_before=coupon.plate_before == "clean", wire_g_per_mm=wire_g_per_mm(coupon.settings)
    )
    why = next((one.spatter.at_least for one in (first, *laid) if one.spatter.at_least), "")
    return lower_bound(joined, why) if why else joined


def _seconds(each: Sequence[Inspection]) -> tuple[tuple[str, float], ...]:
    """What all photos took, room by room; the common solve is not in it."""
    total: dict[str, float] = {}
    for one in each:
        for room, seconds in one.seconds:
            total[room] = total.get(room, 0.0) + seconds
    return tuple(total.items())


def _lengths(one: Inspection) -> Lengths:
    assert one.bead is not None and one.scale is not None
    return lengths_of(one.bead, one.scale, joint=one.coupon.joint)


def _agreeing(each: Sequence[Inspection], lengths: dict[int, Lengths]) -> tuple[list[int], list[Flag]]:
    """The photos that agree, and which one was left out because it alone does not.

    Raises
    ------
    PhotosDisagree
        Two photos contradict each other, or more than one of several does.
    """
    used = list(lengths)
    flags: list[Flag] = []
    while len(used) > 1:
        sizes = [_loose_ends(size_of(lengths[k]).measures) for k in used]
        keys = [key for key in ("leg_base_mean_mm", "leg_standing_mean_mm", "width_mean_mm", "length_mm") if key in sizes[0]]
        k, key, z = strangest(sizes, keys)
        if z <= CONTRADICTION:
            break
        if len(used) < 3 or flags:
            told = ", ".join(f"{each[i].photo.name} {size[key]}" for i, size in zip(used, sizes, strict=True))
            raise PhotosDisagree(
                f"The photos contradict each other: {_plain(key)} in mm is {told}. Their mean would be wrong for both.",
                advice="See that all photos show the same coupon, and look at each photo's toe lines.",
            )
        flags.append(Flag("photo-left-out", f"{each[used[k]].photo.name}: its {_plain(key)} contradicts the others"))
        used.pop(k)
    return used, flags


def _along(one: Inspection, lead: Inspection, *, together: bool) -> Array:
    """Where a photo's stations lie along the leading photo's, shape (n,) [mm].

    Plates solved together have one frame; else the left ends of the bead are laid on each other.
    """
    assert one.bead is not None and lead.bead is not None
    if not together:
        return one.bead.along_mm
    mine, its = (np.mean(list(i.bead.plate_points_mm.values()), axis=0) for i in (one, lead) if i.bead is not None)
    run = its[-1] - its[0]
    if "standing" in one.bead.toes:
        run = np.array([run[0], 0.0])  # across is a distance on two plates there, and has no common direction
    return np.asarray((mine - its[0]) @ (run / np.linalg.norm(run)), dtype=np.float64)


def _loose_ends(measures: Mapping[str, Measured]) -> dict[str, Measured]:
    """The same measures with a length that may differ by how the ends are seen."""
    length = measures["length_mm"]
    return {**measures, "length_mm": replace(length, noise=float(np.hypot(length.noise, ENDS_U_MM)))}


def _plain(key: str) -> str:
    """A measure's key in words."""
    return key.removesuffix("_mm").replace("_", " ")
