"""Close pictures of plates strewn with droplets, crumbs and dirt: one teaches as much about spatter as ten usual coupons.

Half are thick with droplets; on the other half what may be taken for them outnumbers them, as on plates of a quiet process.
Some plates are wet with drops of water, and some pictures are taken in a hard low sun.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from sample_images.scene.bead import SIDES
from sample_images.scene.coupon import Coupon, fits_under, make_coupon, under_strip
from sample_images.scene.geometry import PAIRS, plate_axes
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
WET_SHARE, SUNNY_SHARE = 0.2, 0.23
"""How many plates are wet; how many pictures are taken in the sun, of those that nothing else makes hard."""
WATER_MM = (0.4, 3.0)
"""Smallest and largest drop of water [mm]."""
RUNS_SHARE = 0.45
"""Of wet pictures, how many show drops that a run of water left behind it, in rows."""


def strewn_choices(seed: int) -> dict[str, Any]:
    """How a strewn picture is framed: 7.5 to 26 px a mm, as photos of whole coupons have them; plenty of dirt."""
    rng = np.random.default_rng([seed, 97])
    px_per_mm = float(np.exp(rng.uniform(np.log(7.5), np.log(26.0))))
    focal_35mm = float(np.exp(rng.uniform(np.log(max(45.0, 3.7 * px_per_mm)), np.log(130.0))))
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
    coupon = replace(
        coupon,
        particles=tuple(p for p in particles if fits_under(p, coupon.placements)),
        distractors=(*coupon.distractors, *_specks(rng, coupon)),
    )
    rng = np.random.default_rng([seed, 95])
    wet, sunny = rng.random(2) < (WET_SHARE, SUNNY_SHARE)
    light = coupon.light
    if sunny and coupon.hard is None:
        light = light | _sun(rng, coupon)
    elif wet and rng.random() < 0.8:  # a lamp or window to shine through the drops
        strong, rest = np.exp(rng.uniform(np.log((8.0, 1.2)), np.log((32.0, 4.0))))
        light = light | {"near_ratio": float(strong), "around_ratio": float(rest), "flash": False}
    drops = _drops(rng, coupon) if wet else []
    return replace(coupon, light=light, distractors=(*coupon.distractors, *drops))


def wetted(coupon: Coupon) -> Coupon:
    """The same coupon with drops of water on its plates."""
    rng = np.random.default_rng([coupon.seed, 94])
    return replace(coupon, distractors=(*coupon.distractors, *_drops(rng, coupon)))


def _sun(rng: np.random.Generator, coupon: Coupon) -> dict[str, Any]:
    """A low sun over one plate, on the open side of a tee, and little light from elsewhere: shadows are long, sharp and dark."""
    axes = plate_axes(coupon.joint, coupon.plate_angle_deg)
    plate = axes[str(rng.choice(list(axes)))]
    rise = float(np.radians(rng.uniform(12.0, 40.0)))
    turn = float(np.radians(rng.uniform(20.0, 160.0) if len(axes) > 1 else rng.uniform(0.0, 360.0)))
    way = plate @ np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
    half = float(np.exp(rng.uniform(np.log(0.5), np.log(3.0))))
    away = 4000.0
    return {
        "kind": str(rng.choice(["overcast", "window"])),
        "around_ratio": float(np.exp(rng.uniform(np.log(0.8), np.log(4.8)))),
        "near_away_mm": away,
        "near_azimuth_deg": float(np.degrees(np.arctan2(way[1], way[0]))),
        "near_elevation_deg": float(np.degrees(np.arcsin(way[2]))),
        "near_size_mm": float(2.0 * away * np.tan(np.radians(half))),
        "near_ratio": float(rng.uniform(32.0, 64.0)),
        "flash": False,
    }


def _drops(rng: np.random.Generator, coupon: Coupon) -> list[Distractor]:
    """Drops of water all over the picture, about one place of it or in rows, clear of the bead, the droplets, the strips and each other."""
    camera = coupon.camera
    n = int(np.exp(rng.uniform(np.log(200.0), np.log(1000.0))))
    middle_px = rng.uniform(0.1, 0.9, 2) * (camera.width_px, camera.height_px)
    spread_px = camera.width_px * float(np.exp(rng.uniform(np.log(0.08), np.log(0.5))))
    size_mm, wide = float(np.exp(rng.uniform(np.log(0.6), np.log(1.8)))), float(rng.uniform(0.2, 0.5))
    runs = rng.random() < RUNS_SHARE
    ends_px = rng.uniform(0.05, 0.95, (int(rng.integers(1, 5)), 1, 2)) * (camera.width_px, camera.height_px)
    fall = rng.normal(0.0, 1.0, 2)
    ends_px = ends_px + np.array([[-0.5], [0.5]]) * spread_px * 2.0 * fall / np.linalg.norm(fall)
    waver_px = float(np.exp(rng.uniform(np.log(0.5), np.log(12.0))))
    taken = {
        body.name: [(p.along_mm, p.across_mm, p.diameter_mm) for p in coupon.particles if p.plate == body.name]
        for body in coupon.bodies
    }
    found = []
    for _ in range(n):
        body = coupon.bodies[int(rng.integers(len(coupon.bodies)))]
        size = float(np.clip(size_mm * np.exp(wide * rng.normal()), *WATER_MM))
        (left, right), (low, high) = body.along_mm, body.across_mm
        if runs:
            start, end = ends_px[int(rng.integers(len(ends_px)))]
            px = start + rng.random() * (end - start) + waver_px * rng.normal(size=2)
        else:
            px = middle_px + spread_px * rng.normal(size=2)
        at, across = (float(value) for value in coupon.poses[body.name].meet(camera.normalised(px)))
        seed = int(rng.integers(2**31))
        side = SIDES[coupon.joint].index(body.name) if len(coupon.bodies) > 1 else int(across > 0.0)
        toe = float(np.interp(at, coupon.bead.along_mm, np.abs(coupon.bead.across_mm[side])))
        inside = camera.contains(px) and left + size < at < right - size and low + size < across < high - size
        if (
            not inside
            or abs(across) < toe + size
            or any(under_strip(p, at, across, size) for p in coupon.placements if p.plate == body.name)
        ):
            continue
        others = np.array(taken[body.name]).reshape(-1, 3)
        if np.any(np.hypot(others[:, 0] - at, others[:, 1] - across) < 0.55 * (others[:, 2] + size)):
            continue
        taken[body.name].append((at, across, size))
        found.append(Distractor("water drop", body.name, at, across, size, 0.0, seed))
    return found


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
            side = sides.index(body.name) if body.name in sides else int(across > 0.0)
            toe = float(np.interp(at, coupon.bead.along_mm, np.abs(coupon.bead.across_mm[side])))
            if abs(across) > toe + 0.6 * size + 0.3:
                found.append(
                    Distractor(str(kind), body.name, at, across, size, float(rng.uniform(0, 180)), int(rng.integers(2**31)))
                )
    return found
