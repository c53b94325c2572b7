"""The bead as found: two toe lines along one coordinate, its parts, and how surely it was seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from toeline.flags import Flag

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ToeLine:
    """One toe line, at the bead's stations.

    Attributes
    ----------
    name : str
        ``base`` or ``standing`` on a tee, ``left`` or ``right`` of the direction of travel on flat beads.
    plate : str
        The plate it lies on.
    across_mm : ndarray, shape (n,)
        Tee: distance from the root on its plate. Flat: signed distance from the reference line of the view, positive up in it [mm].
    u_mm : ndarray, shape (n,)
        Standard uncertainty of the toe's place across, from the picture alone [mm].
    seen : ndarray of bool, shape (n,)
        False where the line was bridged.
    photo_px : ndarray, shape (n, 2)
        The same points in the upright photo [px].
    """

    name: str
    plate: str
    across_mm: Array
    u_mm: Array
    seen: NDArray[np.bool_]
    photo_px: Array


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of the bead: ``steady``, ``start``, ``crater``, ``tack`` or ``restart``.

    Attributes
    ----------
    from_mm, to_mm : float
        Along the bead [mm].
    hump_mm, dip_mm : float or None
        Of a restart or a tack welded over: how much wider and how much narrower the bead is there at most than a straight line through
        its neighbours on both sides; None elsewhere, and where there is no neighbour to compare with [mm].
    gap_mm : float or None
        Of a restart: length that shows no weld metal [mm].
    """

    kind: str
    from_mm: float
    to_mm: float
    hump_mm: float | None = None
    dip_mm: float | None = None
    gap_mm: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Bead:
    """A bead with its two toe lines.

    Attributes
    ----------
    along_mm : ndarray, shape (n,)
        Stations, every 0.5 mm from the bead's left end in the coupon view (in px for an unscaled photo) [mm].
    plate_points_mm : mapping of toe name to ndarray, shape (n, 2)
        The toe points in the scale's own plate frame (the frame before the bead's origin was chosen) [mm].
    toes : mapping of toe name to ToeLine
    correlation_mm : float
        Length along the bead over which toe errors stay alike (integral scale) [mm].
    confidence : float
        Probability that both toe lines are right (mean distance within 8 % of the width) [ratio].
    parts : tuple of Part
    start_px, end_px : (float, float)
        Middle of the bead's left and right end in the photo [px].
    anchors : tuple of (toe name, x, y)
        Points a hand put on the toes [px].
    box_px, bead_px
        Box that a hand drew round the bead, and the point at which it said which bead is meant; None where it did not [px].
    moved_mm : mapping
        By how much a hand moved each toe in the mean, and ``width`` the mean width; empty where none did [mm].
    traits : mapping
        What the trace showed of its own certainty, from which the confidence was told; see ``bead/confidence.py``.
    others_px : tuple of ndarray, shape (n, 2)
        Middle lines of other beads in view that might be meant, in the photo [px].
    """

    along_mm: Array
    toes: Mapping[str, ToeLine]
    plate_points_mm: Mapping[str, Array]
    correlation_mm: float
    confidence: float
    parts: tuple[Part, ...]
    start_px: tuple[float, float]
    end_px: tuple[float, float]
    anchors: tuple[tuple[str, float, float], ...] = ()
    flags: tuple[Flag, ...] = ()
    box_px: tuple[float, float, float, float] | None = None
    bead_px: tuple[float, float] | None = None
    moved_mm: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    traits: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    others_px: tuple[Array, ...] = ()

    def steady(self) -> NDArray[np.bool_]:
        """Which stations belong to the steady part, shape (n,)."""
        inside = np.zeros(len(self.along_mm), dtype=bool)
        for part in self.parts:
            if part.kind == "steady":
                inside |= (self.along_mm >= part.from_mm) & (self.along_mm <= part.to_mm)
        return inside
