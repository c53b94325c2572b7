"""What the plates and the weld face look like: reflectance, roughness, metal share and micro-relief as pictures.

Rows follow rising `across` (plates) or the share across the face (bead), columns rising `along`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene import noise
from sample_images.scene.bead import SIDES, Bead, arc_time
from sample_images.scene.noise import smoothstep
from sample_images.scene.process import Look
from sample_images.scene.spatter import Distractor, Particle

Picture = NDArray[Any]

FINISHES: tuple[str, ...] = ("mill scale", "ground band", "ground", "bright ground", "satin", "rusty")

STEEL = (0.56, 0.545, 0.53)
RUST = (0.165, 0.066, 0.027)
PAINTS: dict[str, tuple[float, float, float]] = {
    "white": (0.75, 0.75, 0.72),
    "yellow": (0.75, 0.52, 0.05),
    "pink": (0.70, 0.22, 0.25),
    "blue": (0.08, 0.18, 0.50),
    "red": (0.45, 0.05, 0.04),
}


@dataclass(slots=True, eq=False)
class Maps:
    """Material pictures of one surface; painted in place while it is made.

    Parameters
    ----------
    base : ndarray, shape (h, w, 3)
        Reflectance (normal incidence for metal, diffuse otherwise), linear.
    rough, metal : ndarray, shape (h, w)
        Roughness and metal share, 0 to 1.
    bump_mm : ndarray, shape (h, w)
        Micro-relief. [mm]
    px_per_mm : float
        Resolution.
    """

    base: Picture
    rough: Picture
    metal: Picture
    bump_mm: Picture
    px_per_mm: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rough.shape[0], self.rough.shape[1]

    def paint(self, mask: Picture, colour: Any = None, rough: float | None = None, metal: float | None = None) -> None:
        """Blend a colour, roughness and metal share in where the mask (0 to 1) says."""
        if colour is not None:
            self.base += mask[..., None] * (np.asarray(colour, np.float32) - self.base)
        if rough is not None:
            self.rough += mask * (np.float32(rough) - self.rough)
        if metal is not None:
            self.metal += mask * (np.float32(metal) - self.metal)

    def tint(self, factor: Picture) -> None:
        """Multiply the reflectance, per pixel or per pixel and channel."""
        self.base *= factor if factor.ndim == 3 else factor[..., None]


def _blank(shape: tuple[int, int], px_per_mm: float, colour: Any, rough: float, metal: float) -> Maps:
    base = np.broadcast_to(np.asarray(colour, np.float32), (*shape, 3)).copy()
    return Maps(
        base,
        np.full(shape, rough, np.float32),
        np.full(shape, metal, np.float32),
        np.zeros(shape, np.float32),
        px_per_mm,
    )


def _strokes(rng: np.random.Generator, shape: tuple[int, int], px_per_mm: float, turn_deg: float) -> Picture:
    """Grinding marks: fine grooves along slightly bent strokes, about unit variance."""
    height, width = shape
    radius = float(rng.uniform(45.0, 110.0)) * px_per_mm
    c, s = cos(radians(turn_deg)), sin(radians(turn_deg))
    centre_x = 0.5 * width - s * radius + rng.uniform(-0.2, 0.2) * width
    centre_y = 0.5 * height + c * radius
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    dx, dy = x - np.float32(centre_x), y - np.float32(centre_y)
    r = np.hypot(dx, dy)
    arc = np.arctan2(dy * c - dx * s, dx * c + dy * s + 1e-6) * np.float32(radius)
    arc -= arc.min()
    r0 = float(r.min())
    rows, columns = int(r.max() - r0) + 4, int(arc.max() / 10.0) + 4
    rows, columns = min(rows, 6000), min(columns, 6000)
    tile = rng.standard_normal((rows, columns), dtype=np.float32)
    long = max(1.0, 6.0 * px_per_mm / 10.0)
    tile = np.asarray(cv2.GaussianBlur(tile, (0, 0), sigmaX=long, sigmaY=0.45), dtype=np.float32)
    deep = cv2.GaussianBlur(rng.standard_normal((rows, columns), dtype=np.float32), (0, 0), sigmaX=0.6 * long, sigmaY=0.6)
    tile = tile / tile.std() + 0.9 * np.clip(deep / deep.std() - 1.7, 0.0, None)
    out: Picture = cv2.remap(tile, np.clip(arc / 10.0, 0, columns - 1), np.clip(r - r0, 0, rows - 1), cv2.INTER_LINEAR)
    return out


def _ground(rng: np.random.Generator, shape: tuple[int, int], px_per_mm: float, bright: bool) -> Maps:
    maps = _blank(shape, px_per_mm, np.array(STEEL) * (1.05 if bright else 0.86), 0.24 if bright else 0.34, 1.0)
    first, second = float(rng.uniform(-35.0, 35.0)), float(rng.uniform(50.0, 130.0))
    patch = smoothstep(-0.2, 0.5, noise.fractal(rng, shape, 24.0 * px_per_mm, octaves=3))
    marks = _strokes(rng, shape, px_per_mm, first)
    marks += (_strokes(rng, shape, px_per_mm, second) - marks) * patch
    third = smoothstep(0.3, 0.8, noise.fractal(rng, shape, 18.0 * px_per_mm, octaves=3))
    marks += (_strokes(rng, shape, px_per_mm, float(rng.uniform(-90.0, 90.0))) - marks) * third
    depth = float(rng.uniform(0.006, 0.014))
    maps.bump_mm += np.float32(depth * min(1.0, 12.0 / px_per_mm) * 1.0) * marks
    maps.tint(1.0 + 0.05 * marks.clip(-2.5, 2.5))
    maps.tint(1.0 + 0.08 * noise.fractal(rng, shape, 15.0 * px_per_mm, octaves=4))
    maps.rough *= 1.0 + 0.12 * noise.fractal(rng, shape, 10.0 * px_per_mm, octaves=3)
    return maps


def _scale(rng: np.random.Generator, shape: tuple[int, int], px_per_mm: float) -> Maps:
    """Hot-rolled mill scale: blue-grey oxide, blotched, flaking, with rolling streaks and pin pricks."""
    hue = rng.uniform(0.0, 1.0)
    grey = float(rng.uniform(0.085, 0.16))
    colour = grey * np.array([1.0 + 0.10 * hue, 1.0 + 0.02 * hue, 1.10 - 0.14 * hue])
    maps = _blank(shape, px_per_mm, colour, float(rng.uniform(0.34, 0.46)), 0.75)
    blotch = noise.fractal(rng, shape, 22.0 * px_per_mm, octaves=6, gain=0.62)
    maps.tint(np.exp(0.20 * blotch))
    maps.rough *= np.exp(-0.12 * blotch)
    streaks = noise.fractal(rng, shape, 1.2 * px_per_mm, octaves=3, stretch=30.0)
    maps.tint(np.exp(0.06 * streaks))
    grain = noise.fractal(rng, shape, 0.45 * px_per_mm, octaves=2, gain=0.8)
    maps.tint(np.exp(0.12 * grain))
    maps.bump_mm += 0.0035 * grain + 0.006 * noise.fractal(rng, shape, 2.0 * px_per_mm, octaves=3)
    flake_field = noise.fractal(rng, shape, 7.0 * px_per_mm, octaves=6, gain=0.7)
    level = float(rng.uniform(1.3, 2.8))
    flakes = smoothstep(level, level + 0.15, flake_field + 0.25 * grain)
    brown = grey * np.array([1.30, 1.10, 0.94]) * float(rng.uniform(0.8, 1.35))
    maps.paint(0.8 * flakes, brown, 0.58, 0.5)
    maps.bump_mm -= 0.012 * flakes
    halo = smoothstep(level - 0.9, level + 0.2, flake_field) * (1.0 - flakes)
    maps.tint(1.0 - 0.18 * halo)
    dots = noise.field(rng, shape, 0.22 * px_per_mm + 0.6)
    pricks = smoothstep(2.1, 2.8, dots)
    maps.paint(0.7 * pricks, grey * np.array([0.35, 0.33, 0.32]), 0.6, 0.4)
    maps.bump_mm -= 0.01 * pricks
    sparks = smoothstep(2.3, 2.9, -dots)
    maps.paint(0.55 * sparks, np.array(STEEL) * 0.7, 0.35, 0.9)
    return maps


def _satin(rng: np.random.Generator, shape: tuple[int, int], px_per_mm: float) -> Maps:
    """Cold-rolled or pickled plate: even grey-brown satin with faint rolling lines and stains."""
    warm = float(rng.uniform(0.0, 1.0))
    colour = float(rng.uniform(0.30, 0.42)) * np.array([1.0 + 0.06 * warm, 1.0, 0.98 - 0.08 * warm])
    maps = _blank(shape, px_per_mm, colour, float(rng.uniform(0.30, 0.40)), 0.95)
    lines = noise.fractal(rng, shape, 0.35 * px_per_mm, octaves=2, stretch=60.0)
    maps.bump_mm += 0.0022 * lines
    maps.tint(1.0 + 0.025 * lines)
    maps.tint(np.exp(0.10 * noise.fractal(rng, shape, 30.0 * px_per_mm, octaves=5)))
    grain = noise.field(rng, shape, 0.2 * px_per_mm + 0.5)
    maps.bump_mm += 0.0016 * grain
    maps.tint(1.0 + 0.05 * grain)
    stain = smoothstep(1.2, 1.5, noise.fractal(rng, shape, 12.0 * px_per_mm, octaves=5))
    maps.tint(1.0 - 0.22 * stain)
    return maps


def _rust(rng: np.random.Generator, maps: Maps, share: float) -> None:
    """Lay rust over a share of the surface."""
    shape, k = maps.shape, maps.px_per_mm
    height = noise.fractal(rng, shape, 14.0 * k, octaves=7, gain=0.68)
    level = float(np.quantile(height[::7, ::7], 1.0 - share))
    mask = smoothstep(level - 0.25, level + 0.9, height + 0.35 * noise.fractal(rng, shape, 1.2 * k, octaves=3, gain=0.8))
    bloom = smoothstep(level - 1.3, level + 0.2, height)
    maps.tint(np.exp(bloom[..., None] * np.array([0.10, -0.10, -0.30], np.float32)))
    mottle = noise.fractal(rng, shape, 1.6 * k, octaves=4, gain=0.7)
    colour = np.array(RUST, np.float32) * np.exp(np.stack([0.32 * mottle, 0.42 * mottle, 0.5 * mottle], -1)).astype(np.float32)
    maps.base += (0.92 * mask)[..., None] * (colour - maps.base)
    maps.paint(mask, None, 0.88, 0.05)
    maps.bump_mm += mask * (0.012 * mottle + 0.012)


_TEMPER: tuple[tuple[float, float, float, float], ...] = (
    (0.00, 0.17, 0.17, 0.18),
    (0.10, 0.21, 0.22, 0.25),
    (0.22, 0.36, 0.43, 0.52),
    (0.34, 0.20, 0.28, 0.50),
    (0.44, 0.075, 0.095, 0.32),
    (0.54, 0.19, 0.085, 0.24),
    (0.64, 0.34, 0.19, 0.10),
    (0.78, 0.52, 0.40, 0.20),
    (1.00, 0.56, 0.52, 0.44),
)


def _temper(x: Picture) -> Picture:
    """Reflectance of bare steel under the oxide that heat left, against the share of the tint's width."""
    table = np.array(_TEMPER, np.float64)
    return np.stack([np.interp(x, table[:, 0], table[:, k]) for k in (1, 2, 3)], -1).astype(np.float32)


