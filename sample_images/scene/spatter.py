"""Droplets stuck to the plates, slag crumbs, and things that are not spatter but look like it."""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, tan

import numpy as np
from numpy.typing import NDArray
from sample_images.scene.bead import SIDES, Bead
from sample_images.scene.process import Look

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Particle:
    """A solidified droplet (or a slag crumb) stuck to a plate.

    Parameters
    ----------
    kind : str
        `spatter` or `slag crumb`.
    plate : str
        Which plate it sticks to.
    along_mm, across_mm : float
        Its middle. [mm]
    diameter_mm : float
        Of the circle with the outline's area, as seen along the plate's normal. [mm]
    contact_deg : float
        Contact angle; over 90 overhangs. [deg]
    stretch_ratio, turn_deg, tail_ratio : float
        Length over breadth, direction of the length [deg], length of the splash tail over the diameter.
    seed : int
        Of its outline.
    older : bool
        It was on the plate before this bead was laid.
    """

    kind: str
    plate: str
    along_mm: float
    across_mm: float
    diameter_mm: float
    contact_deg: float
    stretch_ratio: float
    turn_deg: float
    tail_ratio: float
    seed: int
    older: bool = False

    @property
    def height_mm(self) -> float:
        """Height over the plate. [mm]"""
        base = self.diameter_mm * (np.sin(radians(self.contact_deg)) if self.contact_deg > 90.0 else 1.0)
        return float(0.5 * base * tan(radians(self.contact_deg) / 2.0)) * (0.8 if self.tail_ratio > 0 else 1.0)


@dataclass(frozen=True, slots=True)
class Distractor:
    """Something on the plate that is not spatter: `pit`, `rust speck`, `paint dot`, `water mark`, `scratch`,
    `fibre`, `punch mark`, `paint stroke`, `chalk stroke`, `arc strike`, `drying ring`, `scale flake`,
    `water drop`.

    Parameters
    ----------
    kind, plate : str
        What and where.
    along_mm, across_mm, size_mm : float
        Middle and size (length of strokes and scratches). [mm]
    turn_deg : float
        Direction. [deg]
    seed : int
        Of its shape.
    """

    kind: str
    plate: str
    along_mm: float
    across_mm: float
    size_mm: float
    turn_deg: float
    seed: int


