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
class BeadSize:
    """Stations and the measures of the steady part, by the contract's keys (units at the end of each key)."""

    stations: Stations
    measures: Mapping[str, Measured]
    steady: NDArray[np.bool_]