def toe_distance(bead: Bead, plate: str, along: Picture, across: Picture) -> Picture:
    """Distance outside the toe on a plate, about; 0 under the bead. [mm]"""
    beyond = np.maximum(0.0, np.maximum(-along, along - bead.length_mm))
    reach = np.zeros_like(across)
    for side, name in enumerate(SIDES[bead.joint]):
        toe = np.interp(along[0], bead.along_mm, np.abs(bead.across_mm[side])).astype(np.float32)
        if bead.joint == "tee":
            if name == plate:
                reach = np.maximum(0.0, across - toe[None, :])
        else:
            mine = across < 0.0 if side == 0 else across >= 0.0
            reach = np.where(mine, np.maximum(0.0, np.abs(across) - toe[None, :]), reach)
    return np.hypot(reach, beyond).astype(np.float32)


def _heat(
    rng: np.random.Generator,
    maps: Maps,
    bead: Bead,
    look: Look,
    along: Picture,
    across: Picture,
    bare: Picture,
    distance: Picture,
) -> None:
    """Heat tint beside the bead; bright colours where the steel is bare, ash and brown on scale.

    Heat flows from the middle of the pool, so the tint follows the middle line, not the toe; it is narrow where
    the weld began cold and widest behind the crater.
    """
    shape, k = maps.shape, maps.px_per_mm
    warp = 0.16 * noise.fractal(rng, shape, 22.0 * k, octaves=3, stretch=2.0)
    warp += 0.05 * noise.fractal(rng, shape, 2.5 * k, octaves=3)
    half = float(np.median(np.abs(bead.across_mm)))
    width = look.tint_mm * float(rng.uniform(0.8, 1.6))
    run = along / np.float32(bead.length_mm) if bead.to_right else 1.0 - along / np.float32(bead.length_mm)
    grown = 0.72 + 0.33 * smoothstep(0.0, 0.35, run) + 0.15 * smoothstep(0.75, 1.0, run)
    inset = 0.6 * half
    beyond = np.maximum(0.0, np.maximum(inset - along, along - (bead.length_mm - inset)))
    from_middle = np.hypot(across, beyond).astype(np.float32)
    x = np.maximum(from_middle - np.float32(0.9 * half), 0.0) / (np.float32(width) * grown) * np.exp(warp)
    colours = _temper(x)
    fade = 1.0 - smoothstep(0.75, 1.0, x)
    strength = float(rng.uniform(0.6, 1.0))
    lum = colours.mean(-1, keepdims=True)
    pale = lum + 0.75 * (colours - lum)
    mask = (strength * fade * bare)[..., None]
    maps.base += mask * (pale - maps.base)
    on_scale = fade * (1.0 - bare)
    ash = float(rng.uniform(-0.4, 0.55))
    maps.tint(np.exp(on_scale[..., None] * (0.5 * (colours / 0.40 - 1.0) * np.float32(0.35) + np.float32(0.5 * ash))))
    near = np.exp(-((distance / 0.9) ** 2)) * np.clip(0.6 + 0.4 * noise.field(rng, shape, 1.5 * k), 0.0, 1.0)
    maps.paint(0.55 * near, np.array([0.055, 0.05, 0.047]), 0.6, 0.4)


