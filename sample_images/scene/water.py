"""Water drops on the plates: clear caps, traced apart from the picture and laid into its linear light.

A path tracer finds the light that a drop gathers on the plate below it by chance only, so at few samples a pixel it gives specks.
Here each drop's light is traced forwards from the surroundings, on a regular grid, to a picture of how much more or less the plate gets
in and about the drop; rays from the lens are bent at the drop's face and see the plate so lit, and the surroundings as that face mirrors
them. Both follow from the drop's shape alone, whatever its size: a few shapes serve all drops of a picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene.coupon import Coupon
from sample_images.scene.geometry import plate_axes
from sample_images.scene.spatter import Distractor
from sample_images.scene.surroundings import light_map, near_lamp

Array = NDArray[np.float64]
Picture = NDArray[Any]

IOR = 1.33
"""Refractive index of water (common knowledge)."""
N_SHAPES = 14
CONTACT_DEG = (25.0, 80.0)
GLOSS, DULL = (0.15, 0.4), (0.3, 0.7)
"""Breadth of the highlights of a metal plate, and of one under rust or scale: root mean square slope of its facets."""
BRIGHTEST = 6.0
"""Most light that a place within a drop throws, over that without it."""
HALF, N = 2.6, 112
"""Half the width of a shape's pictures, in halves of the drop's size, and their number of cells."""
N_AROUND = 12
"""Directions that stand for the light from all round."""


@dataclass(frozen=True, slots=True, eq=False)
class Cap:
    """A drop's shape and what it does to the plate's light; lengths in halves of its size.

    Parameters
    ----------
    height, slope_x, slope_y : ndarray, shape (N, N)
        Of its face over the plate.
    landed : ndarray, shape (n, N, N, 3)
        Light from each of the plate's directions that lands on each cell: how much, and that times the parts along and across
        of the direction that it comes from there.
    """

    height: Picture
    slope_x: Picture
    slope_y: Picture
    landed: Picture


@dataclass(frozen=True, slots=True, eq=False)
class Lights:
    """The surroundings as one plate has them, in the plate's frame.

    Parameters
    ----------
    directions, shares : ndarray, shape (n, 3) and (n,)
        Where light comes from, and each one's share of the plate's light.
    around : ndarray, shape (h, 2 h, 3)
        Radiance all round, in the coupon's frame.
    axes : ndarray, shape (3, 3)
        The plate's frame in the coupon's.
    other : ndarray or None
        Normal of the tee's other plate, which hides what lies behind it.
    plate_light : ndarray, shape (3,)
        Radiance of the plates themselves.
    lamp : tuple
        The near lamp's direction, the tangent of its half width, and its radiance.
    """

    directions: Array
    shares: Array
    around: Picture
    axes: Array
    other: Array | None
    plate_light: Array
    lamp: tuple[Array, float, Array]


def with_water(light: Picture, shows: NDArray[np.bool_], coupon: Coupon, plate: str) -> Picture:
    """Linear light of a picture with the water drops of one plate.

    Parameters
    ----------
    light : ndarray, shape (h, w, 3)
        Without them.
    shows : ndarray of bool, shape (h, w)
        Where the picture shows that plate.
    coupon : Coupon
        Its distractors of the kind `water drop` are the drops.
    plate : str
        The plate's name.
    """
    drops = [d for d in coupon.distractors if d.kind == "water drop" and d.plate == plate]
    if not drops or not shows.any():
        return light
    pose, camera = coupon.poses[plate], coupon.camera
    centre = np.array([np.mean([d.along_mm for d in drops]), np.mean([d.across_mm for d in drops]), 0.0])
    lens_mm = -pose.rotation.T @ pose.translation
    lights = _lights(coupon, plate, centre, np.median(light[shows], axis=0))
    rng = np.random.default_rng([coupon.seed, 12])
    finish = next(body.finish for body in coupon.bodies if body.name == plate)
    run_deg, gloss = float(rng.uniform(0.0, 360.0)), float(rng.uniform(*(DULL if finish in ("rusty", "mill scale") else GLOSS)))
    caps = [make_cap(np.random.default_rng([coupon.seed, 13, k]), run_deg, lights) for k in range(N_SHAPES)]
    grid = np.stack(np.meshgrid(np.arange(camera.width_px), np.arange(camera.height_px)), axis=-1).astype(np.float64)
    plate_mm = pose.meet(camera.normalised(grid, n_iterations=5)).astype(np.float32)
    out = light.copy()
    for drop in drops:
        middle = np.array([drop.along_mm, drop.across_mm, 0.0])
        corners = middle + 0.5 * drop.size_mm * np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
        px = camera.project(pose.to_camera(corners))
        if camera.contains(px[:1])[0]:
            view = (lens_mm - middle) / np.linalg.norm(lens_mm - middle)
            _lay(out, light, shows, plate_mm, drop, caps[drop.seed % N_SHAPES], px, view, lights, gloss)
    return out


def _lay(
    out: Picture,
    light: Picture,
    shows: NDArray[np.bool_],
    plate_mm: Picture,
    drop: Distractor,
    cap: Cap,
    px: Array,
    view: Array,
    lights: Lights,
    gloss: float,
) -> None:
    """Lay one drop into `out`; `px` are its middle and the ends of its half axes in the photo, `view` the way to the lens."""
    height, width = shows.shape
    to_px = (px[1:] - px[0]).T
    reach = HALF * np.abs(to_px).sum(axis=1) * 0.8 + 2.0
    x0, y0 = np.maximum(np.floor(px[0] - reach), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(px[0] + reach) + 1, (width, height)).astype(int)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return
    k = 5 if drop.size_mm * np.abs(np.linalg.det(to_px)) ** 0.5 < 40.0 else 3
    # where rays through parts of each pixel would meet the bare plate, in halves of the drop's size
    part = (np.arange(k) + 0.5) / k - 0.5
    xs = (np.arange(x1 - x0)[:, None] + part).ravel().astype(np.float32)
    ys = (np.arange(y1 - y0)[:, None] + part).ravel().astype(np.float32)
    gx, gy = np.meshgrid(xs, ys)
    at = cv2.remap(plate_mm[y0:y1, x0:x1], gx, gy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    u = (at[..., 0] - np.float32(drop.along_mm)) / np.float32(0.5 * drop.size_mm)
    v = (at[..., 1] - np.float32(drop.across_mm)) / np.float32(0.5 * drop.size_mm)
    z, pu, pv = _meet(cap.height, u, v, view)
    met = z > 0.0
    plain = float(np.sum(lights.shares * _thrown(*(lights.directions + view).T, gloss)))
    flat = (plate_mm[y0:y1, x0:x1] - np.float32([drop.along_mm, drop.across_mm])) / np.float32(0.5 * drop.size_mm)
    beside = np.minimum(_thrown_from(cap, flat[..., 0].ravel(), flat[..., 1].ravel(), view, gloss) / plain, BRIGHTEST)
    small = (x1 - x0, y1 - y0)
    ours = shows[y0:y1, x0:x1]
    through = np.zeros((*met.shape, 3), np.float32)
    if met.any():
        rows, columns = np.nonzero(met)
        z, pu, pv = z[met], pu[met], pv[met]
        normal = _normal(cap, pu, pv)
        into, fresnel = bent(-view, normal)
        fall = z / np.maximum(-into[:, 2], 0.05)
        qu, qv = pu + into[:, 0] * fall, pv + into[:, 1] * fall
        moved = np.stack([qu - u[met], qv - v[met]], axis=-1) @ to_px.T
        seen = _at(light, x0 + gx[met] + moved[:, 0], y0 + gy[met] + moved[:, 1])
        mirrored = 2.0 * np.sum(normal * view, axis=1, keepdims=True) * normal - view
        lit = np.minimum((1.0 - fresnel) * _thrown_from(cap, qu, qv, -into, gloss) / plain, BRIGHTEST)
        through[rows, columns] = seen * lit[:, None] + fresnel[:, None] * _radiance(lights, mirrored)
    bare = cv2.resize((~met).astype(np.float32), small, interpolation=cv2.INTER_AREA) * beside.reshape(ours.shape)
    new = out[y0:y1, x0:x1] * bare[..., None].astype(np.float32)
    new += cv2.resize(through, small, interpolation=cv2.INTER_AREA)
    out[y0:y1, x0:x1][ours] = new[ours]


def make_cap(rng: np.random.Generator, run_deg: float, lights: Lights) -> Cap:
    """One shape, and the plate's light about it."""
    cells = (np.arange(N) + 0.5) / N * 2.0 * HALF - HALF
    x, y = np.meshgrid(cells, cells)
    height = np.zeros((N, N))
    n_lobes = int(rng.choice([1, 2, 3], p=(0.72, 0.2, 0.08)))
    contact = np.radians(CONTACT_DEG[0] + (CONTACT_DEG[1] - CONTACT_DEG[0]) * rng.beta(2.5, 1.2))
    for _ in range(n_lobes):
        radius = 1.0 if n_lobes == 1 else float(rng.uniform(0.4, 0.7))
        away, way = (0.0, 0.0) if n_lobes == 1 else (float(rng.uniform(0.25, 0.55)), float(rng.uniform(0.0, 2.0 * np.pi)))
        long = 1.0 + abs(float(rng.normal(0.0, 0.12))) + float(rng.random() < 0.25) * float(rng.uniform(0.2, 1.0))
        turn = np.radians(run_deg + rng.normal(0.0, 20.0))
        dx, dy = x - away * np.cos(way), y - away * np.sin(way)
        a, b = np.cos(turn) * dx + np.sin(turn) * dy, -np.sin(turn) * dx + np.cos(turn) * dy
        a, b = a / np.sqrt(long), b * np.sqrt(long) * (1.0 + float(rng.uniform(0.0, 0.35)) * (long > 1.2) * np.tanh(a))
        angle = np.arctan2(b, a)
        rim = 1.0 + sum(0.05 / (m - 1) * rng.normal() * np.cos(m * angle + rng.uniform(0.0, 6.28)) for m in range(2, 6))
        r = np.hypot(a, b) / (radius * rim)
        ball = 1.0 / np.sin(contact)
        lobe = radius * (np.sqrt(np.maximum(ball**2 - np.minimum(r, 1.0) ** 2, 0.0)) - ball * np.cos(contact))
        height = (height**4 + np.maximum(lobe, 0.0) ** 4) ** 0.25
    soft = cv2.GaussianBlur(height, (0, 0), 0.8).astype(np.float32)
    soft[soft < 1e-3] = 0.0
    slope_y, slope_x = np.gradient(soft, 2.0 * HALF / N)
    shape = Cap(soft, slope_x.astype(np.float32), slope_y.astype(np.float32), np.empty((0, N, N, 3), np.float32))
    return replace(shape, landed=_landed(shape, lights))


