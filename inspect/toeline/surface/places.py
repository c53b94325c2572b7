"""Where the network's maps show a sign, and how strongly: places on the straight picture, before anyone says how likely they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import runs
from toeline.surface.learned import FACE, N_BESIDE, N_FACE, STEP_MM, StraightSigns

Array = NDArray[np.float64]

PORE_FROM = 0.4
LEAST_PORE_MM = 0.3
"""Two columns of the straight picture: smaller spots are crumbs of the map, not pores [mm]."""
LINE_FROM = 0.25
LEAST_LINE_MM = 3.0
MOST_PORES = 40
SOOT_ROWS = 24
"""Rows of plate beside a toe, 4.6 mm, that its network of looks was taught."""

__all__ = ["FACE", "Place", "places"]


@dataclass(frozen=True, slots=True)
class Place:
    """One place where a sign may show.

    Attributes
    ----------
    sign : str
    strength : float
        What the network's map says there, 0 to 1; not yet a probability.
    first, last : int
        Columns of the straight picture.
    row, column : int
        Its middle on the straight picture.
    toe : str
    size_mm : float
        Diameter of pores [mm].
    """

    sign: str
    strength: float
    first: int
    last: int
    row: int
    column: int
    toe: str = ""
    size_mm: float = 0.0


def places(read: StraightSigns, *, start: NDArray[np.bool_], crater: NDArray[np.bool_]) -> list[Place]:
    """All places, strongest first within a sign.

    Parameters
    ----------
    read : StraightSigns
    start, crater : ndarray of bool, shape (n,)
        Columns where the bead may begin and end; none where that end is not in the picture.
    """
    everywhere = np.ones(len(read.along_mm), bool)
    found = [*_pores(read), *_lines(read, "undercut"), *_lines(read, "overlap")]
    spots: tuple[tuple[str, float, NDArray[np.bool_]], ...] = (
        ("crater unfilled", 1.2, crater),
        ("cold start", 3.0, start),
        ("melt-through", 0.9, everywhere),
        ("wire left", 0.6, start | crater),
    )
    for sign, size_mm, where in spots:
        found += _strongest(read, sign, size_mm, where)
    inner = ~(start | crater) if np.count_nonzero(~(start | crater)) * STEP_MM > 10 else everywhere
    sides = (slice(N_BESIDE - SOOT_ROWS, N_BESIDE), slice(N_BESIDE + N_FACE, N_BESIDE + N_FACE + SOOT_ROWS))
    beside = max(sides, key=lambda rows: float(read.seen[rows].mean()))
    wholes: Mapping[str, slice] = {
        "ripple pointed": FACE,
        "dull face": FACE,
        "convex face": FACE,
        "flat face": FACE,
        "soot": beside,
    }
    for sign, rows in wholes.items():
        found += _whole(read, sign, rows, everywhere if sign in ("soot", "dull face") else inner)
    return found


def _pores(read: StraightSigns) -> list[Place]:
    """Spots on the face, from `LEAST_PORE_MM` on, each with the diameter of a circle of its area."""
    face = read.maps["pores"][FACE]
    n, labels, boxes, centres = cv2.connectedComponentsWithStats((face > PORE_FROM).astype(np.uint8))
    found: list[Place] = []
    for k in range(1, n):
        left, top, width, height, area = (int(v) for v in boxes[k])
        column, row = int(centres[k][0]), int(centres[k][1])
        size = float(np.sqrt(4 / np.pi * area * STEP_MM * read.width_mm[column] / N_FACE))
        if size < LEAST_PORE_MM:
            continue
        inside = labels[top : top + height, left : left + width] == k
        strength = float(face[top : top + height, left : left + width][inside].max())
        found.append(Place("pores", strength, left, left + width - 1, N_BESIDE + row, column, size_mm=size))
    return sorted(found, key=lambda place: -place.strength)[:MOST_PORES]


def _lines(read: StraightSigns, sign: str) -> list[Place]:
    """Stretches along each toe, at least `LEAST_LINE_MM` long."""
    found: list[Place] = []
    for told, name, at in zip(read.lines[sign], read.names, (N_BESIDE, N_BESIDE + N_FACE - 1), strict=True):
        column = cv2.blur(told.reshape(1, -1), (9, 1)).ravel()
        for first, last in runs(column > LINE_FROM):
            if (last - first + 1) * STEP_MM >= LEAST_LINE_MM:
                strength = float(np.mean(column[first : last + 1]))
                found.append(Place(sign, strength, first, last, at, (first + last) // 2, toe=name))
    return sorted(found, key=lambda place: -place.strength)


def _strongest(read: StraightSigns, sign: str, size_mm: float, where: NDArray[np.bool_]) -> list[Place]:
    """The one place on the face where a sign is strongest, over a patch of about this size."""
    if not where.any():
        return []
    across_mm = max(float(np.median(read.width_mm)), 1.0) / N_FACE
    patch = (max(1, round(size_mm / STEP_MM)), int(np.clip(round(size_mm / across_mm), 1, N_FACE // 2)))
    smooth = cv2.blur(read.maps[sign][FACE] * where[None], patch)
    row, column = (int(v) for v in np.unravel_index(int(smooth.argmax()), smooth.shape))
    hollow = (smooth >= 0.5 * smooth[row, column]).any(axis=0)
    first, last = next(run for run in runs(hollow) if run[0] <= column <= run[1])
    return [Place(sign, float(smooth[row, column]), first, last, N_BESIDE + row, column)]


def _whole(read: StraightSigns, sign: str, rows: slice, where: NDArray[np.bool_]) -> list[Place]:
    """A look of the whole bead or of the plate beside it: the mean where it can be seen."""
    seen = read.seen[rows][:, where]
    if seen.size == 0 or seen.mean() < 0.3:
        return []
    strength = float(read.maps[sign][rows][:, where][seen].mean())
    middle = (rows.start + rows.stop) // 2
    return [Place(sign, strength, 0, len(read.along_mm) - 1, middle, len(read.along_mm) // 2)]