def _smoke(rng: np.random.Generator, maps: Maps, look: Look, distance: Picture, along: Picture) -> None:
    """Dark soot and pale fume drifted along the bead."""
    shape, k = maps.shape, maps.px_per_mm
    drift = noise.fractal(rng, shape, 14.0 * k, octaves=5, gain=0.6)
    reach = 5.0 + 12.0 * look.soot_ratio
    soot = look.soot_ratio * np.exp(-distance / reach) * np.clip(0.75 + 0.45 * drift, 0.0, 1.5)
    maps.paint(np.clip(0.8 * soot, 0.0, 0.92), np.array([0.028, 0.024, 0.021]), 0.85, 0.05)
    pale = np.exp(-(((distance - 4.0 - 0.6 * reach) / (0.7 * reach)) ** 2)) * look.fume_ratio
    wisps = np.clip(0.5 + 0.6 * noise.fractal(rng, shape, 9.0 * k, octaves=6, gain=0.65), 0.0, 1.0)
    maps.paint(np.clip(0.6 * pale * wisps, 0.0, 0.8), np.array([0.36, 0.32, 0.26]), 0.9, 0.0)
    del along


def _stamp(maps: Maps, x_px: float, y_px: float, half_px: float) -> tuple[slice, slice, Picture, Picture] | None:
    """Window around a mark, with the distances from its middle. [px]"""
    height, width = maps.shape
    x0, x1 = int(max(0, x_px - half_px)), int(min(width, x_px + half_px + 1))
    y0, y1 = int(max(0, y_px - half_px)), int(min(height, y_px + half_px + 1))
    if x1 - x0 < 1 or y1 - y0 < 1:
        return None
    y, x = np.mgrid[y0:y1, x0:x1].astype(np.float32)
    return slice(y0, y1), slice(x0, x1), x - np.float32(x_px), y - np.float32(y_px)


