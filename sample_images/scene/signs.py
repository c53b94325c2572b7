"""Which pixels show something to check by eye: the truth from which surface signs are learnt."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene.bead import SIDES, chord_ends
from sample_images.scene.coupon import Coupon
from sample_images.scene.render import MESHES, Hits

SIGNS: tuple[str, ...] = ("pores", "undercut", "overlap", "crater unfilled")
OPEN_CRATER_MM = 0.8
"""A crater this deep counts as open. [mm]"""
CUT_MM = 0.12
"""A groove along a toe this deep counts as undercut. [mm]"""


def sign_mask(coupon: Coupon, hits: Hits) -> NDArray[np.uint8]:
    """Bit k of a pixel is set where `SIGNS[k]` shows, shape (h, w).

    Undercut and overlap are bands along the toe, as wide as the groove (at least 1 mm) or 1.2 mm.
    """
    mask = np.zeros(hits.shape.shape, np.uint8)
    bead = coupon.bead
    weld = hits.shape == MESHES.index("bead")
    along = hits.uv[weld, 0] * bead.length_mm
    ends = chord_ends(bead, coupon.plate_angle_deg)
    chord = np.interp(along, bead.along_mm, np.hypot(*(ends[1] - ends[0]).T))
    share = hits.uv[weld, 1]
    shown = np.zeros(len(along), np.uint8)
    for d in bead.defects:
        middle = 0.5 * (d.from_mm + d.to_mm)
        if d.kind == "pore" and d.diameter_mm and d.across_share is not None:
            r = np.hypot(along - middle, (share - d.across_share) * chord)
            shown[r < 0.55 * d.diameter_mm] |= 1
        if d.kind == "crater" and d.depth_mm and d.depth_mm >= OPEN_CRATER_MM:
            r = np.hypot(along - bead.ripples["crater_at_mm"], (share - 0.5) * chord)
            shown[r < 0.9 * bead.ripples["crater_radius_mm"]] |= 8
    mask[weld] = shown
    scale = coupon.camera.focal_px / coupon.distance_mm
    laps = [d for d in bead.defects if d.kind == "lap"]
    lapped = np.any([(bead.along_mm > d.from_mm) & (bead.along_mm < d.to_mm) for d in laps], axis=0) if laps else None
    for side in range(len(SIDES[coupon.joint])):
        px = coupon.toe_px(side, bead.along_mm)
        deep = bead.sunk_mm[side] > CUT_MM
        groove = float(max(1.0, np.median(bead.groove_mm[side][deep]))) if deep.any() else 1.0
        _band(mask, px, deep, 2, groove * scale)
        if lapped is not None:
            _band(mask, px, lapped, 4, 1.2 * scale)
    solid = np.isin(hits.shape, [MESHES.index(n) for n in ("strips", "skirts", "particles")]) | (hits.shape < 0)
    mask[solid] = 0
    return mask


def _band(mask: NDArray[np.uint8], px: NDArray[np.float64], where: NDArray[np.bool_], bit: int, breadth_px: float) -> None:
    """Set a bit along the stretches of a line."""
    layer = np.zeros_like(mask)
    points = np.round(px).astype(np.int32)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], where.astype(int), [0]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first > 1:
            cv2.polylines(layer, [points[first:last]], False, bit, max(1, int(round(breadth_px))))
    mask |= layer
