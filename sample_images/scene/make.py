"""Make sample photos, evaluation photos and training pictures: `python -m sample_images.scene --help`."""

from __future__ import annotations

import argparse
import io
import json
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from sample_images.scene.coupon import Coupon, make_coupon
from sample_images.scene.phone import develop, write_photo
from sample_images.scene.shipped import (
    EVALUATION_FIRST_SEED,
    N_POSES,
    PAIRS_FIRST_SEED,
    POSES_FIRST_SEED,
    SHIPPED,
    SHOTS,
    STREWN_FIRST_SEED,
    TRAINING_FIRST_SEED,
    TURNED,
    evaluation_choices,
    pair_choices,
    pose_choices,
    shipped_choices,
)

Bytes = np.ndarray[Any, np.dtype[np.uint8]]

_gate: Any = None  # set in worker processes
RELIEF_PX = (3072, 1280)
PALETTE = (20, 20, 20, 90, 100, 110, 230, 170, 60, 220, 60, 60, 120, 70, 40, 240, 240, 240)


def write_mask(path: Path, mask: Bytes) -> None:
    """Write class numbers as a palette PNG."""
    image = Image.fromarray(mask, mode="P")
    image.putpalette(PALETTE)
    image.save(path, optimize=True)


def make_photo(folder: Path, name: str, coupon: Coupon, spp: int, variant: str, quality: int | None) -> str:
    """Render one photo and write it with its truth and mask; returns what it took."""
    from sample_images.scene.render import render
    from sample_images.scene.truth import class_mask, truth

    start = time.perf_counter()
    if quality is not None:
        coupon = replace(coupon, phone=replace(coupon.phone, quality=quality))
    scale = coupon.camera.focal_px / coupon.distance_mm
    light, hits, assembly = render(
        coupon,
        spp=spp,
        variant=variant,
        px_per_mm=min(18.0, max(9.0, 1.25 * scale)),
        relief_px=RELIEF_PX,
        gate=_gate,
    )
    stem = name.rsplit(".", 1)[0]
    write_photo(folder / name, develop(light, coupon), coupon)
    known = truth(coupon, hits, assembly) | {"photo": name}
    (folder / f"{stem}.truth.json").write_text(json.dumps(known, separators=(",", ":")))
    write_mask(folder / f"{stem}.mask.png", class_mask(coupon, hits, assembly))
    return f"{name}: {time.perf_counter() - start:.1f} s"


def _sample(job: tuple[Path, int, int, str]) -> str:
    folder, number, spp, variant = job
    name, seed, given = SHIPPED[number]
    coupon = make_coupon(seed, **shipped_choices(name, given))
    if name == TURNED and coupon.exif is not None:
        coupon = replace(coupon, exif=coupon.exif | {"orientation": 6})
    return make_photo(folder, name, coupon, spp, variant, 93)


def _evaluation(job: tuple[Path, int, int, str]) -> str:
    folder, number, spp, variant = job
    coupon = make_coupon(EVALUATION_FIRST_SEED + number, **evaluation_choices(number))
    return make_photo(folder, f"coupon-{number:03d}.jpg", coupon, spp, variant, 91)


def _fine_coupon(number: int) -> Coupon:
    """An evaluation coupon as a phone's 12 megapixels show it."""
    return make_coupon(EVALUATION_FIRST_SEED + number, **(evaluation_choices(number) | {"width_px": 4000, "height_px": 3000}))


def _fine(job: tuple[Path, int, int, str]) -> str:
    folder, number, spp, variant = job
    return make_photo(folder, f"coupon-{number:03d}.jpg", _fine_coupon(number), spp, variant, 91)


def _wet(job: tuple[Path, int, int, str]) -> str:
    """A fine coupon with drops of water on its plates."""
    from sample_images.scene.strewn import wetted

    folder, number, spp, variant = job
    return make_photo(folder, f"coupon-{number:03d}.jpg", wetted(_fine_coupon(number)), spp, variant, 91)


def _poses(job: tuple[Path, int, int, str]) -> str:
    """Photo `number % 5` of coupon `number // 5`: the same strips on the same coupon, another view."""
    folder, number, spp, variant = job
    coupon, pose = divmod(number, N_POSES)
    made = make_coupon(POSES_FIRST_SEED + coupon, **pose_choices(coupon, pose))
    return make_photo(folder, f"coupon-{coupon:02d}-{pose}.jpg", made, spp, variant, 91)


def _pairs(job: tuple[Path, int, int, str]) -> str:
    """Photo `number % 3` of coupon `number // 3`: as welded, strips moved, before the bead."""
    folder, number, spp, variant = job
    coupon, shot = divmod(number, len(SHOTS))
    made = make_coupon(PAIRS_FIRST_SEED + coupon, **pair_choices(coupon, SHOTS[shot]))
    return make_photo(folder, f"coupon-{coupon:02d}{SHOTS[shot]}.jpg", made, spp, variant, 91)


