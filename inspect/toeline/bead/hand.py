"""What a hand says of the bead, brought into the view: points on toe lines, a box, a point on the bead that is meant."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toeline.bead.finder import Band
from toeline.bead.tracing import Anchor
from toeline.bead.view import CouponView, plate_to_view
from toeline.coupon import Hints
from toeline.errors import BadUsage
from toeline.scale import rays
from toeline.scale.solution import Scale

Array = NDArray[np.float64]
Box = tuple[float, float, float, float]

__all__ = ["anchors_in_view", "box_in_view", "inside_box", "meant_first"]


def _to_view(view: CouponView, scale: Scale, plate: str, points_px: Array) -> Array:
    return plate_to_view(view, plate, rays.to_plate_mm(scale, plate, points_px))


def anchors_in_view(view: CouponView, scale: Scale, hints: Hints, names: tuple[str, str]) -> tuple[Anchor, ...]:
    """Anchors in the view."""
    found: list[Anchor] = []
    for name, x, y in hints.through:
        if name not in names:
            raise BadUsage(f"There is no {name!r} toe on this joint.", advice=f"Use {names[0]!r} or {names[1]!r}.")
        plate = name if name in view.plate_names else view.plate_names[0]
        point = _to_view(view, scale, plate, np.array([[x, y]], dtype=np.float64))[0]
        found.append((names.index(name), float(point[0]), float(point[1])))
    return tuple(found)


def box_in_view(view: CouponView, scale: Scale, hints: Hints) -> Box | None:
    """The hand's box as the smallest upright box of the view."""
    if hints.box_px is None:
        return None
    x0, y0, x1, y1 = hints.box_px
    if not (x1 - x0 > 5 and y1 - y0 > 5):
        raise BadUsage("The box round the bead is empty.", advice="Give left, top, right, bottom in px of the upright photo.")
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=np.float64)
    points = np.concatenate([_to_view(view, scale, plate, corners) for plate in view.plate_names])
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        raise BadUsage("The box lies outside the plates.", advice="Draw it round the bead.")
    low, high = points.min(axis=0), points.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def inside_box(box: Box, visible: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Visible px in and a little round a box: the plate beside the bead is needed to tell it."""
    h, w = visible.shape
    margin = 0.5 * min(box[2] - box[0], box[3] - box[1])
    rows, columns = np.arange(h)[:, None], np.arange(w)[None]
    near_rows = (rows >= box[1] - margin) & (rows <= box[3] + margin)
    near_columns = (columns >= box[0] - 2) & (columns <= box[2] + 2)
    wide = box[2] - box[0] >= box[3] - box[1]
    if not wide:
        near_rows = (rows >= box[1] - 2) & (rows <= box[3] + 2)
        near_columns = (columns >= box[0] - margin) & (columns <= box[2] + margin)
    return np.asarray(visible & near_rows & near_columns, dtype=bool)


def meant_first(bands: tuple[Band, ...], view: CouponView, scale: Scale, hints: Hints) -> tuple[Band, ...]:
    """Bands with the one first that a hand pointed at; unchanged where no hand did.

    Raises
    ------
    BadUsage
        No band runs near that point.
    """
    if hints.bead_px is None or not bands:
        return bands
    point = _to_view(view, scale, view.plate_names[0], np.array([hints.bead_px], dtype=np.float64))[0]
    off = []
    for band in bands:
        gap = np.hypot(*(band.middle_px - point).T)
        nearest = int(np.argmin(gap))
        off.append(float(gap[nearest] / band.half_px[nearest]))
    chosen = int(np.argmin(off))
    if not off[chosen] <= 3.0:
        raise BadUsage("No bead was found where you pointed.", advice="Point at the middle of the bead, or draw a box round it.")
    return (bands[chosen], *(band for i, band in enumerate(bands) if i != chosen))
