"""Spatter as found on the plate that can be seen."""

from __future__ import annotations

from dataclasses import dataclass

from toeline.flags import Flag


@dataclass(frozen=True, slots=True)
class Particle:
    """One solidified droplet stuck to the plate.

    Attributes
    ----------
    x_px, y_px : float
        Its middle in the upright photo [px].
    plate : str
    along_mm, across_mm : float
        In the bead's plate frame [mm].
    diameter_mm, diameter_u_mm : float
        Diameter of the circle of equal area as seen from above, and its u [mm].
    elongation_ratio : float
        Long over short axis.
    toe_distance_mm : float
        From its middle to the nearest toe on its plate [mm].
    probability : float
        That it is a droplet and not a speck, pit or scratch.
    """

    x_px: float
    y_px: float
    plate: str
    along_mm: float
    across_mm: float
    diameter_mm: float
    diameter_u_mm: float
    elongation_ratio: float
    toe_distance_mm: float
    probability: float


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with a 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Band:
    """Spatter within a band of distance from the toe on one plate; ``density_per_cm2`` is None where too little plate is seen."""

    plate: str
    from_mm: float
    to_mm: float
    area_cm2: float
    n: int
    density_per_cm2: Interval | None


@dataclass(frozen=True, slots=True)
class Spatter:
    """All particles, and how much plate could be seen.

    ``density_per_cm2`` (on this plate; detection error only) is None where nobody said that the plate was clean before, or too
    little plate is seen. ``doubtful`` are candidates that are less likely particles than not, for a person to look at.
    """

    particles: tuple[Particle, ...]
    area_cm2: float
    density_per_cm2: Interval | None
    bands: tuple[Band, ...]
    flags: tuple[Flag, ...] = ()
    doubtful: tuple[Particle, ...] = ()

    @property
    def n(self) -> int:
        return len(self.particles)