def _training(job: tuple[Path, int, int, str]) -> str:
    from sample_images.scene.training import training_coupon, training_picture

    folder, seed, spp, variant = job
    start = time.perf_counter()
    _write_classed(folder, seed, *training_picture(training_coupon(seed), spp=spp, variant=variant, gate=_gate))
    return f"{seed}: {time.perf_counter() - start:.2f} s"


def _strewn(job: tuple[Path, int, int, str]) -> str:
    from sample_images.scene.strewn import RELIEF_PX as relief_px
    from sample_images.scene.strewn import strewn_coupon
    from sample_images.scene.training import training_picture

    folder, seed, spp, variant = job
    start = time.perf_counter()
    coupon = strewn_coupon(seed)
    picture = training_picture(coupon, relief_px=relief_px, finest_px_per_mm=26.0, spp=spp, variant=variant, gate=_gate)
    _write_classed(folder, seed, *picture)
    return f"{seed}: {time.perf_counter() - start:.2f} s"


def _write_classed(folder: Path, seed: int, rgb: Bytes, classes: Bytes, signs: Bytes, meta: dict[str, Any]) -> None:
    """A picture as JPEG with every pixel's class and signs, and its truth, beside it."""
    jpeg = io.BytesIO()
    quality = int(np.random.default_rng([seed, 4]).integers(70, 97))
    Image.fromarray(rgb).save(jpeg, "JPEG", quality=quality)
    (folder / f"{seed}.jpg").write_bytes(jpeg.getvalue())
    write_mask(folder / f"{seed}.png", classes)
    Image.fromarray(signs).save(folder / f"{seed}-signs.png", optimize=True)
    (folder / f"{seed}.json").write_text(json.dumps(meta, separators=(",", ":")))


def main() -> None:
    """Read the command line and make the pictures."""
    parser = argparse.ArgumentParser(prog="python -m sample_images.scene", description=__doc__)
    parser.add_argument(
        "what", choices=("samples", "evaluation", "fine", "wet", "poses", "pairs", "training", "strewn"), help="which set to make"
    )
    parser.add_argument("folder", type=Path, nargs="?", help="where to write (samples: where they belong; others: out/)")
    parser.add_argument(
        "--n",
        type=int,
        default=None,
        help="how many (all shipped, 60 evaluation, 20 fine or wet, 50 poses, 24 pairs, 100 training or strewn)",
    )
    parser.add_argument("--first", type=int, default=None, help="first number, or first seed to train on")
    parser.add_argument(
        "--spp", type=int, default=None, help="samples a pixel (48 samples, 16 evaluation, 12 fine or wet, 9 training, 16 strewn)"
    )
    parser.add_argument("--variant", default="cuda_ad_rgb,llvm_ad_rgb", help="Mitsuba variants to try")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--at-once", type=int, default=3, help="processes that may use Mitsuba at one time")
    parser.add_argument("--quiet", action="store_true", help="print the last line only")
    given = parser.parse_args()
    work, n, first, spp = {
        "samples": (_sample, len(SHIPPED), 0, 48),
        "evaluation": (_evaluation, 60, 0, 16),
        "fine": (_fine, 20, 0, 12),
        "wet": (_wet, 20, 0, 12),
        "poses": (_poses, 10 * N_POSES, 0, 16),
        "pairs": (_pairs, 8 * len(SHOTS), 0, 16),
        "training": (_training, 100, TRAINING_FIRST_SEED, 9),
        "strewn": (_strewn, 100, STREWN_FIRST_SEED, 16),
    }[given.what]
    first = first if given.first is None else given.first
    n = n if given.n is None else given.n
    if given.folder is None:
        given.folder = Path(__file__).parents[1] if given.what == "samples" else Path("out") / given.what
    given.folder.mkdir(parents=True, exist_ok=True)
    jobs = [(given.folder, k, given.spp or spp, given.variant) for k in range(first, first + n)]
    start = time.perf_counter()
    if given.workers == 1:
        for job in jobs:
            line = work(job)
            if not given.quiet:
                print(line, flush=True)
    else:
        os.environ.setdefault("OMP_NUM_THREADS", "1")
        context = get_context("spawn")
        gate = context.Semaphore(given.at_once)
        with ProcessPoolExecutor(given.workers, mp_context=context, initializer=_start, initargs=(gate,)) as pool:
            for line in pool.map(work, jobs):
                if not given.quiet:
                    print(line, flush=True)
    print(f"{len(jobs)} pictures in {time.perf_counter() - start:.1f} s")


def _start(gate: Any) -> None:
    """A worker's own set-up: one thread of OpenCV (the processes are the parallel part), the shared gate."""
    global _gate
    import cv2

    cv2.setNumThreads(1)
    _gate = gate
