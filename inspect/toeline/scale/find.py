"""The room's door: a photo and what was said of it, in; its scale, out."""

from __future__ import annotations

from dataclasses import replace

from toeline.coupon import Scaling
from toeline.flags import Flag
from toeline.photo.result import Photo
from toeline.scale.budget import Budget, lens_prior, strip_prior
from toeline.scale.corners import Found, find_strips
from toeline.scale.plates import solve_plates
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
    """
    found = find_strips(photo.pixels)
    budget = budget_of(photo, found, scaling)
    scale = solve_plates(found.strips, joint=joint, budget=budget, mirrored=found.mirrored)
    return replace(scale, flags=(*_flags(photo, found, joint, scaling), *scale.flags))


def budget_of(photo: Photo, found: Found, scaling: Scaling) -> Budget:
    """What is believed of this photo's lens and strips."""
    letters = [s.strip.letter for s in found.strips]
    return Budget(
        lens=lens_prior(photo.width_px, photo.height_px, photo.camera.focal_35mm, zoom=photo.camera.zoom),
        strips={letter: strip_prior(letter, scaling) for letter in letters},
        print_factor=scaling.print_factor,
        print_factor_u=scaling.print_factor_u,
        plate_angle_deg=90.0 if scaling.plate_angle_deg is None else scaling.plate_angle_deg,
        plate_angle_u_deg=scaling.plate_angle_u_deg,
    )


def _flags(photo: Photo, found: Found, joint: str, scaling: Scaling) -> tuple[Flag, ...]:
    flags = []
    if found.mirrored:
        flags.append(Flag("photo-mirrored"))
    if photo.camera.focal_35mm is None:
        flags.append(Flag("no-exif"))
    if joint == "tee" and scaling.strip_thickness_mm is None:
        flags.append(Flag("strip-thickness-assumed"))
    if joint == "tee" and not scaling.plate_scraped:
        flags.append(Flag("strip-stand-off-unsure"))
    return tuple(flags)