def _mark(maps: Maps, d: Distractor, origin_mm: tuple[float, float]) -> None:
    """Paint one distractor."""
    rng = np.random.default_rng(d.seed)
    k = maps.px_per_mm
    x_px, y_px = (d.along_mm - origin_mm[0]) * k - 0.5, (d.across_mm - origin_mm[1]) * k - 0.5
    window = _stamp(maps, x_px, y_px, (0.75 * d.size_mm + 1.0) * k + 2)
    if window is None:
        return
    rows, columns, dx, dy = window
    part = Maps(
        maps.base[rows, columns], maps.rough[rows, columns], maps.metal[rows, columns],
        maps.bump_mm[rows, columns], k,
    )  # fmt: skip
    c, s = np.float32(cos(radians(d.turn_deg))), np.float32(sin(radians(d.turn_deg)))
    u, v = (c * dx + s * dy) / k, (-s * dx + c * dy) / k
    wobble = noise.fractal(rng, part.shape, max(2.0, 0.3 * d.size_mm * k), octaves=4)
    r = np.hypot(u, v * np.float32(rng.uniform(1.0, 1.5))) / np.float32(0.5 * d.size_mm) + 0.18 * wobble
    soft = max(0.08, 1.2 / (0.5 * d.size_mm * k))
    disc = 1.0 - smoothstep(1.0 - soft, 1.0 + soft, r)
    if d.kind == "pit":
        part.paint(0.8 * disc, np.array([0.05, 0.045, 0.04]), 0.7, 0.3)
        part.bump_mm -= np.float32(0.14 * d.size_mm) * np.clip(1.0 - r * r, 0.0, None)
    elif d.kind == "rust speck":
        part.paint(0.35 * (1.0 - smoothstep(0.9, 2.0, r)), np.array(RUST) * 0.9, 0.8, 0.2)
        part.paint(0.9 * disc, np.array(RUST) * rng.uniform(0.5, 1.3), 0.9, 0.05)
    elif d.kind == "paint dot":
        part.paint(disc, PAINTS[str(rng.choice(list(PAINTS)))], 0.4, 0.0)
        part.bump_mm += np.float32(0.05) * disc
    elif d.kind == "water mark":
        ring = np.exp(-(((r - 0.92) / 0.06) ** 2))
        part.tint(1.0 - 0.12 * disc - 0.25 * ring)
        part.rough += 0.08 * disc
    elif d.kind == "drying ring":
        ring = np.exp(-(((r - 0.85) / np.float32(rng.uniform(0.1, 0.3))) ** 2)) + np.float32(rng.uniform(0.2, 0.9)) * disc
        part.tint(np.clip(1.0 - np.float32(rng.uniform(0.1, 0.45)) * ring, 0.1, 1.0))
        if rng.random() < 0.5:  # lighter within, as where a bubble stood
            part.tint(1.0 + np.float32(rng.uniform(0.1, 0.5)) * np.exp(-((r / 0.45) ** 2)))
    elif d.kind == "scale flake":  # mill scale come off, or left standing: flat, sharp-edged
        bare = 1.0 - smoothstep(0.9, 1.05, r + 0.35 * wobble)
        if rng.random() < 0.5:
            part.paint(0.9 * bare, np.array(STEEL) * rng.uniform(0.5, 0.9), 0.4, 0.9)
            part.bump_mm -= 0.02 * bare
        else:
            part.paint(0.9 * bare, np.array([0.09, 0.09, 0.1]) * rng.uniform(0.6, 1.6), 0.45, 0.3)
            part.bump_mm += 0.02 * bare
    elif d.kind == "punch mark":
        part.paint(0.5 * disc, np.array([0.12, 0.12, 0.12]), 0.35, 0.9)
        part.bump_mm -= np.float32(0.35 * d.size_mm) * np.clip(1.0 - np.abs(r), 0.0, None)
    elif d.kind == "arc strike":  # melted and frozen: bright beads of metal in a burnt, tinted patch
        trail = np.hypot(u / np.float32(0.5 * d.size_mm), v / np.float32(rng.uniform(0.9, 1.8))) + 0.22 * wobble
        burnt = np.exp(-((np.clip(trail - 0.5, 0.0, None) / 0.8) ** 2))
        hue = _temper(np.clip(0.75 - 0.3 * trail, 0.0, 1.0)) / 0.45
        part.base *= 1.0 + (0.8 * burnt)[..., None] * (hue - 1.0)
        part.tint(1.0 - 0.35 * burnt)
        melted = 1.0 - smoothstep(0.55, 0.75, trail)
        part.paint(0.9 * melted, np.array(STEEL) * rng.uniform(0.55, 0.95), 0.25, 0.95)
        drops = noise.fractal(rng, part.shape, max(2.0, 0.7 * k), octaves=3)
        part.bump_mm += melted * (0.12 * drops - 0.18 * np.exp(-((trail / 0.35) ** 2))).astype(np.float32)
    elif d.kind == "scratch":
        bend = np.float32(rng.normal(0.0, 0.004)) * u * u
        line = np.exp(-(((v - bend) / np.float32(rng.uniform(0.05, 0.14))) ** 2))
        line *= np.abs(u) < 0.5 * d.size_mm
        line *= np.clip(0.6 + 0.5 * wobble, 0.0, 1.0)
        part.paint(0.7 * line, np.array(STEEL) * 0.85, 0.3, 1.0)
        part.bump_mm -= 0.012 * line
    elif d.kind == "fibre":
        bend = np.float32(rng.normal(0.0, 0.05)) * u * u + np.float32(0.25) * np.sin(u * np.float32(rng.uniform(0.6, 2)))
        line = np.exp(-(((v - bend) / 0.07) ** 2)) * (np.abs(u) < 0.5 * d.size_mm)
        part.paint(0.8 * line, np.array([0.5, 0.48, 0.45]), 0.9, 0.0)
    else:  # paint or chalk stroke
        breadth = 1.6 if d.kind == "paint stroke" else 2.4
        bend = np.float32(rng.normal(0.0, 0.008)) * u * u
        edge = np.abs(v - bend) / np.float32(breadth) + 0.12 * wobble
        body = (1.0 - smoothstep(0.85, 1.1, edge)) * (1.0 - smoothstep(0.46, 0.5, np.abs(u) / np.float32(d.size_mm)))
        if d.kind == "chalk stroke":
            grain = noise.fractal(rng, part.shape, 0.5 * k, octaves=3, gain=0.9)
            body = 0.8 * body * smoothstep(-0.5, 0.9, grain)
        colour = PAINTS[str(rng.choice(["white", "yellow", "pink"]))] if d.kind == "paint stroke" else (0.6, 0.6, 0.58)
        part.paint(body, colour, 0.45 if d.kind == "paint stroke" else 0.9, 0.0)