def _landed(cap: Cap, lights: Lights) -> Picture:
    """Light on the plate within and about a drop: a regular grid of rays traced from each direction."""
    cells = ((np.arange(N) + 0.5) / N * 2.0 * HALF - HALF).astype(np.float32)
    u, v = np.meshgrid(cells, cells)
    inner = np.clip((HALF - np.maximum(np.abs(u), np.abs(v))) / 0.5 - 0.2, 0.0, 1.0)[..., None]  # nothing changes at the rim
    landed = []
    for direction, share in zip(lights.directions, lights.shares, strict=True):
        z, pu, pv = _meet(cap.height, u, v, direction)
        met = z > 0.0
        into, fresnel = bent(-direction, _normal(cap, pu[met], pv[met]))
        fall = z[met] / np.maximum(-into[:, 2], 0.05)
        plain = share * np.array([1.0, direction[0], direction[1]])
        light = share * (1.0 - fresnel)[:, None] * np.stack([np.ones(len(into)), -into[:, 0], -into[:, 1]], axis=-1)
        total = plain * ~met[..., None] + _splat(pu[met] + into[:, 0] * fall, pv[met] + into[:, 1] * fall, light)
        landed.append(plain + inner * (cv2.GaussianBlur(total, (0, 0), 1.3) - plain))
    return np.asarray(landed, dtype=np.float32)


