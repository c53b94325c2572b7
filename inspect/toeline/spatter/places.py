"""Where a point of the plate lies as seen from the bead."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toeline.bead.result import Bead

Array = NDArray[np.float64]

__all__ = ["along_shift_mm", "in_bead_frame", "toe_distance_mm"]


def along_shift_mm(bead: Bead) -> float:
    """What ``along`` of the plates' frame is at the bead's left end, on a tee [mm]."""
    return float(np.median([np.median(bead.plate_points_mm[t][:, 0] - bead.along_mm) for t in bead.toes]))


def in_bead_frame(bead: Bead, points_mm: Array, *, tee: bool) -> Array:
    """Plate points (along, across), shape (n, 2), from the bead's left end, and from the root (tee) or its middle line (flat) [mm]."""
    if len(points_mm) == 0:
        return np.empty((0, 2))
    if tee:
        return np.column_stack([points_mm[:, 0] - along_shift_mm(bead), points_mm[:, 1]])
    left, right = (bead.plate_points_mm[t] for t in list(bead.toes)[:2])
    middle = 0.5 * (left + right)
    _, nearest = cKDTree(middle).query(points_mm)
    way = np.gradient(middle, axis=0)
    way = way / (np.linalg.norm(way, axis=1, keepdims=True) + 1e-12)
    off, towards = points_mm - middle[nearest], way[nearest]
    along = bead.along_mm[nearest] + np.sum(off * towards, axis=1)
    return np.column_stack([along, towards[:, 0] * off[:, 1] - towards[:, 1] * off[:, 0]])


def toe_distance_mm(bead: Bead, plates: Sequence[str], points_mm: Array) -> Array:
    """From plate points (along, across), shape (n, 2), each on the plate named, to the nearest toe on it, shape (n,) [mm]."""
    distance = np.full(len(points_mm), np.inf)
    of = np.asarray(plates, dtype=object)
    for name in dict.fromkeys(plates):
        lines = [bead.plate_points_mm[t] for t, toe in bead.toes.items() if toe.plate == name]
        if lines:
            mine = of == name
            distance[mine] = cKDTree(np.concatenate(lines)).query(points_mm[mine])[0]
    return distance
