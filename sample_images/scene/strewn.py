"""Close pictures of plates strewn with droplets, crumbs and dirt: one teaches as much about spatter as ten usual coupons.

Half are thick with droplets; on the other half what may be taken for them outnumbers them, as on plates of a quiet process.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from sample_images.scene.bead import SIDES
from sample_images.scene.coupon import Coupon, fits_under, make_coupon
from sample_images.scene.geometry import PAIRS
from sample_images.scene.spatter import Distractor, make_particles

WIDTH_PX, HEIGHT_PX = 1024, 768
RELIEF_PX = (2304, 1280)
SPECK_MM: dict[str, tuple[float, float]] = {
    "pit": (0.25, 1.2),
    "rust speck": (0.25, 1.2),
    "paint dot": (0.3, 1.5),
    "punch mark": (0.4, 1.4),
    "drying ring": (0.4, 2.5),
    "scale flake": (0.3, 1.6),
}
"""Smallest and largest size of what may be taken for droplets [mm]."""


def strewn_choices(seed: int) -> dict[str, Any]:
    """How a strewn picture is framed: 7.5 to 17 px a mm, as photos of whole coupons have them; plenty of dirt."""
    rng = np.random.default_rng([seed, 97])
    px_per_mm = float(np.exp(rng.uniform(np.log(7.5), np.log(17.0))))
    focal_35mm = float(np.exp(rng.uniform(np.log(45.0), np.log(130.0))))
    hard = str(rng.choice(["glare", "low light", "bright ground plate"])) if rng.random() < 0.12 else None
    return {
        "width_px": WIDTH_PX,
        "height_px": HEIGHT_PX,
        "focal_35mm_mm": focal_35mm,
        "distance_mm": float(max(110.0, focal_35mm / 43.2666 * np.hypot(WIDTH_PX, HEIGHT_PX) / px_per_mm)),
        "target_along_ratio": float(rng.uniform(0.2, 0.8)),
        "length_mm": float(rng.uniform(55.0, 105.0)),
        "distractor_ratio": float(rng.uniform(1.0, 6.0)),
        **({"finish": "bright ground"} if rng.random() < 0.1 else {}),
        "hard": hard,
        "step_mm": 0.16,
        "n_arc_strikes": int(rng.random() < 0.15),
        **({"n_strips": 0} if rng.random() < 0.6 else {"pair": PAIRS[1], "n_strips": 1}),
    }


def strewn_coupon(seed: int) -> Coupon:
    """The coupon of a strewn picture; the same seed gives the same coupon."""
    rng = np.random.default_rng([seed, 96])
    coupon = make_coupon(seed, **strewn_choices(seed))
    quiet = rng.random() < 0.5
    fewest, most = (8.0, 200.0) if quiet else (130.0, 1700.0)
    crumbs = float(rng.uniform(0.3, 4.0)) * float(rng.random() < 0.7) if quiet else float(rng.uniform(0.0, 1.5))
    look = replace(
        coupon.look,
        n_spatter_per_100mm=float(np.exp(rng.uniform(np.log(fewest), np.log(most)))),
        spatter_reach_mm=float(rng.uniform(8.0, 30.0)),
        slag_share=crumbs,
        spatter_median_mm=float(np.exp(rng.uniform(np.log(0.36), np.log(0.75)))),
    )
    reach = {body.name: body.across_mm for body in coupon.bodies}
    particles = make_particles(rng, coupon.bead, look, reach, coupon.bodies[0].along_mm)
    return replace(
        coupon,
        particles=tuple(p for p in particles if fits_under(p, coupon.placements)),
        distractors=(*coupon.distractors, *_specks(rng, coupon)),
    )


def _specks(rng: np.random.Generator, coupon: Coupon) -> list[Distractor]:
    """Small things of a droplet's size, a few kinds to a picture, up to the toe."""
    sides = SIDES[coupon.joint]
    found = []
    for kind in rng.choice(list(SPECK_MM), size=int(rng.integers(1, 4)), replace=False):
        small, large = SPECK_MM[str(kind)]
        for _ in range(int(np.exp(rng.uniform(np.log(6.0), np.log(150.0))))):
            body = coupon.bodies[int(rng.integers(len(coupon.bodies)))]
            (left, right), (low, high) = body.along_mm, body.across_mm
            size = float(np.exp(rng.uniform(np.log(small), np.log(large))))
            at, across = float(rng.uniform(left + 1.0, right - 1.0)), float(rng.uniform(low + 1.0, high - 1.0))
            side = sides.index(body.name) if body.name in sides else int(across < 0.0)
            toe = float(np.interp(at, coupon.bead.along_mm, np.abs(coupon.bead.across_mm[side])))
            if abs(across) > toe + 0.6 * size + 0.3:
                found.append(
                    Distractor(str(kind), body.name, at, across, size, float(rng.uniform(0, 180)), int(rng.integers(2**31)))
                )
    return found
