"""Spatter room: find droplets on the plate that can be seen, count them, compare them with last time."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.result import Bead
from toeline.bead.view import CouponView, view_to_photo, view_to_plate
from toeline.flags import Flag
from toeline.scale.solution import Scale
from toeline.spatter.before import take_off
from toeline.spatter.catalogue import Plate, see_plate
from toeline.spatter.joining import Sighting, join, lay_over
from toeline.spatter.particles import detect_particles
from toeline.spatter.places import in_bead_frame, toe_distance_mm
from toeline.spatter.registration import Shift
from toeline.spatter.result import Band, Before, Correction, Interval, Particle, Spatter
from toeline.spatter.telling import correct, lower_bound, tell

__all__ = [
    "Band",
    "Before",
    "Correction",
    "Interval",
    "Particle",
    "Plate",
    "Shift",
    "Sighting",
    "Spatter",
    "correct",
    "find_spatter",
    "join",
    "lay_over",
    "lower_bound",
    "see_plate",
    "take_off",
]

Array = NDArray[np.float64]


def find_spatter(
    view: CouponView,
    bead: Bead,
    scale: Scale,
    *,
    plate_before: str,
    plate_now: str,
    wire_g_per_mm: float | None = None,
) -> Spatter:
    """Spatter on the plate that can be seen.

    Parameters
    ----------
    view : CouponView
    bead : Bead
        What lies on it does not count.
    scale : Scale
    plate_before : str
        ``clean`` or ``unknown``: without a clean plate there is no density for this bead.
    plate_now : str
        As welded, chipped, brushed, scraped or sprayed; only like may be compared with like.
    wire_g_per_mm : float, optional
        Wire fed for each millimetre of bead, where the settings are known [g/mm].

    Returns
    -------
    Spatter
    """
    plate = see_plate(view, bead)
    seen = cv2.resize(plate.seen.astype(np.uint8), view.valid.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    seen &= view.valid & ~view.strips
    found = detect_particles(view.image, seen, view.px_per_mm)
    places = np.column_stack([found.x_px, found.y_px])
    index, points = view_to_plate(view, places)
    names = [view.plate_names[k] for k in index]
    photo = view_to_photo(view, scale, places) if len(places) else np.empty((0, 2))
    frame = in_bead_frame(bead, points, tee=view.root_row is not None)
    distance = toe_distance_mm(bead, names, points)
    every = tuple(
        Particle(
            float(photo[k, 0]),
            float(photo[k, 1]),
            names[k],
            float(frame[k, 0]),
            float(frame[k, 1]),
            float(found.diameter_px[k]) / view.px_per_mm,
            float(np.hypot(found.diameter_u_px[k] / view.px_per_mm, _scale_share(scale) * found.diameter_px[k] / view.px_per_mm)),
            float(found.elongation_ratio[k]),
            float(distance[k]),
            float(found.probability[k]),
        )
        for k in range(len(places))
    )
    told = tell(every, plate, bead, clean_before=plate_before == "clean", wire_g_per_mm=wire_g_per_mm)
    if found.wet_mm2 > 0.0:
        told = replace(told, flags=(*told.flags, Flag("plate-wet", f"about {max(1.0, found.wet_mm2 / 100.0):.0f} cm²")))
    return told


def _scale_share(scale: Scale) -> float:
    return scale.px_per_mm.u / scale.px_per_mm.value if scale.px_per_mm.value else 0.0
