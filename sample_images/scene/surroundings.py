"""The workshop around the coupon: an all-round picture of light, the bench, and the strips' print."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene import noise
from sample_images.scene.coupon import Coupon
from sample_images.scene.geometry import Board
from sample_images.scene.noise import smoothstep

Array = NDArray[np.float64]
Picture = NDArray[Any]

PRINT_PX_PER_MM = 32  # makes every marker module and square of all strips a whole number of pixels


def _directions(height: int, width: int) -> Array:
    """Direction of each pixel of Mitsuba's latitude-longitude map, shape (h, w, 3)."""
    u = (np.arange(width) + 0.5) / width
    v = (np.arange(height) + 0.5) / height
    phi, theta = np.meshgrid(2.0 * np.pi * u, np.pi * v)
    return np.stack([np.sin(phi) * np.sin(theta), np.cos(theta), -np.cos(phi) * np.sin(theta)], axis=-1)


def light_map(coupon: Coupon, *, height: int = 256) -> Picture:
    """Radiance from everywhere, shape (h, 2 h, 3): ceiling, walls, windows, tubes, and whoever holds the phone."""
    rng = np.random.default_rng(coupon.light_seed)
    light: dict[str, Any] = coupon.light
    d = _directions(height, 2 * height)
    lean = float(rng.normal(0.0, 14.0))
    turn = float(rng.uniform(0.0, 2.0 * np.pi))
    up = np.array([np.sin(np.radians(lean)) * np.cos(turn), np.sin(np.radians(lean)) * np.sin(turn), 0.0])
    up[2] = np.sqrt(1.0 - up[0] ** 2 - up[1] ** 2)
    side = np.cross([0.0, 1.0, 0.0], up)
    side /= np.linalg.norm(side)
    front = np.cross(up, side)
    rise = d @ up
    azimuth = np.arctan2(d @ front, d @ side)
    elevation = np.degrees(np.arcsin(np.clip(rise, -1.0, 1.0)))
    clutter = noise.fractal(rng, (height, 2 * height), 0.25 * height, octaves=6, gain=0.7)
    level = 0.16 + 0.30 * smoothstep(0.15, 0.7, rise.astype(np.float32)) - 0.10 * smoothstep(0.0, -0.4, rise.astype(np.float32))
    level *= np.exp(0.55 * clutter)
    warm = float(rng.uniform(-1.0, 1.0))
    tone = np.array([1.0 + 0.10 * warm, 1.0, 1.0 - 0.14 * warm])
    picture = level[..., None] * tone
    kind = str(light["kind"])
    if kind == "overcast":
        sky = smoothstep(-10.0, 60.0, elevation.astype(np.float32))
        picture = picture + (1.6 * sky)[..., None] * np.array([0.92, 1.0, 1.10])
    if "window" in kind:
        for _ in range(int(rng.integers(1, 4))):
            picture += _window(rng, azimuth, elevation)
    if "tubes" in kind:
        picture += _tubes(rng, d, up, side, front)
    if kind == "lamp":
        at = np.array([rng.normal(0.0, 0.6), rng.normal(0.0, 0.6), 1.0])
        at /= np.linalg.norm(at)
        spot = smoothstep(float(np.cos(0.16)), float(np.cos(0.10)), (d @ at).astype(np.float32))
        picture += (70.0 * spot)[..., None] * np.array([1.15, 1.0, 0.72])
    if light.get("glare"):
        for name in coupon.poses:
            picture += _mirror_spot(coupon, name, d, rng)
    # phone, hands and head hide what is behind them; the body stands below in the view
    towards = coupon.position_mm - np.array([0.5 * coupon.bead.length_mm, 0.0, 0.0])
    towards /= np.linalg.norm(towards)
    near = np.degrees(np.arccos(np.clip(d @ towards, -1.0, 1.0)))
    shade = 1.0 - 0.9 * smoothstep(float(rng.uniform(26.0, 40.0)), 12.0, (near + 6.0 * clutter).astype(np.float32))
    body = smoothstep(0.35, 0.6, (-(d @ front) + 0.08 * clutter).astype(np.float32)) * smoothstep(
        75.0, 60.0, np.abs(elevation).astype(np.float32)
    )
    shade *= 1.0 - 0.75 * body
    if not light.get("glare"):
        picture *= shade[..., None]
    if "around_ratio" in light:
        picture *= float(light["around_ratio"])
    return np.ascontiguousarray(picture, dtype=np.float32)


def lamp_target(coupon: Coupon) -> Array:
    """Where the near lamp points: the middle of the bead, coupon frame. [mm]"""
    return np.array([0.5 * coupon.bead.length_mm, 0.0, 0.0])


def near_lamp(coupon: Coupon) -> tuple[Array, float, Array]:
    """The near lamp, a square that faces the bead: its place [mm], half its side [mm], its radiance in red, green, blue.

    It stands at arm's length, at the phone, or far away where it is the sun.
    """
    light = coupon.light
    target = lamp_target(coupon)
    if light["flash"]:
        place, half = coupon.position_mm + np.array([14.0, 6.0, 4.0]), 2.5
    else:
        a, e = np.radians(light["near_azimuth_deg"]), np.radians(light["near_elevation_deg"])
        away = float(light.get("near_away_mm", 550.0))
        place = target + away * np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
        half = 0.5 * float(light["near_size_mm"])
    radiance = 1.6 * float(light["near_ratio"]) * np.linalg.norm(place - target) ** 2 / (2.0 * half) ** 2
    warm = np.random.default_rng([coupon.light_seed, 3]).uniform(-0.15, 0.25)
    return place, half, np.array([radiance * (1.0 + warm), radiance, radiance * (1.0 - 1.2 * warm)])