def _halo(maps: Maps, p: Particle, origin_mm: tuple[float, float], strength: float) -> None:
    """Dark heated ring around a droplet's foot."""
    k = maps.px_per_mm
    x_px, y_px = (p.along_mm - origin_mm[0]) * k - 0.5, (p.across_mm - origin_mm[1]) * k - 0.5
    window = _stamp(maps, x_px, y_px, (1.5 * p.diameter_mm + 0.3) * k)
    if window is None:
        return
    rows, columns, dx, dy = window
    r = np.hypot(dx, dy) / np.float32(0.5 * p.diameter_mm * k)
    maps.base[rows, columns] *= (1.0 - strength * np.exp(-(((r - 0.6) / 0.8) ** 2)))[..., None]


def plate_maps(
    rng: np.random.Generator,
    bead: Bead,
    look: Look,
    plate: str,
    finish: str,
    *,
    along_mm: tuple[float, float],
    across_mm: tuple[float, float],
    px_per_mm: float,
    particles: tuple[Particle, ...],
    distractors: tuple[Distractor, ...],
) -> Maps:
    """Material pictures of one plate's face.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    bead, look : Bead, Look
        The bead beside it.
    plate, finish : str
        Which plate; one of `FINISHES`.
    along_mm, across_mm : tuple of float
        The face's extent. [mm]
    px_per_mm : float
        Resolution.
    particles, distractors : tuple
        What lies on it (other plates' are skipped).
    """
    shape = (
        int(round((across_mm[1] - across_mm[0]) * px_per_mm)),
        int(round((along_mm[1] - along_mm[0]) * px_per_mm)),
    )
    along = np.linspace(along_mm[0], along_mm[1], shape[1], dtype=np.float32)
    across = np.linspace(across_mm[0], across_mm[1], shape[0], dtype=np.float32)
    along_2d, across_2d = np.broadcast_to(along, shape), np.broadcast_to(across[:, None], shape)
    distance = toe_distance(bead, plate, along_2d, across_2d)
    bare: Picture = np.zeros(shape, np.float32)
    if finish in ("ground", "bright ground"):
        maps, bare = _ground(rng, shape, px_per_mm, finish == "bright ground"), bare + 1.0
    elif finish == "satin":
        maps, bare = _satin(rng, shape, px_per_mm), bare + 0.9
    elif finish == "rusty":
        maps = _scale(rng, shape, px_per_mm)
        _rust(rng, maps, float(rng.uniform(0.35, 0.85)))
    else:
        maps = _scale(rng, shape, px_per_mm)
        if rng.random() < 0.6:
            _rust(rng, maps, float(rng.uniform(0.005, 0.05)))
    if finish == "ground band":
        width = float(rng.uniform(10.0, 24.0))
        edge = distance + 2.5 * noise.fractal(rng, shape, 10.0 * px_per_mm, octaves=4, gain=0.6)
        bare = 1.0 - smoothstep(width - 0.8, width + 0.8, edge)
        ground = _ground(rng, shape, px_per_mm, False)
        for mine, its in ((maps.base, ground.base), (maps.rough, ground.rough), (maps.metal, ground.metal)):
            mine += (bare[..., None] if mine.ndim == 3 else bare) * (its - mine)
        maps.bump_mm += bare * (ground.bump_mm - maps.bump_mm - 0.02)
    for distractor in distractors:
        if distractor.plate == plate and distractor.kind != "water drop":
            _mark(maps, distractor, (along_mm[0], across_mm[0]))
    _groove(maps, bead, plate, along, across_2d, distance)
    if look.tint_mm > 0.0:
        _heat(rng, maps, bead, look, along_2d, across_2d, bare, distance)
        _smoke(rng, maps, look, distance, along_2d)
    strength = float(rng.uniform(0.1, 0.6))
    for particle in particles:
        if particle.plate == plate and particle.kind == "spatter":
            _halo(maps, particle, (along_mm[0], across_mm[0]), strength)
    # the shut gap of a tee beyond the bead
    if bead.joint == "tee":
        maps.tint(1.0 - 0.8 * np.exp(-(((across_2d - across_mm[0]) / 0.35) ** 2)))
    np.clip(maps.base, 0.012, 0.92, out=maps.base)
    np.clip(maps.rough, 0.14, 1.0, out=maps.rough)
    np.clip(maps.metal, 0.0, 1.0, out=maps.metal)
    return maps


