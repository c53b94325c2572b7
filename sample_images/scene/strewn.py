"""Close pictures of plates strewn with droplets, crumbs and dirt: one teaches as much about spatter as ten usual coupons."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from sample_images.scene.coupon import Coupon, fits_under, make_coupon
from sample_images.scene.geometry import PAIRS
from sample_images.scene.spatter import make_particles

WIDTH_PX, HEIGHT_PX = 1024, 768
RELIEF_PX = (2304, 1280)


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
        "hard": hard,
        "step_mm": 0.16,
        "n_arc_strikes": int(rng.random() < 0.15),
        **({"n_strips": 0} if rng.random() < 0.6 else {"pair": PAIRS[1], "n_strips": 1}),
    }


def strewn_coupon(seed: int) -> Coupon:
    """The coupon of a strewn picture; the same seed gives the same coupon."""
    rng = np.random.default_rng([seed, 96])
    coupon = make_coupon(seed, **strewn_choices(seed))
    look = replace(
        coupon.look,
        n_spatter_per_100mm=float(np.exp(rng.uniform(np.log(130.0), np.log(1700.0)))),
        spatter_reach_mm=float(rng.uniform(8.0, 30.0)),
        slag_share=float(rng.uniform(0.0, 0.9)) * float(rng.random() < 0.7),
        spatter_median_mm=float(np.exp(rng.uniform(np.log(0.36), np.log(0.75)))),
    )
    reach = {body.name: body.across_mm for body in coupon.bodies}
    particles = make_particles(rng, coupon.bead, look, reach, coupon.bodies[0].along_mm)
    return replace(coupon, particles=tuple(p for p in particles if fits_under(p, coupon.placements)))
