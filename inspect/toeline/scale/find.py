"""The room's door: a photo and what was said of it, in; its scale, out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from toeline.coupon import Scaling
from toeline.errors import BadUsage, PlatesUnsolved, ToelineError
from toeline.flags import Flag
from toeline.photo.result import Photo
from toeline.scale.budget import Budget, lens_prior, strip_prior, thickness_said
from toeline.scale.camera import Profile, matches, mirrored_prior, profile_prior, read_profile
from toeline.scale.corners import Found, find_strips
from toeline.scale.joint_line import find_joint_line
from toeline.scale.manual import manual_scale
from toeline.scale.plates import Solved, bare_scale, scale_of, solve_strips, with_joint_line
from toeline.scale.solution import Scale
from toeline.scale.together import own_doubts, same_beliefs, scales_of, solve_together, strips_moved


def find_scale(photo: Photo, *, joint: str, scaling: Scaling) -> Scale:
    """How this photo's pixels turn into millimetres.

    Parameters
    ----------
    photo : Photo
        The upright photo.
    joint : str
        ``tee`` gives a base and a standing plate, any other joint one plate.
    scaling : Scaling
        Strip thickness, print factor, plate angle; or a rule, or a number of px per mm.

    Raises
    ------
    NoScale, StripTooSmall, PlatesUnsolved
        Nothing that can be trusted, with what to do about it.
    BadUsage
        A rule, number or camera profile that does not fit.
    """
    by_hand = manual_scale(photo, scaling)
    if by_hand is not None:
        return by_hand
    profile = _profile(photo, scaling)
    found = find_strips(photo.pixels)
    solved = _solve(photo, found, joint, scaling, profile)
    scale = scale_of(solved)
    return replace(scale, flags=(*_flags(photo, found, joint, scaling, scale), *scale.flags))


def _solve(
    photo: Photo, found: Found, joint: str, scaling: Scaling, profile: Profile | None, *, by_letter: bool = False
) -> Solved:
    """One photo by itself: strips first, then with the joint line where it is seen."""
    budget = budget_of(photo, found, scaling, profile=profile)
    solved = solve_strips(found.strips, joint=joint, budget=budget, mirrored=found.mirrored, by_letter=by_letter)
    if joint != "tee":
        return solved
    line = find_joint_line(photo, bare_scale(solved))
    return solved if line is None else with_joint_line(solved, line)


def _profile(photo: Photo, scaling: Scaling) -> Profile | None:
    profile = read_profile(Path(scaling.camera)) if scaling.camera else None
    if profile is not None and not matches(profile, photo):
        raise BadUsage(
            f"The camera profile {scaling.camera} is of another camera, zoom or size than {photo.name}.",
            advice="Leave it out, or calibrate with photos like this one.",
        )
    return profile


@dataclass(frozen=True, slots=True, eq=False)
class CouponScales:
    """Scales of several photos of one coupon.

    Attributes
    ----------
    scales : mapping of photo number to Scale
        Sources of one name are one and the same doubt in all of them.
    troubles : mapping of photo number to ToelineError
        Photos without a scale, and why.
    together : bool
        Solved as one, because the strips lie alike in all; else each photo by itself.
    """

    scales: Mapping[int, Scale]
    troubles: Mapping[int, ToelineError]
    together: bool


def find_scales(photos: Sequence[Photo], *, joint: str, scaling: Scaling) -> CouponScales:
    """How the pixels of several photos of one coupon turn into millimetres: solved as one where the strips lie alike.

    Raises
    ------
    BadUsage
        A scale given by hand, which holds for one photo only.
    """
    if scaling.rule_mm is not None or scaling.px_per_mm is not None or scaling.unscaled:
        raise BadUsage(
            "Photos of one coupon are solved together from printed strips only; a scale given by hand holds for one photo.",
            advice="Lay strips on the coupon, or inspect the photos one by one.",
        )
    found: dict[int, Found] = {}
    alone: dict[int, Scale] = {}
    troubles: dict[int, ToelineError] = {}
    for k, photo in enumerate(photos):
        try:
            found[k] = find_strips(photo.pixels)
            scale = scale_of(_solve(photo, found[k], joint, scaling, _profile(photo, scaling)))
            alone[k] = replace(scale, flags=(*_flags(photo, found[k], joint, scaling, scale), *scale.flags))
        except BadUsage:
            raise
        except ToelineError as trouble:
            troubles[k] = trouble
    common = _solve_as_one({k: (photos[k], found[k]) for k in alone}, joint, scaling) if len(alone) > 1 else None
    if common is None:
        return CouponScales({k: own_doubts(scale, k + 1) for k, scale in alone.items()}, troubles, together=False)
    scales = {k: replace(common[k], flags=tuple(dict.fromkeys((*alone[k].flags, *common[k].flags)))) for k in alone}
    return CouponScales(scales, troubles, together=True)


def _solve_as_one(seen: Mapping[int, tuple[Photo, Found]], joint: str, scaling: Scaling) -> dict[int, Scale] | None:
    """Scales from one common solve over the strips that all photos show; None where the strips don't lie alike."""
    shared = set.intersection(*({s.strip.letter for s in found.strips} for _, found in seen.values()))
    if not shared:
        return None
    solved = []
    try:
        for photo, found in seen.values():
            kept = replace(found, strips=tuple(s for s in found.strips if s.strip.letter in shared))
            solved.append(_solve(photo, kept, joint, scaling, _profile(photo, scaling), by_letter=True))
    except PlatesUnsolved:
        return None
    solved = same_beliefs(solved)
    both, each, whole = solve_together(solved)
    if strips_moved(solved, each).any():
        return None
    return dict(zip(seen, scales_of(both, each, whole, [one.flags for one in solved]), strict=True))


def budget_of(photo: Photo, found: Found, scaling: Scaling, *, profile: Profile | None = None) -> Budget:
    """What is believed of this photo's lens and strips."""
    if profile is not None:
        lens = profile_prior(profile, photo)
    else:
        lens = lens_prior(photo.width_px, photo.height_px, photo.camera.focal_35mm)
    if found.mirrored:
        lens = mirrored_prior(lens, photo.width_px)
    letters = [s.strip.letter for s in found.strips]
    return Budget(
        lens=lens,
        strips={letter: strip_prior(letter, scaling) for letter in letters},
        print_factor=scaling.print_factor,
        print_factor_u=scaling.print_factor_u,
        plate_angle_deg=90.0 if scaling.plate_angle_deg is None else scaling.plate_angle_deg,
        plate_angle_u_deg=scaling.plate_angle_u_deg,
    )


def _flags(photo: Photo, found: Found, joint: str, scaling: Scaling, scale: Scale) -> tuple[Flag, ...]:
    flags = []
    if found.mirrored:
        flags.append(Flag("photo-mirrored"))
    if found.unread:
        flags.append(Flag("one-strip-of-two", f"strip {', '.join(found.unread)} is hardly seen"))
    if photo.camera.focal_35mm is None and not scaling.camera:
        flags.append(Flag("no-exif"))
    guessed = [s.strip.letter for s in found.strips if thickness_said(s.strip.letter, scaling) is None]
    if joint == "tee" and guessed:
        flags.append(Flag("strip-thickness-assumed", f"strip {', '.join(sorted(guessed))}"))
    if joint == "tee" and not scaling.plate_scraped and scale.joint_line_px is None:
        flags.append(Flag("strip-stand-off-unsure"))
    return tuple(flags)