def _groove(maps: Maps, bead: Bead, plate: str, along: Picture, across: Picture, distance: Picture) -> None:
    """Oxide on the melted steel in an undercut groove; it freezes smoother and darker than the plate was."""
    for side, name in enumerate(SIDES[bead.joint]):
        if bead.joint == "tee" and name != plate or bead.sunk_mm[side].max() < 0.05:
            continue
        mine = np.ones_like(across, bool) if bead.joint == "tee" else (across < 0.0) == (side == 0)
        deep = np.interp(along, bead.along_mm, bead.sunk_mm[side], left=0.0, right=0.0)
        wide = np.interp(along, bead.along_mm, bead.groove_mm[side])
        inside = (1.0 - smoothstep(0.85, 1.05, distance / wide[None, :].astype(np.float32))) * mine
        amount = inside * np.clip(deep / 0.3, 0.0, 1.0)[None, :].astype(np.float32)
        maps.paint(np.float32(bead.groove_form[2]) * amount, np.array([0.09, 0.082, 0.078]), 0.4, 0.7)


def bead_maps(
    rng: np.random.Generator,
    bead: Bead,
    look: Look,
    relief_mm: NDArray[np.float64],
    chord_mm: NDArray[np.float64],
    share: NDArray[np.float64],
    *,
    px_per_mm: float,
) -> tuple[Maps, Picture]:
    """Material pictures of the weld face, and where slag covers it (0 to 1).

    Parameters
    ----------
    rng : Generator
        Source of chance.
    bead, look : Bead, Look
        The bead.
    relief_mm : ndarray, shape (n, m)
        Ripples and roughness on the surface's own grid. [mm]
    chord_mm : ndarray, shape (n,)
        Toe-to-toe distance at the nodes. [mm]
    share : ndarray, shape (m,)
        Positions across.
    px_per_mm : float
        Resolution along.
    """  # fmt: skip
    widest = float(chord_mm.max())
    shape = (max(24, int(1.2 * widest * px_per_mm)), int(bead.length_mm * px_per_mm))
    t = np.linspace(0.0, 1.0, shape[0])
    s = np.linspace(0.0, bead.length_mm, shape[1])
    relief = _regrid(relief_mm, bead.along_mm, share, s, t)
    chord = np.interp(s, bead.along_mm, chord_mm).astype(np.float32)
    edge_mm = (np.minimum(t, 1.0 - t)[:, None] * chord[None, :]).astype(np.float32)
    k = px_per_mm
    dull = look.dull_ratio
    cool = float(rng.uniform(-0.6, 1.0))
    grey = (0.52 - 0.30 * dull) * float(rng.uniform(0.85, 1.1))
    colour = grey * np.array([1.0 - 0.05 * cool, 1.0, 1.0 + 0.09 * cool])
    maps = _blank(shape, k, colour, 0.27 + 0.20 * dull, 0.97 - 0.25 * dull)
    # each freeze front leaves its own shade, with seams darker
    tau_rng = np.random.default_rng(bead.ripples["seed"])
    tau = _regrid(arc_time(bead, chord_mm, share, tau_rng), bead.along_mm, share, s, t)
    at = np.arange(-3.0, bead.length_mm + 3.0 * widest + 5.0, 0.04)
    shade = noise.line(rng, at, 0.9 * look.ripple_mm) + 0.6 * noise.line(rng, at, 0.3 * look.ripple_mm)
    shade += 0.5 * noise.line(rng, at, 6.0)
    bands = np.interp(tau, at, shade).astype(np.float32)
    maps.tint(np.exp((0.07 + 0.10 * dull) * bands))
    maps.rough *= np.exp(0.10 * bands)
    maps.bump_mm += 0.0022 * np.interp(tau, at, noise.line(rng, at, 0.22)).astype(np.float32)
    grain = noise.fractal(rng, shape, 0.35 * k, octaves=2, gain=0.9)
    maps.bump_mm += 0.0030 * grain
    blotch = noise.fractal(rng, shape, 4.0 * k, octaves=5, gain=0.65)
    maps.tint(np.exp(0.16 * blotch))
    low = smoothstep(0.2, -1.2, (relief - relief.mean()) / (relief.std() + 1e-6))
    maps.tint(1.0 - 0.35 * low)
    # oxide film: bronze to blue, mostly towards the toes and where the shield was thin
    film = np.clip(noise.fractal(rng, shape, 7.0 * k, octaves=4) * 0.5 + 0.35 * np.exp(-edge_mm / 1.2), 0.0, 1.0)
    hue = _temper(np.clip(0.35 + 0.35 * noise.fractal(rng, shape, 9.0 * k, octaves=3), 0.0, 1.0)) / 0.45
    amount = (film * (0.35 + 0.5 * dull) * float(rng.uniform(0.3, 1.2))).clip(0.0, 0.9)
    maps.base *= 1.0 + amount[..., None] * (hue - 1.0)
    # sooty, oxidised fringe along the toes
    fringe = np.exp(-((edge_mm / (0.25 + 0.35 * look.soot_ratio)) ** 2)) * (0.55 + 0.3 * noise.field(rng, shape, 2.0 * k))
    maps.paint(np.clip(0.75 * fringe, 0.0, 0.9), np.array([0.05, 0.042, 0.036]), 0.55, 0.35)
    # glassy silica islands in seams and along the toes
    seat = 0.9 * noise.fractal(rng, shape, 1.1 * k, octaves=4, gain=0.7, stretch=1.8) + 0.7 * low
    seat += 1.5 * np.exp(-edge_mm / 0.55) + 0.5 * np.clip(bands, -1.5, 1.5)
    slag = np.zeros(shape, np.float32)
    if look.silica_share > 0.0:
        level = float(np.quantile(seat[::3, ::3], 1.0 - look.silica_share))
        silica = smoothstep(level, level + 0.22, seat)
        maps.paint(0.94 * silica, np.array([0.030, 0.018, 0.010]) * float(rng.uniform(0.6, 2.2)), 0.13, 0.0)
        maps.bump_mm += 0.03 * silica
        slag = np.maximum(slag, silica)
    if look.slag_share > 0.0:
        cover = noise.fractal(rng, shape, 6.0 * k, octaves=6, gain=0.62, stretch=1.5) + 0.7 * np.exp(-edge_mm / 0.9)
        level = float(np.quantile(cover[::3, ::3], 1.0 - look.slag_share))
        crust = smoothstep(level, level + 0.07, cover)
        mottle = noise.fractal(rng, shape, 1.2 * k, octaves=4, gain=0.7)
        tone = np.array([0.055, 0.050, 0.046]) * float(rng.uniform(0.6, 1.8))
        maps.base += crust[..., None] * (tone.astype(np.float32) * np.exp(0.35 * mottle)[..., None] - maps.base)
        maps.paint(crust, None, 0.42, 0.05)
        maps.bump_mm += crust * (0.16 + 0.035 * mottle)
        slag = np.maximum(slag, crust)
    for pore in (d for d in bead.defects if d.kind == "pore"):
        assert pore.across_share is not None and pore.diameter_mm is not None
        x = (s - 0.5 * (pore.from_mm + pore.to_mm)).astype(np.float32)[None, :]
        y = ((t - pore.across_share)[:, None] * chord[None, :]).astype(np.float32)
        r = np.hypot(x, y) / np.float32(0.5 * pore.diameter_mm)
        maps.paint(0.8 * (1.0 - smoothstep(0.75, 1.05, r)), np.array([0.03, 0.027, 0.025]), 0.6, 0.4)
        maps.tint(1.0 - 0.3 * np.exp(-(((r - 1.3) / 0.5) ** 2)))
    if bead.melt is not None:
        _burnt(maps, bead, s, t, chord)
        hole = np.hypot((s - bead.melt.along_mm)[None, :], (t - bead.melt.across_share)[:, None] * chord[None, :])
        slag[hole < bead.melt.radius_mm] = 0.0
    np.clip(maps.base, 0.012, 0.92, out=maps.base)
    np.clip(maps.rough, 0.12, 1.0, out=maps.rough)
    return maps, slag


