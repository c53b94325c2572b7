"""Rendered plates laid flat, with their droplets: what the spatter network is trained and tested on besides made-up plates.

`python -m training.views FOLDER --first 300000 --n 60` renders coupons close up and writes, for each plate, `SEED-PLATE.png`, its mask of
plate that can be seen and a JSON with the droplets. Needs the extra `render`.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene.coupon import make_coupon
from sample_images.scene.phone import develop
from sample_images.scene.render import render
from sample_images.scene.truth import class_mask, truth

WEARING = (1, 3, 4)  # classes that plate in view can show: plate, spatter, slag
CLEAR_OF_WELD_MM = 0.3
SMALLEST_MM = 0.3


def close_choices(seed: int) -> dict[str, Any]:
    """Close framing: 9 to 20 px a mm, plenty of dirt."""
    rng = np.random.default_rng([seed, 77])
    px_per_mm = float(np.exp(rng.uniform(np.log(9.0), np.log(20.0))))
    focal_35mm = float(rng.choice([24.0, 26.0, 48.0, 52.0]))
    width, height = 960, 720
    return {
        "width_px": width,
        "height_px": height,
        "focal_35mm_mm": focal_35mm,
        "distance_mm": float(max(70.0, focal_35mm / 43.2666 * np.hypot(width, height) / px_per_mm)),
        "target_along_ratio": float(rng.uniform(0.15, 0.85)),
        "distractor_ratio": float(rng.gamma(2.0, 1.0)),
        "step_mm": 0.16,
        "hard": str(rng.choice(["glare", "low light", "bright ground plate"])) if rng.random() < 0.15 else None,
        "pitch_deg": float(np.clip(rng.normal(0.0, 11.0), -28.0, 28.0)),
        "yaw_deg": float(np.clip(rng.normal(0.0, 9.0), -24.0, 24.0)),
        "roll_deg": float(np.clip(rng.normal(0.0, 8.0), -25.0, 25.0)),
        "n_strips": 0,
    }


def make_views(folder: Path, seed: int, *, spp: int = 36, variant: str = "cuda_ad_rgb,llvm_ad_rgb") -> int:
    """Render one coupon and write a flat view of each plate; returns how many droplets they show."""
    coupon = make_coupon(seed, **close_choices(seed))
    scale = coupon.camera.focal_px / coupon.distance_mm
    light, hits, assembly = render(coupon, spp=spp, variant=variant, px_per_mm=min(18.0, 1.25 * scale), mesh_step_mm=0.16)
    rgb, classes = develop(light, coupon), class_mask(coupon, hits, assembly)
    known = truth(coupon, hits, assembly)
    n = 0
    for body in coupon.bodies:
        view = flat_view(coupon, body.name, rgb, classes, scale)
        if view is None:
            continue
        picture, mask, at = view
        droplets, careless = [], []
        for p in known["particles"]:
            if p["plate"] != body.name:
                continue
            x, y = at(p["along_mm"], p["across_mm"])
            row = [round(x, 2), round(y, 2), round(p["diameter_mm"] * scale, 2)]
            counts = p["kind"] == "spatter" and p["visible"] and p["diameter_mm"] >= SMALLEST_MM
            if counts:
                droplets.append(row)
            elif p["kind"] == "spatter":
                careless.append(row)
        stem = folder / f"{seed}-{body.name}"
        cv2.imwrite(str(stem.with_suffix(".png")), picture[..., ::-1])
        cv2.imwrite(str(stem.with_suffix(".mask.png")), mask.astype(np.uint8) * 255)
        told = {
            "droplets": droplets,
            "careless": careless,
            "smallest_px": round(SMALLEST_MM * scale, 3),
            "process": coupon.process,
        }
        stem.with_suffix(".json").write_text(json.dumps(told), encoding="utf-8")
        n += len(droplets)
    return n


def flat_view(coupon: Any, plate: str, rgb: NDArray[np.uint8], classes: NDArray[np.uint8], px_per_mm: float) -> Any:
    """One plate seen from above: picture, mask, and the way from plate to view; None where the photo hardly shows it."""
    pose, camera = coupon.poses[plate], coupon.camera
    body = next(b for b in coupon.bodies if b.name == plate)
    grid = np.stack(np.meshgrid(np.linspace(*body.along_mm, 120), np.linspace(*body.across_mm, 120)), axis=-1).reshape(-1, 2)
    seen = camera.contains(camera.project(pose.to_camera(np.column_stack([grid, np.zeros(len(grid))]))))
    if seen.sum() < 30:
        return None
    (left, low), (right, high) = grid[seen].min(axis=0), grid[seen].max(axis=0)
    up = -1.0 if plate == "base" else 1.0
    top = -low if up < 0 else high
    width, height = int((right - left) * px_per_mm), int((high - low) * px_per_mm)
    if min(width, height) < 80:
        return None
    along = left + (np.arange(width) + 0.5) / px_per_mm
    across = up * (top - (np.arange(height) + 0.5) / px_per_mm)
    points = np.stack([*np.meshgrid(along, across), np.zeros((height, width))], axis=-1)
    places = camera.project(pose.to_camera(points.reshape(-1, 3))).reshape(height, width, 2).astype(np.float32)
    picture = cv2.remap(rgb, places, None, cv2.INTER_CUBIC)
    shown = cv2.remap(classes, places, None, cv2.INTER_NEAREST, borderValue=0)
    inside = camera.contains(places.reshape(-1, 2)).reshape(height, width)
    reach = int(CLEAR_OF_WELD_MM * px_per_mm)
    weld = cv2.dilate((shown == 2).astype(np.uint8), np.ones((2 * reach + 1,) * 2, np.uint8)) > 0
    toes = [np.interp(along, coupon.bead.along_mm, coupon.bead.across_mm[side], left=0.0, right=0.0) for side in (0, 1)]
    if len(coupon.bodies) > 1:
        side = [b.name for b in coupon.bodies].index(plate)
        weld |= across[:, None] < np.abs(toes[side])[None] + CLEAR_OF_WELD_MM
    else:
        low, high = np.minimum(*toes)[None] - CLEAR_OF_WELD_MM, np.maximum(*toes)[None] + CLEAR_OF_WELD_MM
        weld |= (across[:, None] > low) & (across[:, None] < high) & (np.ptp(toes, axis=0) > 0)[None]
    mask = np.isin(shown, WEARING) & inside & ~weld
    mask = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0

    def at(along_mm: float, across_mm: float) -> tuple[float, float]:
        return (along_mm - left) * px_per_mm - 0.5, (top - up * across_mm) * px_per_mm - 0.5

    return picture, mask, at


def main() -> None:
    """Render views one after another."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=300_000)
    parser.add_argument("--n", type=int, default=60)
    parser.add_argument("--spp", type=int, default=36)
    parser.add_argument("--variant", default="cuda_ad_rgb,llvm_ad_rgb")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for seed in range(asked.first, asked.first + asked.n):
        print(seed, make_views(asked.folder, seed, spp=asked.spp, variant=asked.variant), "droplets", flush=True)


if __name__ == "__main__":
    main()