def _window(rng: np.random.Generator, azimuth: Array, elevation: Array) -> Array:
    at, half = float(rng.uniform(-np.pi, np.pi)), float(rng.uniform(0.18, 0.6))
    low, tall = float(rng.uniform(5.0, 30.0)), float(rng.uniform(18.0, 45.0))
    x = (np.angle(np.exp(1j * (azimuth - at))) / half + 1.0) / 2.0
    y = (elevation - low) / tall
    inside = (x > 0.0) & (x < 1.0) & (y > 0.0) & (y < 1.0)
    panes_x, panes_y = int(rng.integers(1, 5)), int(rng.integers(1, 4))
    bars = (np.abs((x * panes_x) % 1.0 - 0.5) < 0.44) & (np.abs((y * panes_y) % 1.0 - 0.5) < 0.45)
    outside = float(rng.uniform(5.0, 16.0)) * (0.35 + 0.65 * np.clip(y, 0.0, 1.0))
    return np.asarray((outside * inside * bars)[..., None] * np.array([0.88, 1.0, 1.16]))


def _tubes(rng: np.random.Generator, d: Array, up: Array, side: Array, front: Array) -> Array:
    rise = np.maximum(d @ up, 1e-3)
    high = float(rng.uniform(1.8, 3.2))
    x, y = high * (d @ side) / rise, high * (d @ front) / rise
    turn = float(rng.uniform(0.0, np.pi))
    along, across = np.cos(turn) * x + np.sin(turn) * y, -np.sin(turn) * x + np.cos(turn) * y
    lit = np.zeros(d.shape[:2])
    first = float(rng.uniform(-1.5, 1.0))
    for k in range(int(rng.integers(1, 4))):
        middle = first + 1.4 * k
        lit += (np.abs(across - middle) < 0.09) * (np.abs(along - rng.uniform(-0.5, 0.5)) < 0.75) * (d @ up > 0.05)
    return np.asarray((float(rng.uniform(25.0, 45.0)) * lit)[..., None] * np.array([0.95, 1.0, 0.97]))


def _mirror_spot(coupon: Coupon, plate: str, d: Array, rng: np.random.Generator) -> Array:
    """A bright patch where the plate mirrors it into the lens: glare on the toe."""
    pose = coupon.poses[plate]
    normal = coupon.rotation.T @ pose.rotation[:, 2]
    spot_mm = np.array([float(rng.uniform(0.3, 0.7)) * coupon.bead.length_mm, 0.0, 0.0])
    view = spot_mm - coupon.position_mm
    view /= np.linalg.norm(view)
    mirrored = view - 2.0 * (view @ normal) * normal
    lit = smoothstep(float(np.cos(0.17)), float(np.cos(0.11)), (d @ mirrored).astype(np.float32))
    return np.asarray((35.0 * lit)[..., None] * np.array([0.95, 1.0, 1.05]))


def bench_picture(coupon: Coupon, *, size: int = 512) -> Picture:
    """What the coupon lies on, 300 mm of it, shape (size, size, 3)."""
    rng = np.random.default_rng([coupon.light_seed, 1])
    kind = coupon.light["bench"]
    shape = (size, size)
    grain = noise.fractal(rng, shape, 3.0, octaves=2, gain=0.8)
    blotch = noise.fractal(rng, shape, 90.0, octaves=6, gain=0.6)
    tones = {
        "wood": (0.26, 0.17, 0.09),
        "steel": (0.17, 0.17, 0.175),
        "concrete": (0.30, 0.29, 0.27),
        "cardboard": (0.36, 0.26, 0.16),
        "dark": (0.05, 0.05, 0.055),
    }
    strength = 0.16 * blotch + 0.07 * grain
    if kind == "wood":
        rings = noise.fractal(rng, shape, 14.0, octaves=3, stretch=14.0)
        strength = strength + 0.28 * rings
    if kind == "steel":
        strength = strength + 0.10 * noise.fractal(rng, shape, 2.0, octaves=2, stretch=25.0)
    picture = np.array(tones[kind]) * np.exp(strength)[..., None]
    return np.asarray(np.clip(picture, 0.01, 0.9), dtype=np.float32)


def strip_print(board: Board, rng: np.random.Generator) -> Picture:
    """The printed strip with its margin, reflectance, at `PRINT_PX_PER_MM`, shape (h, w).

    Squares and marker modules fall on whole pixels, so printed geometry is exact; ink spreads evenly a little.
    """
    k = PRINT_PX_PER_MM
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    square, marker, margin = (int(round(v * k)) for v in (board.square_mm, board.marker_mm, board.margin_mm))
    picture = np.ones((board.n_y * square, board.n_x * square), np.uint8)
    number = board.first_id
    inset = (square - marker) // 2
    for row in range(board.n_y):
        for column in range(board.n_x):
            y, x = row * square, column * square
            if (row + column) % 2 == 0:
                picture[y : y + square, x : x + square] = 0
            else:
                modules = cv2.aruco.generateImageMarker(dictionary, number, 8)
                cell = np.kron(modules > 127, np.ones((marker // 8, marker // 8), np.uint8))
                picture[y + inset : y + inset + marker, x + inset : x + inset + marker] = cell
                number += 1
    picture = np.pad(picture, margin, constant_values=1)
    spread = int(rng.integers(0, 3))
    if spread:
        picture = np.asarray(cv2.erode(picture, np.ones((2 * spread - 1,) * 2, np.uint8)), dtype=np.uint8)
    paper, ink = float(rng.uniform(0.70, 0.86)), float(rng.uniform(0.025, 0.06))
    printed = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.6)
    return ink + (paper - ink) * printed
