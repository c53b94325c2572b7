"""Which pixels show something to check by eye: the truth from which surface signs are learnt."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene.bead import SIDES, chord_ends
from sample_images.scene.coupon import Coupon
from sample_images.scene.render import MESHES, Hits
from sample_images.scene.spatter import Distractor

SIGNS: tuple[str, ...] = (
    "pores", "undercut", "overlap", "crater unfilled", "cold start", "melt-through", "wire left", "arc strike",
)  # fmt: skip
OPEN_CRATER_MM = 0.8
"""A crater this deep counts as open. [mm]"""
CUT_MM = 0.12
"""A groove along a toe this deep counts as undercut. [mm]"""
LAP_MM = 0.15
"""A toe whose nose has this radius counts as rolled over. [mm]"""
TRAIL_MM = 1.0
"""Half the breadth of an arc strike's melted trail, about. [mm]"""


def sign_mask(coupon: Coupon, hits: Hits) -> NDArray[np.uint8]:
    """Bit k of a pixel is set where `SIGNS[k]` shows, shape (h, w).

    Undercut and overlap are bands along the toe, as wide as the groove (at least 1 mm) or 1.2 mm; a cold start is its stretch of the
    face, a melt-through the hole or the sag, an arc strike the melted spot.
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
        if d.kind == "cold start":
            shown[(along >= d.from_mm) & (along <= d.to_mm)] |= 16
        if d.kind == "melt-through" and d.diameter_mm and d.across_share is not None:
            r = np.hypot(along - middle, (share - d.across_share) * chord)
            shown[r < 0.6 * d.diameter_mm] |= 32
    mask[weld] = shown
    mask[hits.shape == MESHES.index("wire")] = 64
    scale = coupon.camera.focal_px / coupon.distance_mm
    for spot in (d for d in coupon.distractors if d.kind == "arc strike"):
        _melted(mask, coupon, spot, 128)
    for side in range(len(SIDES[coupon.joint])):
        px = coupon.toe_px(side, bead.along_mm)
        deep = bead.sunk_mm[side] > CUT_MM
        groove = float(max(1.0, np.median(bead.groove_mm[side][deep]))) if deep.any() else 1.0
        _band(mask, px, deep, 2, groove * scale)
        _band(mask, px, bead.lap_mm[side] > LAP_MM, 4, 1.2 * scale)
    solid = np.isin(hits.shape, [MESHES.index(n) for n in ("strips", "skirts", "particles")]) | (hits.shape < 0)
    mask[solid] = 0
    return mask


def _melted(mask: NDArray[np.uint8], coupon: Coupon, spot: Distractor, bit: int) -> None:
    """Set a bit where the arc melted a plate: a trail as long as the mark, about as broad as an arc."""
    round_ = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    u, v = 0.36 * spot.size_mm * np.cos(round_), TRAIL_MM * np.sin(round_)
    c, s = np.cos(np.radians(spot.turn_deg)), np.sin(np.radians(spot.turn_deg))
    points = np.stack([spot.along_mm + c * u - s * v, spot.across_mm + s * u + c * v, np.zeros_like(u)], axis=1)
    px = coupon.camera.project(coupon.poses[spot.plate].to_camera(points))
    layer = np.zeros_like(mask)
    cv2.fillPoly(layer, [np.round(px).astype(np.int32)], bit)
    mask |= layer


def _band(mask: NDArray[np.uint8], px: NDArray[np.float64], where: NDArray[np.bool_], bit: int, breadth_px: float) -> None:
    """Set a bit along the stretches of a line."""
    layer = np.zeros_like(mask)
    points = np.round(px).astype(np.int32)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], where.astype(int), [0]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first > 1:
            cv2.polylines(layer, [points[first:last]], False, bit, max(1, int(round(breadth_px))))
    mask |= layer
