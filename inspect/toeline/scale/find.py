"""The room's door: a photo and what was said of it, in; its scale, out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from toeline.coupon import Scaling
from toeline.errors import BadUsage
from toeline.flags import Flag
from toeline.photo.result import Photo
from toeline.scale.budget import Budget, lens_prior, strip_prior, thickness_said
from toeline.scale.camera import Profile, matches, mirrored_prior, profile_prior, read_profile
from toeline.scale.corners import Found, find_strips
from toeline.scale.joint_line import find_joint_line
from toeline.scale.manual import manual_scale
from toeline.scale.plates import scale_of, solve_strips, with_joint_line
from toeline.scale.solution import Scale


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
    profile = read_profile(Path(scaling.camera)) if scaling.camera else None
    if profile is not None and not matches(profile, photo):
        raise BadUsage(
            f"The camera profile {scaling.camera} is of another camera, zoom or size than {photo.name}.",
            advice="Leave it out, or calibrate with photos like this one.",
        )
    found = find_strips(photo.pixels)
    budget = budget_of(photo, found, scaling, profile=profile)
    solved = solve_strips(found.strips, joint=joint, budget=budget, mirrored=found.mirrored)
    if joint == "tee":
        line = find_joint_line(photo, scale_of(solved))
        solved = solved if line is None else with_joint_line(solved, line)
    scale = scale_of(solved)
    return replace(scale, flags=(*_flags(photo, found, joint, scaling, scale), *scale.flags))


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
