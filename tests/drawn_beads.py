"""Beads drawn from known toe lines on plate with heat tint, noise and uneven light: their truth is known by construction."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.view import CouponView
from toeline.quantity import Measured
from toeline.scale.solution import Lens, PlateFit, Scale

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class DrawnBead:
    """A picture with its two toe lines, shape (n, 2) each [px]."""

    image: Picture
    toes_px: tuple[Array, Array]
    width_px: float


def draw_bead(
    *,
    seed: int = 0,
    size_px: tuple[int, int] = (900, 600),
    width_px: float = 70.0,
    angle_deg: float = 0.0,
    wander_px: float = 6.0,
    bow_px: float = 0.0,
    tint: float = 0.35,
    noise: float = 4.0,
    ends: tuple[float, float] = (-0.6, 0.6),
    offset_px: float = 0.0,
    base: Picture | None = None,
) -> DrawnBead:
    """Draw one bead through the picture's middle.

    Along its own axis (in shares of the long side from the middle) it runs between ``ends``; ripples and a broken highlight on
    the face, a dark line at each toe of changing strength, and a heat tint that fades over one width and is bounded by a hue
    edge of its own.
    """
    rng = np.random.default_rng(seed)
    w, h = size_px
    ys, xs = np.mgrid[:h, :w].astype(np.float64)
    a = np.deg2rad(angle_deg)
    dx, dy = xs - (w - 1) / 2, ys - (h - 1) / 2
    along, across = dx * np.cos(a) + dy * np.sin(a), -dx * np.sin(a) + dy * np.cos(a) - offset_px
    length = max(w, h)
    grid = np.arange(-length, length, 1.0)

    def wave(amplitude: float) -> Array:
        phases = rng.uniform(0, 2 * np.pi, 4)
        waves = [np.sin(2 * np.pi * grid / (width_px * f) + p) for f, p in zip((2.3, 3.7, 6.1, 9.0), phases, strict=True)]
        return amplitude * np.sum(waves, axis=0) / 2

    middle = wave(wander_px) + bow_px * (2 * grid / length) ** 2
    half_first, half_second = width_px / 2 + wave(0.04 * width_px), width_px / 2 + wave(0.04 * width_px)
    top = np.interp(along, grid, middle - half_first)
    bottom = np.interp(along, grid, middle + half_second)
    depth = np.minimum(across - top, bottom - across)
    within = (along >= ends[0] * length) & (along <= ends[1] * length)
    cover = np.clip(depth + 0.5, 0, 1) * within
    plate = 120 + 25 * np.sin(xs / 310 + 1.0) + 15 * (ys / h - 0.5)
    plate += cv2.GaussianBlur(rng.normal(0, 18, (h, w)), (0, 0), sigmaX=14, sigmaY=1.0)
    heat = np.where(within, np.clip(1 + depth / (0.9 * width_px), 0, 1), 0)
    plate = plate * (1 - tint * heat)
    phase = along / (0.11 * width_px) + 0.8 * ((across - (top + bottom) / 2) / width_px) ** 2 * 9
    rough = cv2.GaussianBlur(rng.normal(0, 1, (h, w)), (0, 0), 1.6)
    face = 105 + 26 * np.sin(2 * np.pi * phase / 2) + 130 * rough + 35 * np.clip(depth / width_px, 0, 0.5)
    shade = 1 - 0.35 * np.exp(-(depth**2) / 5) * within
    grey = (cover * face + (1 - cover) * plate) * shade
    tinted = np.stack([grey * (1 + 0.12 * heat * (1 - cover)), grey, grey * (1 - 0.18 * heat * (1 - cover))], axis=-1)
    if base is not None:
        mask = np.clip(np.maximum(heat, cover), 0, 1)[..., None]
        tinted = mask * tinted + (1 - mask) * base
    tinted += rng.normal(0, noise, (h, w, 1))
    keep = (grid >= ends[0] * length) & (grid <= ends[1] * length)

    def to_picture(offset: Array) -> Array:
        off = offset[keep] + offset_px
        x = grid[keep] * np.cos(a) - off * np.sin(a) + (w - 1) / 2
        y = grid[keep] * np.sin(a) + off * np.cos(a) + (h - 1) / 2
        inside = (x >= 0) & (x <= w - 1) & (y >= 0) & (y <= h - 1)
        return np.stack([x, y], axis=1)[inside]

    toes = (to_picture(middle - half_first), to_picture(middle + half_second))
    return DrawnBead(np.clip(tinted, 0, 255).astype(np.uint8), toes, width_px)


def plain_view(image: Picture, *, px_per_mm: float | None = None) -> tuple[CouponView, Scale]:
    """A picture as a view: unscaled, or a plate seen square-on at a given scale."""
    h, w = image.shape[:2]
    k = px_per_mm or 1.0
    plate = PlateFit("plate", np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 1000.0]), (), {}, 0, 0.0)
    scale = Scale("none" if px_per_mm is None else "given", Lens(1000.0 * k, 0.0, 0.0), (plate,), Measured(k))
    clear = np.zeros((h, w), bool)
    return CouponView(image, ~clear, np.zeros((h, w), np.uint8), clear, k, ("plate",), 0.0, 0.0), scale


def tee_view(image: Picture, root_row: float, *, px_per_mm: float) -> tuple[CouponView, Scale]:
    """A picture as an unfolded tee: base plate below the root row, standing plate above, each seen square-on."""
    h, w = image.shape[:2]
    focal = 1000.0 * px_per_mm
    lens = Lens(focal, 0.0, 0.0)
    lift = root_row / px_per_mm
    base = PlateFit("base", np.diag([1.0, 1.0, -1.0]), np.array([0.0, lift, 1000.0]), (), {}, 0, 0.0)
    standing = PlateFit("standing", np.diag([1.0, -1.0, -1.0]), np.array([0.0, lift, 1000.0]), (), {}, 0, 0.0)
    scale = Scale("strips", lens, (base, standing), Measured(px_per_mm), Measured(90.0))
    plate_of = np.zeros((h, w), np.uint8)
    plate_of[np.arange(h) <= root_row] = 1
    clear = np.zeros((h, w), bool)
    return CouponView(image, ~clear, plate_of, clear, px_per_mm, ("base", "standing"), root_row, 0.0), scale


def toe_errors_px(found: Array, truth: Array) -> Array:
    """Signed-free distances of found points from a dense true line, shape (n,) [px]."""
    return np.hypot(*np.moveaxis(found[:, None] - truth[None], -1, 0)).min(axis=1)
