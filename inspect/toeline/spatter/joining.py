"""Spatter of several photos of one coupon as one: plate that any of them sees, and every particle once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toeline.bead.result import Bead
from toeline.bead.view import CouponView
from toeline.scale import rays
from toeline.scale.solution import Scale
from toeline.spatter.catalogue import Plate
from toeline.spatter.places import in_bead_frame, toe_distance_mm
from toeline.spatter.registration import Shift, face_of, register, shift_of_beads
from toeline.spatter.result import Particle, Spatter
from toeline.spatter.telling import tell

Array = NDArray[np.float64]

SAME_MM = 0.45
"""Two particles this near, or within half their diameter, are one [mm]."""
UNSEEN_PROBABILITY = 0.03
"""Of a particle where a photo shows the plate but nobody listed anything."""

EDGE_MM = 0.6
"""How far inside a photo's plate a particle must lie for its silence to count [mm]."""
ENDS_MM = 4.0
"""How far the ends of a bead may be told apart in two photos [mm]."""

__all__ = ["Sighting", "join", "joined_plate", "lay_over", "on_view"]


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """One photo's plates, bead and spatter."""

    view: CouponView
    bead: Bead
    scale: Scale
    plate: Plate
    spatter: Spatter


def join(
    sightings: Sequence[Sighting], shifts: Sequence[Shift], *, clean_before: bool, wire_g_per_mm: float | None = None
) -> Spatter:
    """Spatter on the plate that any of the photos shows, in the first one's frame and pixels.

    A particle that several photos list is counted once, with the mean of their log odds; where another photo shows its place but
    lists nothing there, that speaks against it.

    Parameters
    ----------
    sightings : sequence of Sighting
    shifts : sequence of Shift
        From each further photo's view to the first's: one fewer than the photos.
    clean_before : bool
    wire_g_per_mm : float, optional
        [g/mm]
    """
    first, *others = sightings
    plate = joined_plate(first, [(other.plate, shift) for other, shift in zip(others, shifts, strict=True)])
    listed = [(p, on_view(first, p)) for p in first.spatter.every]
    logits = [[_logit(p.probability)] for p, _ in listed]
    for other, shift in zip(others, shifts, strict=True):
        seen = _well_inside(other.plate, shift.back(np.array([at for _, at in listed]).reshape(-1, 2)))
        theirs = other.spatter.every
        places = shift(np.array([on_view(other, p) for p in theirs]).reshape(-1, 2))
        owner = _owners(listed, theirs, places, shift.residual_mm)
        matched = dict.fromkeys(range(len(listed)), False)
        for own, p in zip(owner, theirs, strict=True):
            if own is not None:
                matched[own] = True
                logits[own].append(_logit(p.probability))
        for k, was in matched.items():
            if seen[k] and not was:
                logits[k].append(_logit(UNSEEN_PROBABILITY))
        for k, p in enumerate(theirs):
            if owner[k] is None:
                at = (float(places[k, 0]), float(places[k, 1]))
                listed.append((_moved(first, p, at), at))
                also = _well_inside(first.plate, np.array([at]))[0]
                logits.append([_logit(p.probability), *([_logit(UNSEEN_PROBABILITY)] if also else [])])
    every = [replace(p, probability=1 / (1 + exp(-sum(row) / len(row)))) for (p, _), row in zip(listed, logits, strict=True)]
    kept = [p for p in every if p.probability >= 0.05]
    told = tell(kept, plate, first.bead, clean_before=clean_before, wire_g_per_mm=wire_g_per_mm)
    flags = tuple(
        dict.fromkeys((*told.flags, *(f for s in sightings for f in s.spatter.flags if f.name != "spatter-plate-unseen")))
    )
    corrections = tuple(c for c in first.spatter.corrections)
    return replace(told, flags=flags, corrections=corrections, n_photos=sum(s.spatter.n_photos for s in sightings))


def lay_over(first: Sighting, second: Sighting) -> Shift:
    """How the second photo's view lies in the first's, from their beads and what lies on the plates.

    Raises
    ------
    CannotMeasure
        They can't be laid over each other.
    """
    guess = shift_of_beads(first.bead, second.bead, tee=first.view.root_row is not None)
    here, there = (face_of(s.view, s.view.valid) for s in (first, second))  # the bead too: nothing else is as rich
    return register(here, there, guess, within_mm=ENDS_MM)