def make_particles(
    rng: np.random.Generator,
    bead: Bead,
    look: Look,
    reach_mm: dict[str, tuple[float, float]],
    ends_mm: tuple[float, float],
) -> tuple[Particle, ...]:
    """Droplets thrown out along the bead: density falls off with distance from the toe.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    bead, look : Bead, Look
        Where and how much.
    reach_mm : dict
        Lowest and highest `across` of each plate. [mm]
    ends_mm : tuple of float
        Left and right edge of the plates. [mm]
    """  # fmt: skip
    particles: list[Particle] = []
    n = int(rng.poisson(look.n_spatter_per_100mm * bead.length_mm / 100.0))
    bursts = rng.uniform(0.0, bead.length_mm, 1 + n // 12)
    n_crumbs = int(rng.poisson(120.0 * look.slag_share * bead.length_mm / 100.0))
    for k in range(n + n_crumbs):
        crumb = k >= n
        if rng.random() < 0.35:
            source = float(rng.choice(bursts) + rng.normal(0.0, 2.0))
        else:
            source = float(rng.uniform(-2.0, bead.length_mm + 2.0))
        side = int(rng.random() < (0.45 if bead.joint == "tee" else 0.5))
        name = SIDES[bead.joint][side]
        plate = name if bead.joint == "tee" else "plate"
        away = float(rng.exponential(look.spatter_reach_mm * (0.35 if crumb else 1.0)))
        at = float(source + rng.normal(0.0, 0.5 * away + 0.5))
        toe = float(np.interp(at, bead.along_mm, np.abs(bead.across_mm[side]), left=0.5, right=0.5))
        size = float(np.clip(rng.lognormal(np.log(look.spatter_median_mm), look.spatter_sigma), 0.15, 4.0))
        size *= 0.7 if crumb else 1.0
        across = toe + 0.62 * size + 0.15 + away
        across = -across if name == "right" else across
        low, high = reach_mm[plate]
        if not (low + size < across < high - size and ends_mm[0] + size < at < ends_mm[1] - size):
            continue
        if any(p.plate == plate and np.hypot(p.along_mm - at, p.across_mm - across)
               < 0.55 * (p.diameter_mm + size) for p in particles):  # fmt: skip
            continue
        tailed = not crumb and size > 0.5 and rng.random() < 0.13
        outward = float(np.degrees(np.arctan2(across, at - source))) if tailed else float(rng.uniform(0, 180))
        particles.append(
            Particle(
                "slag crumb" if crumb else "spatter", plate, at, across, size,
                float(rng.uniform(35.0, 80.0) if crumb or tailed else rng.uniform(60.0, 130.0)),
                float(1.0 + abs(rng.normal(0.0, 0.12 if not tailed else 0.25))), outward,
                float(rng.uniform(0.8, 2.2)) if tailed else 0.0, int(rng.integers(2**31)),
            )
        )  # fmt: skip
    return tuple(particles)


_KINDS: dict[str, tuple[float, float, float]] = {  # mean number, smallest and largest size
    "pit": (5.0, 0.3, 1.6),
    "rust speck": (9.0, 0.3, 2.2),
    "paint dot": (2.0, 0.5, 2.5),
    "water mark": (1.0, 4.0, 14.0),
    "scratch": (6.0, 5.0, 40.0),
    "fibre": (1.2, 3.0, 9.0),
    "punch mark": (0.5, 1.0, 2.0),
    "paint stroke": (0.5, 10.0, 30.0),
    "chalk stroke": (0.4, 10.0, 35.0),
}


def make_distractors(
    rng: np.random.Generator,
    bead: Bead,
    reach_mm: dict[str, tuple[float, float]],
    ends_mm: tuple[float, float],
    amount: float,
) -> tuple[Distractor, ...]:
    """Marks and dirt clear of the bead; `amount` scales all numbers."""  # fmt: skip
    found: list[Distractor] = []
    for plate, (low, high) in reach_mm.items():
        for kind, (mean, small, large) in _KINDS.items():
            for _ in range(int(rng.poisson(mean * amount / len(reach_mm)))):
                size = float(np.exp(rng.uniform(np.log(small), np.log(large))))
                at = float(rng.uniform(ends_mm[0] + 1.0, ends_mm[1] - 1.0))
                across = float(rng.uniform(low + 1.0, high - 1.0))
                side = 1 if across > 0.0 and bead.joint != "tee" else 0
                side = 1 if plate == "standing" else side
                toe = float(np.interp(at, bead.along_mm, np.abs(bead.across_mm[side])))
                inside = -3.0 < at < bead.length_mm + 3.0
                if inside and abs(across) < toe + 1.0 + (0.6 * size if size < 4.0 else 0.55 * size + 1.0):
                    continue
                found.append(Distractor(kind, plate, at, across, size, float(rng.uniform(0, 180)), int(rng.integers(2**31))))
    return tuple(found)


def make_arc_strikes(
    rng: np.random.Generator,
    bead: Bead,
    reach_mm: dict[str, tuple[float, float]],
    ends_mm: tuple[float, float],
    n: int,
) -> tuple[Distractor, ...]:
    """Places where the arc touched the plate beside the joint: a short melted trail."""
    found = []
    for _ in range(n):
        plate = str(rng.choice(list(reach_mm)))
        low, high = reach_mm[plate]
        at = float(rng.uniform(ends_mm[0] + 8.0, ends_mm[1] - 8.0))
        flat = bead.joint != "tee"
        up = plate == "standing" or (flat and rng.random() < 0.5)
        toe = float(np.interp(at, bead.along_mm, np.abs(bead.across_mm[1 if up else 0])))
        away = toe + 5.0 + float(rng.exponential(9.0))
        across = -away if flat and not up else away
        size = float(np.exp(rng.uniform(np.log(2.5), np.log(9.0))))
        if low + 2.0 < across < high - 2.0:
            found.append(
                Distractor("arc strike", plate, at, across, size, float(rng.normal(0.0, 25.0)), int(rng.integers(2**31)))
            )
    return tuple(found)


def particle_mesh(particle: Particle, *, n_round: int = 28, n_rings: int = 9) -> tuple[Array, NDArray[np.int64]]:
    """Points (plate frame [mm], shape (n, 3)) and triangles of one particle.

    A spherical cap of the asked contact angle on an irregular, stretched, perhaps tailed outline. The outline's
    greatest breadth (at the equator when it overhangs) has the area of a circle of `diameter_mm`.
    """
    rng = np.random.default_rng(particle.seed)
    round_ = np.linspace(0.0, 2.0 * np.pi, n_round, endpoint=False)
    wild = 0.05 if particle.kind == "spatter" else 0.16
    outline = np.ones(n_round)
    for k in range(2, 6):
        outline += wild / (k - 1) * rng.normal() * np.cos(k * round_ + rng.uniform(0, 6.28))
    outline = np.clip(outline, 0.55, 1.5)
    x, y = outline * np.cos(round_), outline * np.sin(round_)
    x = x * np.sqrt(particle.stretch_ratio)
    y = y / np.sqrt(particle.stretch_ratio)
    if particle.tail_ratio > 0.0:
        forward = np.clip(x, 0.0, None) / max(x.max(), 1e-6)
        y = y * (1.0 - 0.75 * forward**0.8)
        x = x + 2.0 * particle.tail_ratio * forward**1.6
    # an equal-area circle of the asked diameter
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    k = 0.5 * particle.diameter_mm / np.sqrt(area / np.pi)
    theta = radians(particle.contact_deg)
    polar = np.linspace(theta, 0.0, n_rings)  # from the foot to the top
    widest = 1.0 if theta > np.pi / 2 else np.sin(theta)
    ring = np.sin(polar) / widest
    radius_mm = 0.5 * particle.diameter_mm / widest
    lift = radius_mm * (np.cos(polar) - np.cos(theta))
    if particle.tail_ratio > 0.0:
        lift = lift * 0.8
    px = k * ring[:, None] * x[None, :]
    py = k * ring[:, None] * y[None, :]
    pz = np.broadcast_to(lift[:, None], px.shape).copy()
    if particle.tail_ratio > 0.0:
        pz *= 1.0 - 0.6 * np.clip(px / max(px.max(), 1e-6), 0.0, 1.0)
    pz += 0.012 * particle.diameter_mm * rng.normal(size=px.shape) * (ring[:, None] < 0.97) * (ring[:, None] > 0.05)
    if particle.kind != "spatter":
        pz *= rng.uniform(0.6, 1.3, size=(1, n_round)) ** (ring[:, None] > 0.05)
    c, s = np.cos(radians(particle.turn_deg)), np.sin(radians(particle.turn_deg))
    points = np.stack([particle.along_mm + c * px - s * py, particle.across_mm + s * px + c * py, pz - 0.02], axis=-1).reshape(
        -1, 3
    )
    i, j = np.meshgrid(np.arange(n_rings - 1), np.arange(n_round), indexing="ij")
    a, b = i * n_round + j, i * n_round + (j + 1) % n_round
    faces = np.concatenate(
        [
            np.stack([a, b, b + n_round], -1).reshape(-1, 3),
            np.stack([a, b + n_round, a + n_round], -1).reshape(-1, 3),
        ]
    )
    return points, faces
