"""What was on the plate before this bead: a photo of it taken then, laid over this one, and its particles taken off the count."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toeline.bead.view import CouponView, view_to_plate
from toeline.errors import CannotMeasure
from toeline.scale.solution import Scale
from toeline.spatter.catalogue import COUNTED_FROM, Plate, see_bare
from toeline.spatter.joining import Sighting, on_view, plate_sees
from toeline.spatter.particles import detect_particles
from toeline.spatter.registration import Face, Shift, face_of, register, shift_of_strips
from toeline.spatter.result import Before, Particle, Spatter
from toeline.spatter.telling import tell

Array = NDArray[np.float64]

REACH_MM = 0.45
"""A particle this near to an older one, or within half its diameter, is that one [mm]."""
LIKE_RATIO = 2.0
"""Their diameters differ by less than this factor."""
OLD_FROM = 0.2
"""Probability from which a particle on the earlier photo is believed: one missed there would be charged to this bead."""
NEARLY_MM = 1.5
"""How far strips left in place may mislead [mm]."""

__all__ = ["take_off"]


def take_off(
    now: Sighting,
    earlier: CouponView,
    scale: Scale,
    *,
    wire_g_per_mm: float | None = None,
) -> Spatter:
    """Spatter of this bead alone, on plate that both photos show.

    Parameters
    ----------
    now : Sighting
        The photo with the bead.
    earlier : CouponView
        The plates before it.
    scale : Scale
        Of the earlier photo.
    wire_g_per_mm : float, optional
        [g/mm]

    Raises
    ------
    CannotMeasure
        The photos can't be laid over each other.
    """
    if earlier.plate_names != now.view.plate_names:
        raise CannotMeasure(
            "The photo of the plate before the bead does not show the same plates.",
            advice="Take it of the joint as tacked, with a strip on each plate that has one now.",
        )
    plate = see_bare(earlier)
    older, diameter = _older(earlier, plate)
    reach = earlier.valid.shape[1] / earlier.px_per_mm / 2
    shift, moved = _laid(
        face_of(now.view, now.plate.seen), face_of(earlier, plate.seen), shift_of_strips(now.scale, scale), reach
    )
    both = replace(
        now.plate, seen=now.plate.seen & plate_sees(plate, shift, now.plate.middles_mm()).reshape(now.plate.seen.shape)
    )
    kept, n_older = _new(now, shift(older), diameter, both, shift.residual_mm)
    told = tell(kept, both, now.bead, clean_before=True, wire_g_per_mm=wire_g_per_mm)
    return replace(told, before=Before(n_older, moved, shift.n_agreeing, shift.residual_mm), corrections=now.spatter.corrections)


def _laid(now: Face, earlier: Face, strips: tuple[Shift, bool] | None, reach_mm: float) -> tuple[Shift, bool]:
    """How the earlier photo lies, and whether the strips were moved.

    Strips left in place say it; the marks make it finer where they can. Else the marks must, anywhere along a tee, or anywhere on a
    flat plate within a few degrees.
    """
    guess, still = strips or (Shift(0.0, 0.0, 0.0), False)
    try:
        return register(now, earlier, guess, within_mm=NEARLY_MM), not still
    except CannotMeasure:
        if still:
            return guess, False
        return register(now, earlier, guess, within_mm=reach_mm), True


def _older(earlier: CouponView, plate: Plate) -> tuple[Array, Array]:
    """Places (along, up), shape (n, 2), and diameters of the particles on the earlier photo [mm]."""
    size = earlier.valid.shape[::-1]
    seen = cv2.resize(plate.seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    found = detect_particles(earlier.image, seen & earlier.valid & ~earlier.strips, earlier.px_per_mm)
    sure = found.probability >= OLD_FROM
    index, points = view_to_plate(earlier, np.column_stack([found.x_px, found.y_px])[sure])
    below = np.array([earlier.plate_names[k] == "base" for k in index], dtype=bool)
    places = np.column_stack([points[:, 0], np.where(below, -points[:, 1], points[:, 1])])
    return places, found.diameter_px[sure] / earlier.px_per_mm


def _new(now: Sighting, older: Array, diameter_mm: Array, both: Plate, blur_mm: float) -> tuple[Sequence[Particle], int]:
    """Particles on plate that both photos show which were not there before, and how many counted ones were."""
    every = now.spatter.every
    if not every:
        return (), 0
    places = np.array([on_view(now, p) for p in every])
    shown = both.sees(places)
    tree = cKDTree(older) if len(older) else None
    kept, n_older = [], 0
    for p, at, is_shown in zip(every, places, shown, strict=True):
        if not is_shown:
            continue
        reach = max(REACH_MM, 0.5 * p.diameter_mm) + blur_mm
        near = tree.query_ball_point(at, reach) if tree is not None else []
        if any(1 / LIKE_RATIO < diameter_mm[k] / p.diameter_mm < LIKE_RATIO for k in near):
            n_older += p.probability >= COUNTED_FROM
        else:
            kept.append(p)
    return kept, n_older