def _thrown_from(cap: Cap, u: Picture, v: Picture, view: Array, gloss: float) -> Array:
    """Light that places on the plate throw towards a view (3,), or each towards its own (n, 3), shape (n,)."""
    total = np.zeros(u.shape, np.float32)
    vx, vy, vz = np.moveaxis(np.asarray(view, np.float32), -1, 0)
    for landed in cap.landed:
        power, x, y = np.moveaxis(_look_up(landed, u, v), -1, 0)
        x, y = x / np.maximum(power, 1e-9), y / np.maximum(power, 1e-9)
        z = np.sqrt(np.maximum(1.0 - x * x - y * y, 0.01))
        total += power * _thrown(x + vx, y + vy, z + vz, gloss)
    return total


def _splat(u: Picture, v: Picture, light: Array) -> Array:
    """The light (n, k) of rays shared among the four cells about where each lands, shape (N, N, k)."""
    x, y = (u + HALF) / (2.0 * HALF) * N - 0.5, (v + HALF) / (2.0 * HALF) * N - 0.5
    i, j = np.floor(x).astype(int), np.floor(y).astype(int)
    total = np.zeros((N * N, light.shape[1]))
    for di in (0, 1):
        for dj in (0, 1):
            inside = (i + di >= 0) & (i + di < N) & (j + dj >= 0) & (j + dj < N)
            cell = ((j + dj) * N + i + di)[inside]
            part = (np.abs(1 - di - (x - i)) * np.abs(1 - dj - (y - j)))[inside]
            for k in range(light.shape[1]):
                total[:, k] += np.bincount(cell, part * light[inside, k], N * N)
    return total.reshape(N, N, -1)


