"""The overlay cut to what matters: bead and strips, with a margin, at a phone's resolution. Drawing never measures."""

from __future__ import annotations

import cv2
import numpy as np

from toeline.inspection import Inspection
from toeline.report.overlay import Picture, overlay_picture
from toeline.scale.rays import to_photo_px

#: Long side at which the photo is drawn before it is cut [px]: bounds memory for very large photos.
DRAWN_PX = 6000
#: Margin round bead and strips, as a share of the box [ratio].
MARGIN = 0.06
#: Height of letters as a share of the picture's width: 10 px on a phone that is 390 px wide [ratio].
LETTERS = 0.026


def close_up(found: Inspection, *, max_px: int = 1800) -> Picture:
    """The part of the overlay that holds bead and strips; the whole overlay where no bead was found.

    Parameters
    ----------
    found : Inspection
    max_px : int
        Long side of the picture returned [px].

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
    """
    if not _found(found):
        return overlay_picture(found, max_px=max_px)
    box = close_up_box(found)
    zoom = min(1.0, DRAWN_PX / max(found.photo.width_px, found.photo.height_px))
    drawn = overlay_picture(found, max_px=DRAWN_PX, letters_px=LETTERS * zoom * (box[2] - box[0]))
    zoom = drawn.shape[1] / found.photo.width_px
    x0, y0, x1, y1 = (round(side * zoom) for side in box)
    cut = drawn[y0:y1, x0:x1]
    shrink = min(1.0, max_px / max(cut.shape[:2]))
    if shrink == 1.0:
        return np.ascontiguousarray(cut)
    size = (max(1, round(cut.shape[1] * shrink)), max(1, round(cut.shape[0] * shrink)))
    return np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _found(found: Inspection) -> bool:
    return found.refused is None and found.bead is not None and found.scale is not None


def close_up_box(found: Inspection) -> tuple[float, float, float, float]:
    """What of the photo the close-up shows, left, top, right, bottom: toe lines and strips with a margin; all of it without a bead [px]."""
    if not _found(found):
        return 0.0, 0.0, float(found.photo.width_px), float(found.photo.height_px)
    assert found.bead is not None and found.scale is not None
    points = [toe.photo_px for toe in found.bead.toes.values()]
    for plate in found.scale.plates:
        points += [to_photo_px(found.scale, plate.name, outline) for outline in plate.strip_outlines_mm.values()]
    every = np.concatenate(points)
    every = every[np.isfinite(every).all(axis=1)]
    low, high = every.min(axis=0), every.max(axis=0)
    margin = MARGIN * float((high - low).max())
    x0, y0 = np.maximum(low - margin, 0.0)
    x1, y1 = np.minimum(high + margin, (found.photo.width_px, found.photo.height_px))
    return float(x0), float(y0), float(x1), float(y1)
