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
class Stretch:
    """Spatter beside one stretch of the bead, both sides up to the last band's end, and the plate seen there."""

    from_mm: float
    to_mm: float
    area_cm2: float
    n: int


@dataclass(frozen=True, slots=True)
class Correction:
    """What a hand says of one place in the upright photo: it is a droplet, or it is none."""

    x_px: float
    y_px: float
    droplet: bool


@dataclass(frozen=True, slots=True)
class Before:
    """What a photo of the plate before this bead took off the count.

    Attributes
    ----------
    n : int
        Particles that were there before.
    moved : bool
        The strips were moved between the photos, so the plates were laid over each other by what lies on them.
    n_agreeing : int
        Marks on the plate that agree about how the photos lie.
    residual_mm : float
        Their scatter [mm].
    """

    n: int
    moved: bool
    n_agreeing: int
    residual_mm: float


@dataclass(frozen=True, slots=True)
class Spatter:
    """All particles, and how much plate could be seen.

    ``density_per_cm2`` (on this plate; detection error only) is None where nobody said that the plate was clean before, or too little
    plate is seen. ``doubtful`` are candidates that are less likely particles than not, for a person to look at. ``n_on_plate`` is the
    number on the plate in view, whoever put it there. ``per_100mm`` counts both sides up to ``NEAR_MM`` from the toe, for 100 mm of
    bead beside which that much plate is seen, and ``per_gram`` the same for the wire fed over it: both are rates of the process, with
    counting chance. ``side_bands`` are the bands of the two sides of the bead (``plate`` is then ``left`` or ``right`` on a flat
    bead), ``thirds`` the bead's thirds, left to right in the coupon view. ``corrections`` were made by hand; ``n_photos`` is how many
    photos were joined. ``at_least`` says why the photo can't show all droplets: the count is then a lower bound, and there is no
    interval, density or rate.
    """

    particles: tuple[Particle, ...]
    area_cm2: float
    density_per_cm2: Interval | None
    bands: tuple[Band, ...]
    flags: tuple[Flag, ...] = ()
    doubtful: tuple[Particle, ...] = ()
    n_on_plate: Interval | None = None
    per_100mm: Interval | None = None
    per_gram: Interval | None = None
    before: Before | None = None
    corrections: tuple[Correction, ...] = ()
    n_photos: int = 1
    at_least: str = ""
    side_bands: tuple[Band, ...] = ()
    thirds: tuple[Stretch, ...] = ()

    @property
    def n(self) -> int:
        return len(self.particles)

    @property
    def every(self) -> tuple[Particle, ...]:
        """What was counted and what was doubted."""
        return (*self.particles, *self.doubtful)
