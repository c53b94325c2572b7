"""Spatter room: find droplets on the plate that can be seen, count them, compare them with last time."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toeline.bead.evidence import Evidence
from toeline.bead.result import Bead
from toeline.bead.view import CouponView, view_to_photo, view_to_plate
from toeline.flags import Flag
from toeline.scale.solution import Scale
from toeline.spatter.catalogue import COUNTED_FROM, LEAST_AREA_CM2, Plate, bands, n_on_plate, see_plate, toe_polylines
from toeline.spatter.particles import detect_particles
from toeline.spatter.result import Band, Interval, Particle, Spatter

__all__ = ["Band", "Interval", "Particle", "Spatter", "find_spatter"]

Array = NDArray[np.float64]


def find_spatter(
    view: CouponView,
    bead: Bead,
    scale: Scale,
    *,
    plate_before: str,
    plate_now: str,
    evidence: Evidence | None = None,
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
    evidence : Evidence, optional
        The learned eye's map; its class ``spatter`` is heard where there is one.

    Returns
    -------
    Spatter
    """
    plate = see_plate(view, bead)
    seen = cv2.resize(plate.seen.astype(np.uint8), view.valid.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    seen &= view.valid & ~view.strips
    found = detect_particles(
        view.image, seen, view.px_per_mm, plate_of=view.plate_of, evidence=_spatter_map(evidence, view.valid.shape)
    )
    places = np.column_stack([found.x_px, found.y_px])
    index, _ = view_to_plate(view, places)
    photo = view_to_photo(view, scale, places) if len(places) else np.empty((0, 2))
    frame = _in_bead_frame(view, bead, places, index)
    distance = _toe_distance_mm(view, bead, places, index)
    every = tuple(
        Particle(
            float(photo[k, 0]),
            float(photo[k, 1]),
            view.plate_names[index[k]],
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
    return _tell(every, plate, view.plate_names, clean_before=plate_before == "clean")


def _tell(every: tuple[Particle, ...], plate: Plate, names: tuple[str, ...], *, clean_before: bool) -> Spatter:
    counted = tuple(p for p in every if p.probability >= COUNTED_FROM)
    doubtful = tuple(p for p in every if p.probability < COUNTED_FROM)
    area = plate.area_cm2()
    flags = [] if clean_before else [Flag("spatter-before-unknown")]
    if area < 4 * LEAST_AREA_CM2:
        flags.append(Flag("spatter-plate-unseen"))
    density = None
    if clean_before and area >= LEAST_AREA_CM2:
        n = n_on_plate([p.probability for p in every])
        density = Interval(n.value / area, n.low / area, n.high / area)
    listed = bands(counted, doubtful, plate, names, told=clean_before)
    return Spatter(counted, area, density, listed, tuple(flags), doubtful)


def _scale_share(scale: Scale) -> float:
    return scale.px_per_mm.u / scale.px_per_mm.value if scale.px_per_mm.value else 0.0


def _spatter_map(evidence: Evidence | None, shape: tuple[int, ...]) -> NDArray[np.float32] | None:
    if evidence is None or "spatter" not in evidence.classes:
        return None
    grown = cv2.resize(evidence.classes["spatter"], (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(grown, dtype=np.float32)


def _in_bead_frame(view: CouponView, bead: Bead, places: Array, index: NDArray[np.int64]) -> Array:
    """(along, across) in the bead's own frame: from its left end, and from the root (tee) or its middle line (flat), shape (n, 2) [mm]."""
    _, points = view_to_plate(view, places)
    if len(points) == 0:
        return np.empty((0, 2))
    if view.root_row is not None:
        shift = float(np.median([np.median(bead.plate_points_mm[t][:, 0] - bead.along_mm) for t in bead.toes]))
        return np.column_stack([points[:, 0] - shift, points[:, 1]])
    left, right = (bead.plate_points_mm[t] for t in list(bead.toes)[:2])
    middle = 0.5 * (left + right)
    _, nearest = cKDTree(middle).query(points)
    way = np.gradient(middle, axis=0)
    way = way / (np.linalg.norm(way, axis=1, keepdims=True) + 1e-12)
    off, towards = points - middle[nearest], way[nearest]
    along = bead.along_mm[nearest] + np.sum(off * towards, axis=1)
    return np.column_stack([along, towards[:, 0] * off[:, 1] - towards[:, 1] * off[:, 0]])


def _toe_distance_mm(view: CouponView, bead: Bead, places: Array, index: NDArray[np.int64]) -> Array:
    """From each place to the nearest toe on its plate, shape (n,) [mm]."""
    distance = np.full(len(places), np.inf)
    for number, name in enumerate(view.plate_names):
        lines = [points for plate, points in toe_polylines(view, bead).values() if plate == name]
        mine = index == number
        if lines and mine.any():
            distance[mine] = cKDTree(np.concatenate(lines)).query(places[mine])[0] / view.px_per_mm
    return distance