def _burnt(maps: Maps, bead: Bead, s: NDArray[np.float64], t: NDArray[np.float64], chord: Picture) -> None:
    """A melt-through: black where it is a hole, oxidised dark around it."""
    melt = bead.melt
    assert melt is not None
    x = (s - melt.along_mm).astype(np.float32)[None, :]
    y = ((t - melt.across_share)[:, None] * chord[None, :]).astype(np.float32)
    r = np.hypot(x, y) / np.float32(melt.radius_mm)
    maps.paint(0.65 * np.exp(-((r / 1.5) ** 3)), np.array([0.07, 0.062, 0.06]), 0.5, 0.5)
    if melt.hole_mm > 0.0:
        maps.paint(1.0 - smoothstep(0.8, 1.0, r), np.array([0.014, 0.013, 0.012]), 0.9, 0.0)


def _regrid(
    values: NDArray[np.float64],
    rows_at: NDArray[np.float64],
    columns_at: NDArray[np.float64],
    s: NDArray[np.float64],
    t: NDArray[np.float64],
) -> Picture:
    """Values on the surface's uneven grid (along, across) to an even picture (rows across, columns along)."""  # fmt: skip
    i = np.interp(s, rows_at, np.arange(len(rows_at))).astype(np.float32)
    j = np.interp(t, columns_at, np.arange(len(columns_at))).astype(np.float32)
    map_x = np.broadcast_to(j[:, None], (len(t), len(s)))
    map_y = np.broadcast_to(i[None, :], (len(t), len(s)))
    source = np.ascontiguousarray(values, np.float32)
    if source.shape[0] > 32000:
        raise ValueError(f"the surface has {source.shape[0]} nodes along; 32000 can be resampled: take a larger step")
    out: Picture = cv2.remap(source, np.ascontiguousarray(map_x), np.ascontiguousarray(map_y), cv2.INTER_LINEAR)
    return out
