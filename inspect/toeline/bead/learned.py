"""The learned eye: a small network that tells weld metal, spatter, slag, strip and plate apart, pixel by pixel.

How its weights came about is told in ``training/README.md``; they run in OpenCV's own network engine, on any processor.
"""

from __future__ import annotations

from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.evidence import Array32, Evidence, shrink
from toeline.bead.view import CouponView
from toeline.networks import run

CLASSES = ("other", "plate", "weld", "spatter", "slag", "strip")
LONG_SIDE_PX = 1024
"""Long side at which the network sees a picture [px]: about the resolution of its training pictures."""
WORK_PX = 800_000
"""Largest picture the network sees [px]; bounds its time."""
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
    maps = _run(small)
    if valid is not None:
        seen = cv2.resize(valid.astype(np.float32), small.shape[1::-1], interpolation=cv2.INTER_AREA)
        maps = maps * (seen > 0.5)
    classes = {name: _still(maps[i]) for i, name in enumerate(CLASSES)}
    weld = _still(np.clip(maps[CLASSES.index("weld")] + maps[CLASSES.index("slag")], 0.0, 1.0))
    return Evidence(weld, scale, toe=_still(maps[len(CLASSES)]), source="learned", classes=MappingProxyType(classes))


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
