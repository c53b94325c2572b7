"""Coupon photos strewn with droplets, crumbs and dirt, with truth beside them: `python -m training.coupons FOLDER --first 400000 --n 40`.

Like the evaluation photos in everything but how much lies on the plates: one picture teaches as much as twenty usual ones. Needs the
extra `render`.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np
from sample_images.scene.coupon import Coupon, fits_under, make_coupon
from sample_images.scene.make import make_photo
from sample_images.scene.shipped import evaluation_choices
from sample_images.scene.spatter import make_particles


def strewn(seed: int, *, width_px: int = 1200) -> Coupon:
    """A short coupon with many droplets; the same seed gives the same coupon."""
    rng = np.random.default_rng([seed, 5])
    choices = evaluation_choices(seed % 1000) | {
        "width_px": width_px,
        "height_px": width_px * 3 // 4,
        "distractor_ratio": float(rng.uniform(1.0, 4.0)),
        "length_mm": float(rng.uniform(45.0, 80.0)),
    }
    coupon = make_coupon(seed, **choices)
    look = replace(
        coupon.look,
        n_spatter_per_100mm=float(rng.uniform(500.0, 1400.0)),
        spatter_reach_mm=float(rng.uniform(12.0, 30.0)),
        slag_share=float(rng.uniform(0.0, 0.8)),
        spatter_median_mm=float(np.exp(rng.uniform(np.log(0.38), np.log(0.75)))),
    )
    reach = {body.name: body.across_mm for body in coupon.bodies}
    particles = make_particles(rng, coupon.bead, look, reach, coupon.bodies[0].along_mm)
    return replace(coupon, particles=tuple(p for p in particles if fits_under(p, coupon.placements)))


def main() -> None:
    """Render photos one after another."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=400_000)
    parser.add_argument("--n", type=int, default=40)
    parser.add_argument("--spp", type=int, default=20)
    parser.add_argument("--variant", default="cuda_ad_rgb,llvm_ad_rgb")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for seed in range(asked.first, asked.first + asked.n):
        quality = int(np.random.default_rng([seed, 6]).integers(80, 95))
        print(make_photo(asked.folder, f"strewn-{seed}.jpg", strewn(seed), asked.spp, asked.variant, quality), flush=True)


if __name__ == "__main__":
    main()
