"""What a photo would give of a made-up coupon, from its geometry alone: no picture, so hundreds take seconds.

Lengths carry the errors that inspections of rendered photos showed; droplets are found by size; signs on the surface are found as often
as the network finds them, undercut and rolled toes never, and one look in fifty sees one that isn't there.
"""

from __future__ import annotations

from math import cos, exp, radians, sqrt

import numpy as np
from numpy.typing import NDArray
from sample_images.scene.coupon import Coupon as Made

from toeline.measure.result import BeadSize, Stations
from toeline.quantity import Measured
from toeline.spatter.result import Interval, Particle, Spatter
from toeline.surface.result import SurfaceSign

Array = NDArray[np.float64]

STEP_MM = 0.5
FOUND = {"pores": 0.85, "crater unfilled": 0.6, "dull face": 0.75, "soot": 0.85, "ripple pointed": 0.5}
STRAY = 0.02

__all__ = ["measured"]


def measured(made: Made, rng: np.random.Generator) -> tuple[BeadSize, tuple[SurfaceSign, ...], Spatter]:
    """Size, surface signs and spatter as an inspection would tell them."""
    return _size(made, rng), _signs(made, rng), _spatter(made, rng)


def _size(made: Made, rng: np.random.Generator) -> BeadSize:
    bead = made.bead
    along = np.arange(0.0, bead.length_mm, STEP_MM)
    toes = [np.interp(along, bead.along_mm, across) for across in bead.across_mm]
    steady = np.any([(along >= p.from_mm) & (along <= p.to_mm) for p in bead.parts if p.kind == "steady"], axis=0)
    measures: dict[str, Measured] = {}
    if made.joint == "tee":
        scale = rng.normal(1.0, 0.012)
        for name, toe in zip(("leg_base_mean_mm", "leg_standing_mean_mm"), toes, strict=True):
            measures[name] = Measured(float(toe[steady].mean() * scale + rng.normal(0.0, 0.12)), 0.18)
        width = np.sqrt(toes[0] ** 2 + toes[1] ** 2 - 2 * toes[0] * toes[1] * cos(radians(made.plate_angle_deg)))
        middle = (toes[1] - toes[0]) / 2
    else:
        width = toes[1] - toes[0]
        middle = (toes[0] + toes[1]) / 2
    measures["width_mean_mm"] = Measured(float(width[steady].mean() + rng.normal(0.0, 0.15)), 0.2)
    spread = sqrt(max(0.0, float(_smooth(width, 1.5)[steady].var()) + 0.15 * rng.normal(0.0, 0.15)))
    measures["width_sd_mm"] = Measured(spread, 0.1 * spread + 0.02)
    x = along[steady]
    off = middle[steady] - np.polyval(np.polyfit(x, middle[steady], 1), x)
    measures["wander_mm"] = Measured(float(_smooth(off, 5.0).std()), 0.04)
    slope = float(np.polyfit(x, width[steady], 1)[0])
    measures["width_drift_ratio"] = Measured(slope * float(x[-1] - x[0]) / float(width[steady].mean()), 0.05)
    empty = np.empty(0)
    return BeadSize(Stations(*([empty] * 7)), measures, np.empty(0, dtype=bool))


def _smooth(line: Array, sd_mm: float) -> Array:
    n = int(3 * sd_mm / STEP_MM)
    kernel = np.exp(-0.5 * (np.arange(-n, n + 1) * STEP_MM / sd_mm) ** 2)
    return np.asarray(np.convolve(np.pad(line, n, "edge"), kernel / kernel.sum(), "valid"))


def _spatter(made: Made, rng: np.random.Generator) -> Spatter:
    seen = tuple(
        Particle(0.0, 0.0, p.plate, p.along_mm, p.across_mm, p.diameter_mm, 0.05, 1.0, 5.0, 0.95)
        for p in made.particles
        if p.kind == "spatter" and rng.random() < 0.68 / (1 + exp(-(p.diameter_mm - 0.55) / 0.1))
    )
    area = 0.8 * sum((b.along_mm[1] - b.along_mm[0]) * (b.across_mm[1] - b.across_mm[0]) for b in made.bodies) / 100
    n, reach = len(seen), sqrt(len(seen) + 1)
    return Spatter(seen, area, Interval(n / area, max(0.0, n - reach) / area, (n + reach + 1) / area), ())


def _signs(made: Made, rng: np.random.Generator) -> tuple[SurfaceSign, ...]:
    defects, look = made.bead.defects, made.look
    shows = {
        "pores": any(d.kind == "pore" for d in defects),
        "crater unfilled": any(d.kind == "crater" and (d.depth_mm or 0.0) > 0.8 for d in defects),
        "dull face": look.dull_ratio > 0.5,
        "soot": look.soot_ratio > 0.5,
        "ripple pointed": look.ripple_sweep_ratio * (1.0 + 1.2 * (1.9 - look.ripple_power)) > 1.2,
    }
    told = [name for name, there in shows.items() if rng.random() < (FOUND[name] if there else STRAY)]
    return tuple(SurfaceSign(name, float(rng.uniform(0.55, 0.85)), 20.0, 4.0) for name in told)