def joined_plate(first: Sighting, others: Sequence[tuple[Plate, Shift]]) -> Plate:
    """The first photo's plate, as large as all of them need, seen where any of them sees it."""
    plate = first.plate
    corners = [plate.middles_mm()[[0, -1]]]
    for other, shift in others:
        height, width = other.seen.shape
        rows, columns = np.nonzero(other.seen)
        if len(rows):
            box = np.array([[c, r] for c in (columns.min(), columns.max()) for r in (rows.min(), rows.max())], dtype=float)
            at = np.column_stack([box[:, 0] / other.px_per_mm + other.along0_mm, other.up0_mm - box[:, 1] / other.px_per_mm])
            corners.append(shift(at))
    every = np.concatenate(corners)
    px_per_mm = plate.px_per_mm
    left = int(np.ceil(max(0.0, plate.along0_mm - every[:, 0].min()) * px_per_mm))
    top = int(np.ceil(max(0.0, every[:, 1].max() - plate.up0_mm) * px_per_mm))
    height, width = plate.seen.shape
    right = int(np.ceil(max(0.0, every[:, 0].max() - plate.along0_mm) * px_per_mm)) + 1
    bottom = int(np.ceil(max(0.0, plate.up0_mm - every[:, 1].min()) * px_per_mm)) + 1
    size = (max(height, bottom) + top, max(width, right) + left)
    grown = Plate(
        np.zeros(size, dtype=bool),
        np.zeros(size, dtype=np.uint8),
        np.full(size, np.inf, dtype=np.float32),
        px_per_mm,
        plate.names,
        plate.along0_mm - left / px_per_mm,
        plate.up0_mm + top / px_per_mm,
    )
    at = grown.middles_mm()
    grown.seen[:] = plate.sees(at).reshape(size)
    for other, shift in others:
        grown.seen[:] |= plate_sees(other, shift, at).reshape(size)
    tee = first.view.root_row is not None
    if tee:
        grown.plate_of[:] = np.where(at[:, 1] >= 0, plate.names.index("standing"), plate.names.index("base")).reshape(size)
    seen = grown.seen.ravel()
    names = [plate.names[k] for k in grown.plate_of.ravel()[seen]]
    points = np.column_stack([at[seen, 0], np.abs(at[seen, 1]) if tee else at[seen, 1]])
    distance = grown.toe_distance_mm.ravel()
    distance[seen] = toe_distance_mm(first.bead, names, points)
    grown.toe_distance_mm[:] = distance.reshape(size)
    return grown


def plate_sees(plate: Plate, shift: Shift, points_mm: Array) -> NDArray[np.bool_]:
    """Whether another photo's plate can be seen at points (along, up) of the first's, shape (n,)."""
    return plate.sees(shift.back(points_mm)) if len(points_mm) else np.zeros(0, dtype=bool)


def _well_inside(plate: Plate, points_mm: Array) -> NDArray[np.bool_]:
    """Whether points (along, up) lie on plate that can be seen, and not at its edge, where a particle may be missed, shape (n,)."""
    seen = plate.sees(points_mm)
    for off in ((EDGE_MM, 0.0), (-EDGE_MM, 0.0), (0.0, EDGE_MM), (0.0, -EDGE_MM)):
        seen &= plate.sees(points_mm + np.array(off))
    return seen


def on_view(sighting: Sighting, particle: Particle) -> tuple[float, float]:
    """A particle's (along, up) in its photo's coupon view [mm]."""
    (along, across), *_ = rays.to_plate_mm(sighting.scale, particle.plate, np.array([[particle.x_px, particle.y_px]]))
    return float(along), float(-across if particle.plate == "base" else across)


def _moved(first: Sighting, particle: Particle, at: tuple[float, float]) -> Particle:
    """Another photo's particle in the first photo's pixels and bead frame."""
    tee = first.view.root_row is not None
    point = np.array([[at[0], abs(at[1]) if tee else at[1]]])
    x, y = rays.to_photo_px(first.scale, particle.plate, point)[0]
    along, across = in_bead_frame(first.bead, point, tee=tee)[0]
    distance = toe_distance_mm(first.bead, [particle.plate], point)[0]
    return replace(
        particle, x_px=float(x), y_px=float(y), along_mm=float(along), across_mm=float(across), toe_distance_mm=float(distance)
    )


def _owners(
    listed: Sequence[tuple[Particle, tuple[float, float]]], theirs: Sequence[Particle], places: Array, blur_mm: float
) -> list[int | None]:
    """For each of another photo's particles the listed one that it is, nearest pairs first, each once."""
    owner: list[int | None] = [None] * len(theirs)
    if not listed or not theirs:
        return owner
    tree = cKDTree(np.array([at for _, at in listed]))
    pairs = []
    for k, (p, at) in enumerate(zip(theirs, places, strict=True)):
        reach = max(SAME_MM, 0.5 * p.diameter_mm) + blur_mm
        pairs += [
            (float(np.hypot(*(tree.data[j] - at))), k, j)
            for j in tree.query_ball_point(at, reach)
            if listed[j][0].plate == p.plate
        ]
    taken: set[int] = set()
    for _, k, j in sorted(pairs):
        if owner[k] is None and j not in taken:
            owner[k] = j
            taken.add(j)
    return owner


def _logit(probability: float) -> float:
    p = min(max(probability, 1e-3), 1 - 1e-3)
    return log(p / (1 - p))
