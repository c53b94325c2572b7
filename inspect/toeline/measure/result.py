"""What was measured on the bead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toeline.quantity import Measured

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Stations:
    """Lengths at every station along the bead; leg arrays are empty where a joint has no legs.

    Attributes
    ----------
    along_mm, width_mm, width_u_mm, leg_base_mm, leg_base_u_mm, leg_standing_mm, leg_standing_u_mm : ndarray, shape (n,)
        [mm]
    """

    along_mm: Array
    width_mm: Array
    width_u_mm: Array
    leg_base_mm: Array
    leg_base_u_mm: Array
    leg_standing_mm: Array
    leg_standing_u_mm: Array


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """One length at every station.

    Attributes
    ----------
    values : ndarray, shape (n,)
        [mm]
    own : ndarray, shape (n,)
        Standard uncertainty of each from the picture alone, alike over a correlation length [mm].
    shared : mapping of source name to ndarray, shape (n,)
        Signed effect of one standard deviation of each source that moves all stations together [mm].
    """

    values: Array
    own: Array
    shared: Mapping[str, Array]

    @property
    def u(self) -> Array:
        """Standard uncertainty of each station, shape (n,) [mm]."""
        return np.sqrt(self.own**2 + sum((effect**2 for effect in self.shared.values()), np.zeros_like(self.own)))


@dataclass(frozen=True, slots=True, eq=False)
class Lengths:
    """All lengths of a bead, station by station, before they are summed up.

    Attributes
    ----------
    along_mm : ndarray, shape (n,)
    rows : mapping of name to Row
        ``width``, and on a tee the legs ``base`` and ``standing``.
    steady : ndarray of bool, shape (n,)
    correlation_mm : float
        Length over which own errors stay alike [mm].
    length : Measured
        From end to end [mm].
    unit : str
        ``mm``, or ``px`` for an unscaled photo.
    """

    along_mm: Array
    rows: Mapping[str, Row]
    steady: NDArray[np.bool_]
    correlation_mm: float
    length: Measured
    unit: str = "mm"

    @property
    def step_mm(self) -> float:
        """Distance between stations [mm]."""
        return float(np.median(np.diff(self.along_mm))) if len(self.along_mm) > 1 else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class BeadSize:
    """Stations and the measures of the steady part, by the contract's keys (units at the end of each key)."""

    stations: Stations
    measures: Mapping[str, Measured]
    steady: NDArray[np.bool_]
