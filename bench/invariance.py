"""Does a length stay when only the picture changes? `python -m bench.invariance [--folder sample_images] [--classical]`

The same photo turned by a quarter and by half, mirrored, 30 % darker, as JPEG of quality 60, at half and at twice its resolution: the mean
legs, or the mean width, may move by no more than their own claimed ± (k = 2). By the learned eye, or by the classical evidence alone, which
may refuse: a refusal claims nothing.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead import find_bead, look, unfold
from toeline.coupon import Coupon, Scaling
from toeline.demo import coupon_of, sample_truths
from toeline.errors import ToelineError
from toeline.measure import measure_bead
from toeline.photo import Photo, read_photo
from toeline.quantity import Measured
from toeline.scale import find_scale

Picture = NDArray[np.uint8]

CHANGES = ("turned 90°", "turned 180°", "mirrored", "darker", "jpeg 60", "half", "double")
KEYS = {"tee": ("leg_base_mean_mm", "leg_standing_mean_mm")}
WIDTH = ("width_mean_mm",)

__all__ = ["CHANGES", "Move", "changed", "lengths_mm", "moves"]


@dataclass(frozen=True, slots=True)
class Move:
    """By how much one length moved; NaN where the changed photo was refused [mm]."""

    photo: str
    change: str
    key: str
    value_mm: float
    moved_mm: float
    u_mm: float

    @property
    def refused(self) -> bool:
        return bool(np.isnan(self.moved_mm))

    @property
    def held(self) -> bool:
        return abs(self.moved_mm) <= 2 * self.u_mm


def changed(pixels: Picture, how: str) -> Picture:
    """The same picture, changed in one way."""
    if how.startswith("turned"):
        return np.ascontiguousarray(np.rot90(pixels, 1 if "90" in how else 2))
    if how == "mirrored":
        return np.ascontiguousarray(pixels[:, ::-1])
    if how == "darker":
        return np.asarray(np.round(pixels * 0.7), dtype=np.uint8)
    if how == "jpeg 60":
        code = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 60])[1]
        return np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR), dtype=np.uint8)
    factor, way = (0.5, cv2.INTER_AREA) if how == "half" else (2.0, cv2.INTER_CUBIC)
    return np.asarray(cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=way), dtype=np.uint8)


def lengths_mm(photo: Photo, coupon: Coupon, scaling: Scaling, *, classical: bool = False) -> Mapping[str, Measured]:
    """Mean legs or mean width of a photo, as the whole inspection gives them, or as it would by the classical evidence alone."""
    scale = find_scale(photo, joint=coupon.joint, scaling=scaling)
    view = unfold(photo, scale)
    bead = find_bead(view, scale, joint=coupon.joint, travel=coupon.travel, evidence=None if classical else look(view))
    measures = measure_bead(bead, scale, joint=coupon.joint).measures
    return {key: measures[key] for key in KEYS.get(coupon.joint, WIDTH)}


def moves(
    path: Path, coupon: Coupon, scaling: Scaling, changes: tuple[str, ...] = CHANGES, *, classical: bool = False
) -> list[Move]:
    """Every change of one photo; none where the photo itself is refused."""
    photo = read_photo(path)
    found: list[Move] = []
    try:
        before = lengths_mm(photo, coupon, scaling, classical=classical)
    except ToelineError:
        return found
    for how in changes:
        try:
            after = lengths_mm(replace(photo, pixels=changed(photo.pixels, how)), coupon, scaling, classical=classical)
        except ToelineError:
            found += [Move(path.name, how, key, float("nan"), float("nan"), was.u) for key, was in before.items()]
            continue
        found += [
            Move(path.name, how, key, was.value, after[key].value - was.value, max(was.u, after[key].u))
            for key, was in before.items()
        ]
    return found


def main() -> None:
    """Print every move, and the share that held."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--folder", type=Path, default=Path("sample_images"))
    ask.add_argument("--most", type=int)
    ask.add_argument("--classical", action="store_true", help="by the classical evidence alone")
    told = ask.parse_args()
    every: list[Move] = []
    for path, truth in sample_truths(told.folder)[: told.most]:
        every += moves(path, *coupon_of(truth), classical=told.classical)
    for move in every:
        line = f"{move.photo:26s} {move.change:12s} {move.key:22s} {move.moved_mm:+.3f} mm (u {move.u_mm:.3f})"
        print(line if move.held else f"{line}  {'REFUSED' if move.refused else 'MOVED'}")
    for how in CHANGES:
        these = [move for move in every if move.change == how and not move.refused]
        if not these:
            continue
        off = np.array([abs(move.moved_mm) for move in these])
        print(
            f"{how:12s} held {np.mean([move.held for move in these]):.0%} of {len(these)}, "
            f"moved {np.median(off):.3f} mm median, {np.max(off):.3f} mm at most"
        )


if __name__ == "__main__":
    main()
