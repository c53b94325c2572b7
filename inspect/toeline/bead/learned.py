"""The learned eye: a small network that tells weld metal, spatter, slag, strip and plate apart, pixel by pixel.

It looks twice: at the whole picture from afar, and closer at what surrounds the weld metal seen there, turned by half a turn, so that two
looks which err apart are averaged where it counts. How its weights came about is told in ``training/README.md``; they run in OpenCV's own
network engine, on any processor.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.evidence import Array32, Evidence, shrink
from toeline.bead.view import CouponView
from toeline.networks import run

CLASSES = ("other", "plate", "weld", "spatter", "slag", "strip")
LONG_SIDE_PX = 1024
"""Long side of the evidence [px]: about the resolution of the network's training pictures."""
WORK_PX = 800_000
"""Largest evidence [px]; bounds the time."""
AFAR_PX = 704
"""Long side of the whole picture as it is seen from afar [px]."""
CLOSER_PX = 600_000
"""Largest picture seen closer [px]; bounds the time of the second look."""
CLOSER_RATIO = 1.5
"""At most so much finer than the evidence is the second look [ratio]."""
AROUND_WIDTHS, AROUND_PX = 0.7, 24
"""Surroundings of the weld metal that the second look holds, in widths of the widest bead and at least so many px of the evidence."""
LESSER_SHARE = 0.15
"""Pieces of weld metal smaller than this share of the largest need no second look [ratio]."""
SEAM_PX = 16
"""Over so many px the second look fades into the first [px]."""
MULTIPLE_PX = 32

EYE = "bead/eye.onnx"
"""The weights it looks with."""

__all__ = ["CLASSES", "learned_evidence", "look"]


def look(view: CouponView) -> Evidence:
    """What the learned eye sees in a view, zero where the view shows no plate.

    Parameters
    ----------
    view : CouponView

    Returns
    -------
    Evidence
        ``weld`` is the probability of weld metal or slag on it; ``classes`` holds each class apart.
    """
    return learned_evidence(view.image, valid=None if view.valid.all() else view.valid)


def learned_evidence(image: NDArray[np.uint8], *, valid: NDArray[np.bool_] | None = None) -> Evidence:
    """Run the network on a picture.

    Parameters
    ----------
    image : ndarray of uint8, shape (h, w, 3)
        RGB.
    valid : ndarray of bool, shape (h, w), optional
        Where the picture shows anything.
    """
    side = min(LONG_SIDE_PX, max(image.shape[:2]))
    side = min(side, int(max(image.shape[:2]) * (WORK_PX / (image.shape[0] * image.shape[1])) ** 0.5))
    small, scale = shrink(image, side)
    maps = _afar(small)
    seen = np.ones(small.shape[:2], np.float32)
    if valid is not None:
        seen = (cv2.resize(valid.astype(np.float32), small.shape[1::-1], interpolation=cv2.INTER_AREA) > 0.5).astype(np.float32)
    box = _around_weld(seen * _metal(maps))
    if box is not None:
        _look_closer(image, maps, box)
    maps *= seen
    classes = {name: _still(maps[i]) for i, name in enumerate(CLASSES)}
    weld = _still(np.clip(_metal(maps), 0.0, 1.0))
    return Evidence(weld, scale, toe=_still(maps[len(CLASSES)]), source="learned", classes=MappingProxyType(classes))


@dataclass(frozen=True, slots=True)
class _Box:
    """A stretch of the evidence: first row and column, and those after the last."""

    top: int
    bottom: int
    left: int
    right: int


def _afar(small: NDArray[np.uint8]) -> Array32:
    """The whole picture from afar, shape (7, h, w) of the picture given."""
    far, _ = shrink(small, min(AFAR_PX, max(small.shape[:2])))
    return _resized(_run(far), small.shape[1::-1])


def _metal(maps: Array32) -> Array32:
    """Probability of weld metal or slag on it, shape (h, w); rounding may lift it above 1."""
    return np.asarray(maps[CLASSES.index("weld")] + maps[CLASSES.index("slag")], dtype=np.float32)


