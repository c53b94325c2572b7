"""Pictures to learn droplets from, each with what is true of it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead import find_bead, look
from toeline.bead.view import plate_to_view, unfold
from toeline.coupon import Hints, Scaling
from toeline.errors import ToelineError
from toeline.photo import read_photo
from toeline.scale import find_scale
from toeline.scale.rays import to_plate_mm
from toeline.spatter.catalogue import see_plate
from training.hands import agreed, hands_of
from training.plates import plate_picture
from training.split import split_of

Array = NDArray[np.float64]
SMALLEST_MM = 0.3
SMALLEST_PX = 5.0
"""Diameter of the smallest droplet in pictures that peers are given; finer ones are shrunk [px]."""


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """A picture, where to look in it, its droplets (x, y, diameter [px]), and the narrowest that was marked [px]."""

    name: str
    rgb: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    droplets: Array
    smallest_px: float
    weight: float
    careless: Array
    """Things that may be taken for droplets or not, both right: (x, y, diameter [px])."""


def made_up(seeds: range) -> Iterator[Lesson]:
    """Plates of these seeds."""
    for seed in seeds:
        picture = plate_picture(seed)
        mask = np.zeros(picture.rgb.shape[:2], bool)
        mask[6:-6, 6:-6] = True
        yield Lesson(f"plate-{seed}", picture.rgb, mask, picture.droplets, SMALLEST_PX, 1.0, np.empty((0, 3)))


def marked(marks: Path, photos: Path, *, split: str, smallest_px: float = 6.0, n_hands: int = 2) -> Iterator[Lesson]:
    """Photos with marked droplets, of one split; as up to so many hands marked them."""
    for path in sorted(marks.glob("*.json")):
        told = json.loads(path.read_text(encoding="utf-8"))
        regions = [r for r in told.get("spatter", {}).get("complete_in", []) if r]
        if not regions or split_of(told["group"]) != split:
            continue
        rgb = cv2.cvtColor(cv2.imread(str(photos / told["photo"])), cv2.COLOR_BGR2RGB)
        cover = np.zeros(rgb.shape[:2], np.uint8)
        for region in regions:
            cv2.fillPoly(cover, [np.round(np.array(region) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        droplets, careless = agreed(hands_of(told)[:n_hands])
        yield Lesson(path.stem, rgb, cover > 0, droplets, smallest_px, 6.0, careless)


def shrunk(lesson: Lesson) -> tuple[NDArray[np.float32], NDArray[np.bool_], Array, Array]:
    """Picture, mask and droplets at the size at which peers work."""
    shrink = max(1.0, lesson.smallest_px / SMALLEST_PX)
    size = (round(lesson.rgb.shape[1] / shrink), round(lesson.rgb.shape[0] / shrink))
    rgb = cv2.resize(lesson.rgb, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    mask = cv2.resize(lesson.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    step = np.array([shrink, shrink, shrink])
    middle = np.array([0.5, 0.5, 0.0])
    return rgb, mask, (lesson.droplets + middle) / step - middle, (lesson.careless + middle) / step - middle


def nearest(x: Array, y: Array, droplets: Array) -> tuple[NDArray[np.intp], Array]:
    """Nearest droplet of each place, by distance over its diameter, and that distance."""
    if len(droplets) == 0:
        return np.zeros(len(x), dtype=np.intp), np.full(len(x), np.inf)
    gap = np.hypot(x[:, None] - droplets[:, 0], y[:, None] - droplets[:, 1]) / droplets[:, 2]
    which = gap.argmin(axis=1)
    return which, gap[np.arange(len(x)), which]


def coupons(folder: Path, n_most: int = 1000) -> Iterator[Lesson]:
    """Coupon views of photos with truth beside them, through the package's own scale, view and bead; refused ones are left out."""
    for path in sorted(folder.glob("*.truth.json"))[:n_most]:
        told = json.loads(path.read_text(encoding="utf-8"))
        try:
            photo = read_photo(folder / told["photo"], name=told["photo"])
            scale = find_scale(photo, joint=told["joint"], scaling=Scaling(strip_thickness_mm=0.1))
            view = unfold(photo, scale)
            evidence = look(view)
            bead = find_bead(view, scale, joint=told["joint"], travel=told["travel"], hints=Hints(), evidence=evidence)
        except ToelineError as error:
            print(f"{path.stem}: refused, {error.reason}")
            continue
        plate = see_plate(view, bead)
        size = (view.valid.shape[1], view.valid.shape[0])
        mask = cv2.resize(plate.seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        mask &= view.valid & ~view.strips
        droplets, excused = [], []
        for p in told["particles"]:
            at = to_plate_mm(scale, p["plate"], np.array([p["px"]]))
            if not np.isfinite(at).all() or p["kind"] != "spatter":
                continue
            x, y = plate_to_view(view, p["plate"], at)[0]
            row = (x, y, p["diameter_mm"] * view.px_per_mm)
            (droplets if p["visible"] and p["diameter_mm"] >= SMALLEST_MM else excused).append(row)
        rows = [np.array(r, dtype=float).reshape(-1, 3) for r in (droplets, excused)]
        smallest = SMALLEST_MM * view.px_per_mm
        yield Lesson(path.stem, view.image, mask, rows[0], smallest, 1.0, rows[1])
