"""Where the network's maps show a sign, and how strongly: places on the straight picture, before anyone says how likely they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import runs
from toeline.bead.result import Part
from toeline.surface.learned import BROKEN, FACE, N_BESIDE, N_FACE, STEP_MM, StraightSigns

Array = NDArray[np.float64]

PORE_FROM = 0.4
LEAST_PORE_MM = 0.3
"""Two columns of the straight picture: smaller spots are crumbs of the map, not pores [mm]."""
LINE_FROM = 0.25
LEAST_LINE_MM = 3.0
MOST_PORES = 40
STRIKE_FROM = 4
"""Rows beside a toe in which no arc strike is told: what lies there is the toe's own [rows]."""
STRIKE_PATCH = (8, 5)
"""Columns and rows over which an arc strike is averaged: 1.2 mm by about as much."""
INSIDE_MM = 2.5
"""No cold start is told so near to a bead's end: where the toes close plate shows between the traced lines, and looks like one [mm]."""
BREAK_FROM, BREAK_SURE = 0.5, 0.8
"""A tack or restart reaches as far as the face says so by half, and is told where somewhere it says so as surely as this."""
BREAK_MM, HALF_BREAK_MM = 4.0, 6.0
"""Length over which the face is averaged for them, and how much of the bead each takes on either side at least [mm]."""

__all__ = ["FACE", "Place", "breaks", "places"]


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
        ("cold start", 2.0, _inside(start)),
        ("melt-through", 0.9, everywhere),
        ("wire left", 1.0, start | crater),
    )
    for sign, size_mm, where in spots:
        found += _strongest(read, sign, size_mm, where)
    found += _strike(read)
    inner = ~(start | crater) if np.count_nonzero(~(start | crater)) * STEP_MM > 10 else everywhere
    sides = (slice(0, N_BESIDE), slice(N_BESIDE + N_FACE, 2 * N_BESIDE + N_FACE))
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


def breaks(read: StraightSigns) -> tuple[Part, ...]:
    """Tacks and restarts that show on the face; which of both it is counts less than that the bead is none of its own there."""
    n_seen = np.maximum(read.seen[FACE].sum(axis=0), 1)
    length = 2 * round(BREAK_MM / STEP_MM / 2) + 1
    tack, restart = (
        cv2.blur((read.maps[sign][FACE].sum(axis=0) / n_seen).reshape(1, -1), (length, 1)).ravel() for sign in BROKEN
    )
    found = []
    for first, last in runs(tack + restart > BREAK_FROM):
        here = slice(first, last + 1)
        if (tack + restart)[here].max() >= BREAK_SURE:
            middle = float(read.along_mm[first] + read.along_mm[last]) / 2
            half = max(HALF_BREAK_MM, float(read.along_mm[last] - read.along_mm[first]) / 2)
            kind = BROKEN[int(restart[here].sum() > tack[here].sum())]
            found.append(Part(kind, middle - half, middle + half))
    return tuple(found)


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


def _inside(start: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Columns of a bead's beginning without those at its very end."""
    inner = start.copy()
    n = round(INSIDE_MM / STEP_MM)
    if len(start) and start[0]:
        inner[:n] = False
    elif len(start) and start[-1]:
        inner[-n:] = False
    return inner


def _strongest(read: StraightSigns, sign: str, size_mm: float, where: NDArray[np.bool_]) -> list[Place]:
    """The one place on the face where a sign is strongest, over a patch of about this size."""
    if not where.any():
        return []
    across_mm = max(float(np.median(read.width_mm)), 1.0) / N_FACE
    patch = (max(1, round(size_mm / STEP_MM)), int(np.clip(round(size_mm / across_mm), 1, N_FACE // 2)))
    return [_peak(sign, _blurred(read.maps[sign][FACE] * where[None], patch), N_BESIDE)]


def _strike(read: StraightSigns) -> list[Place]:
    """The one place on the plate where an arc strike shows most."""
    beside = (slice(0, N_BESIDE - STRIKE_FROM), slice(N_BESIDE + N_FACE + STRIKE_FROM, 2 * N_BESIDE + N_FACE))
    found = [_peak("arc strike", _blurred(read.maps["arc strike"][rows], STRIKE_PATCH), rows.start) for rows in beside]
    return [max(found, key=lambda place: place.strength)]


def _blurred(layer: NDArray[np.float32], patch: tuple[int, int]) -> NDArray[np.float32]:
    return np.asarray(cv2.blur(layer, patch, borderType=cv2.BORDER_CONSTANT), dtype=np.float32)


def _peak(sign: str, smooth: NDArray[np.float32], first_row: int) -> Place:
    """Where a smoothed map is strongest, with the columns in which it is at least half as strong."""
    row, column = (int(v) for v in np.unravel_index(int(smooth.argmax()), smooth.shape))
    near = (smooth >= 0.5 * smooth[row, column]).any(axis=0)
    first, last = next(run for run in runs(near) if run[0] <= column <= run[1])
    return Place(sign, float(smooth[row, column]), first, last, first_row + row, column)


def _whole(read: StraightSigns, sign: str, rows: slice, where: NDArray[np.bool_]) -> list[Place]:
    """A look of the whole bead or of the plate beside it: the mean where it can be seen."""
    seen = read.seen[rows][:, where]
    if seen.size == 0 or seen.mean() < 0.3:
        return []
    strength = float(read.maps[sign][rows][:, where][seen].mean())
    middle = (rows.start + rows.stop) // 2
    return [Place(sign, strength, 0, len(read.along_mm) - 1, middle, len(read.along_mm) // 2)]