def _around_weld(weld: Array32) -> _Box | None:
    """What the second look is for: all larger pieces of weld metal with their surroundings; None where there is none."""
    there = (weld > 0.5).astype(np.uint8)
    n, _, pieces, _ = cv2.connectedComponentsWithStats(there)
    if n < 2:
        return None
    pieces = pieces[1:]
    large = pieces[pieces[:, cv2.CC_STAT_AREA] > LESSER_SHARE * pieces[:, cv2.CC_STAT_AREA].max()]
    width = 2 * float(cv2.distanceTransform(there, cv2.DIST_L2, 3).max())
    around = int(max(AROUND_PX, AROUND_WIDTHS * width))
    left, top = large[:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP]].min(axis=0)
    right = (large[:, cv2.CC_STAT_LEFT] + large[:, cv2.CC_STAT_WIDTH]).max()
    bottom = (large[:, cv2.CC_STAT_TOP] + large[:, cv2.CC_STAT_HEIGHT]).max()
    h, w = weld.shape
    return _Box(max(0, int(top) - around), min(h, int(bottom) + around), max(0, int(left) - around), min(w, int(right) + around))


def _look_closer(image: NDArray[np.uint8], maps: Array32, box: _Box) -> None:
    """Average a second look at a box into the maps, in place: as fine as the picture and the time allow, turned by half a turn."""
    h, w = maps.shape[1:]
    tall, wide = box.bottom - box.top, box.right - box.left
    y, x = image.shape[0] / h, image.shape[1] / w
    crop = image[round(box.top * y) : round(box.bottom * y), round(box.left * x) : round(box.right * x)]
    finer = min(CLOSER_RATIO, x, (CLOSER_PX / (tall * wide)) ** 0.5)
    size = (max(1, round(wide * finer)), max(1, round(tall * finer)))
    turned = np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)[::-1, ::-1]
    told = _resized(_run(np.ascontiguousarray(turned))[:, ::-1, ::-1], (wide, tall))
    share = 0.5 * np.outer(_fade(box.top, box.bottom, h), _fade(box.left, box.right, w)).astype(np.float32)
    here = maps[:, box.top : box.bottom, box.left : box.right]
    here += share * (told - here)


def _fade(first: int, stop: int, side: int) -> NDArray[np.float64]:
    """1 within a stretch of a side, falling towards 0 at each end that is not the picture's own."""
    at = np.arange(first, stop)
    rise = np.ones(len(at)) if first == 0 else (at - first + 0.5) / SEAM_PX
    fall = np.ones(len(at)) if stop == side else (stop - at - 0.5) / SEAM_PX
    return np.clip(np.minimum(rise, fall), 0.0, 1.0)


def _resized(maps: Array32, size: tuple[int, ...]) -> Array32:
    """Maps (n, h, w) at another size (width, height)."""
    if maps.shape[:0:-1] == tuple(size):
        return np.ascontiguousarray(maps)
    way = cv2.INTER_AREA if size[0] < maps.shape[2] else cv2.INTER_LINEAR
    return np.stack([cv2.resize(np.ascontiguousarray(one), (size[0], size[1]), interpolation=way) for one in maps])


def _run(rgb: NDArray[np.uint8]) -> Array32:
    """Class probabilities and toe probability, shape (7, h, w)."""
    h, w = rgb.shape[:2]
    below, right = -h % MULTIPLE_PX, -w % MULTIPLE_PX
    padded = cv2.copyMakeBorder(rgb, 0, below, 0, right, cv2.BORDER_REFLECT_101)
    blob = np.ascontiguousarray(padded.transpose(2, 0, 1)[None], dtype=np.float32) / np.float32(255)
    return np.asarray(run(EYE, blob)[0, :, :h, :w], dtype=np.float32)


def _still(array: NDArray[np.float32]) -> Array32:
    out = np.ascontiguousarray(array, dtype=np.float32)
    out.setflags(write=False)
    return out