def _thrown(x: Array, y: Array, z: Array, gloss: float) -> Array:
    """What a plate of dull and glossy metal throws from a direction to another, by the parts of their sum, shape (n,)."""
    a2 = gloss**2
    return np.asarray(0.12 + a2 / (z * z / (x * x + y * y + z * z + 1e-9) * (a2 - 1.0) + 1.0) ** 2)


def _meet(height: Picture, u: Picture, v: Picture, towards: Array, *, n_levels: int = 10) -> tuple[Picture, Picture, Picture]:
    """Where rays that would meet the bare plate at (u, v), from a direction, first meet the drop: height (0: never) and place."""
    lean_u, lean_v = (np.float32(towards[k] / max(towards[2], 0.12)) for k in (0, 1))
    found = np.zeros(u.shape, np.float32)
    before: Picture | None = None
    levels = np.linspace(1.02 * float(height.max()), 0.0, n_levels).astype(np.float32)
    for k, z in enumerate(levels):
        over = _look_up(height, u + lean_u * z, v + lean_v * z) - z
        if k == n_levels - 1:
            over = np.where(over > 0.0, over, -1.0)  # the bare plate is no drop
        if before is not None:
            new = (found == 0.0) & (over >= 0.0) & (before < 0.0)
            share = before / np.minimum(before - over, -1e-9)
            found = np.where(new, levels[k - 1] + share * (z - levels[k - 1]), found)
        before = over
    return found, u + lean_u * found, v + lean_v * found


def _look_up(picture: Picture, u: Picture, v: Picture) -> Picture:
    """A shape's picture, shape (N, N) or (N, N, k), at places; outside as at its rim."""
    x = np.ascontiguousarray((u + HALF) / (2.0 * HALF) * N - 0.5, np.float32)
    y = np.ascontiguousarray((v + HALF) / (2.0 * HALF) * N - 0.5, np.float32)
    return _at(picture, x, y).reshape(*u.shape, *picture.shape[2:])


def _at(picture: Picture, x: Picture, y: Picture) -> Picture:
    """A picture's values at pixel positions of any shape; beyond its rim as there."""
    n = x.size
    rows = -(-n // 4096)  # OpenCV takes no longer ones than 32767
    x, y = (np.resize(np.asarray(a, np.float32), (rows, min(n, 4096))) if a.ndim == 1 and n > 4096 else a for a in (x, y))
    found = cv2.remap(picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return found.reshape(-1, *picture.shape[2:])[:n]


def _normal(cap: Cap, u: Picture, v: Picture) -> Array:
    normal = np.stack([-_look_up(cap.slope_x, u, v), -_look_up(cap.slope_y, u, v), np.ones(u.shape)], axis=-1)
    return np.asarray(normal / np.linalg.norm(normal, axis=-1, keepdims=True), dtype=np.float64)


def bent(way: Array, normal: Array) -> tuple[Array, Array]:
    """Direction in the water of light that comes a way (3,) or (n, 3), by Snell's law; share mirrored, by Schlick's formula.

    References
    ----------
    C. Schlick, "An inexpensive BRDF model for physically-based rendering", Computer Graphics Forum 13 (1994) 233-246.
    """
    cosine = np.maximum(-np.sum(way * normal, axis=-1), 0.0)
    inner = np.sqrt(1.0 - (1.0 - cosine**2) / IOR**2)
    into = way / IOR + (cosine / IOR - inner)[:, None] * normal
    straight = ((IOR - 1.0) / (IOR + 1.0)) ** 2
    return into, straight + (1.0 - straight) * (1.0 - cosine) ** 5


def _lights(coupon: Coupon, plate: str, centre_mm: Array, plate_light: Array) -> Lights:
    """What shines on a plate: the near lamp, and a few directions that stand for all the rest."""
    axes = plate_axes(coupon.joint, coupon.plate_angle_deg)
    mine = axes[plate]
    other = next((axes[name][:, 2] for name in axes if name != plate), None)
    around = light_map(coupon)
    small = cv2.resize(around, (96, 48), interpolation=cv2.INTER_AREA).mean(axis=-1).astype(np.float64)
    theta, phi = np.meshgrid((np.arange(48) + 0.5) / 48 * np.pi, (np.arange(96) + 0.5) / 96 * 2.0 * np.pi, indexing="ij")
    d = np.stack([np.sin(phi) * np.sin(theta), np.cos(theta), -np.cos(phi) * np.sin(theta)], axis=-1).reshape(-1, 3)
    weight = small.ravel() * np.sin(theta).ravel() * (np.pi / 48) ** 2
    if other is not None:
        weight = np.where(d @ other > 0.0, weight, plate_light.mean() * np.sin(theta).ravel() * (np.pi / 48) ** 2)
    local = d @ mine
    weight = weight * np.where(local[:, 2] > 0.12, local[:, 2], 0.0)
    order = np.argsort(np.arctan2(local[:, 1], local[:, 0]))
    heap = np.cumsum(weight[order])
    picks = order[np.minimum(np.searchsorted(heap, (np.arange(N_AROUND) + 0.5) / N_AROUND * heap[-1]), len(order) - 1)]
    place, half, radiance = near_lamp(coupon)
    away = place - mine @ centre_mm
    reach = float(np.linalg.norm(away))
    lamp = away / reach
    rise = float(lamp @ mine[:, 2])
    power = float(radiance.mean()) * (2.0 * half / reach) ** 2 * rise
    shaded = rise < 0.05 or (other is not None and lamp @ other < 0.0)
    shares = np.append(np.full(N_AROUND, heap[-1] / N_AROUND), 0.0 if shaded else power)
    directions = np.vstack([local[picks], lamp @ mine])
    directions[-1, 2] = max(directions[-1, 2], 0.12)
    lit = (lamp, half / reach, radiance * (0.0 if shaded else 1.0))
    return Lights(directions, shares / shares.sum(), cv2.GaussianBlur(around, (0, 0), 1.5), mine, other, plate_light, lit)


def _radiance(lights: Lights, local: Array) -> Array:
    """Light from directions in the plate's frame, shape (n, 3)."""
    d = local @ lights.axes.T
    rows, columns = lights.around.shape[:2]
    x = (np.arctan2(d[:, 0], -d[:, 2]) / (2.0 * np.pi) % 1.0) * columns - 0.5
    y = np.arccos(np.clip(d[:, 1], -1.0, 1.0)) / np.pi * rows - 0.5
    found = _at(lights.around, x, y)
    if lights.other is not None:
        found = np.where((d @ lights.other < 0.0)[:, None], lights.plate_light, found)
    lamp, half, radiance = lights.lamp
    wide = max(0.55 * half, 0.03)  # narrower, rays would miss it: as much light from a wider patch
    off = np.arccos(np.clip(d @ lamp, -1.0, 1.0)) / wide
    glint = (2.0 * half) ** 2 / (2.0 * np.pi * wide**2) * np.exp(-0.5 * off**2)
    found = found + glint[:, None] * radiance
    return np.asarray(np.where(local[:, 2:] > 0.0, found, lights.plate_light))
