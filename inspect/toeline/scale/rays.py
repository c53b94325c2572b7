"""Rays between photo and plates: pixels to millimetres, millimetres to pixels, and what every doubt does to them."""

from __future__ import annotations

from math import acos, degrees, hypot

import numpy as np
from numpy.typing import NDArray

from toeline.quantity import Measured
from toeline.scale.solution import Lens, PlateFit, Scale

Array = NDArray[np.float64]

LENS_PARAMETERS: tuple[str, ...] = ("focal_px", "centre_x_px", "centre_y_px", "k1", "k2", "p1", "p2")


def distort(lens: Lens, rays: Array) -> Array:
    """Where undistorted image-plane points (x/z, y/z) land in the photo, shape (n, 2) to (n, 2) [px].

    References
    ----------
    D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855-866, in OpenCV's notation.
    """
    x, y = rays[..., 0], rays[..., 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (lens.k1 + r2 * lens.k2)
    xd = x * radial + 2.0 * lens.p1 * x * y + lens.p2 * (r2 + 2.0 * x * x)
    yd = y * radial + lens.p1 * (r2 + 2.0 * y * y) + 2.0 * lens.p2 * x * y
    sign = -1.0 if lens.mirrored else 1.0
    return np.stack([lens.centre_x_px + sign * lens.focal_px * xd, lens.centre_y_px + lens.focal_px * yd], axis=-1)


def undistort(lens: Lens, points_px: Array) -> Array:
    """Undistorted image-plane points (x/z, y/z) of photo points, by Newton's method, shape (n, 2) to (n, 2) [ratio]."""
    sign = -1.0 if lens.mirrored else 1.0
    target = (points_px - [lens.centre_x_px, lens.centre_y_px]) / [sign * lens.focal_px, lens.focal_px]
    if not any((lens.k1, lens.k2, lens.p1, lens.p2)):
        return target
    rays = target.copy()
    unit = Lens(1.0, 0.0, 0.0, lens.k1, lens.k2, lens.p1, lens.p2)
    for _ in range(8):
        step = np.linalg.solve(distortion_slope(lens, rays), (distort(unit, rays) - target)[..., None])[..., 0]
        rays = rays - step
        if step.size == 0 or np.abs(step).max() < 1e-12:
            break
    return rays


def distortion_slope(lens: Lens, rays: Array) -> Array:
    """Derivative of the distorted by the undistorted point, shape (n, 2, 2)."""
    x, y = rays[..., 0], rays[..., 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (lens.k1 + r2 * lens.k2)
    slope = 2.0 * (lens.k1 + 2.0 * lens.k2 * r2)
    xy = x * y * slope + 2.0 * lens.p1 * x + 2.0 * lens.p2 * y
    return np.stack(
        [
            np.stack([radial + x * x * slope + 2 * lens.p1 * y + 6 * lens.p2 * x, xy], axis=-1),
            np.stack([xy, radial + y * y * slope + 6 * lens.p1 * y + 2 * lens.p2 * x], axis=-1),
        ],
        axis=-2,
    )


def _meet(scale: Scale, plate: PlateFit, points_px: Array, height_mm: float) -> tuple[Array, Array, Array]:
    """Rays (n, 3) with z = 1, their reach to the plate (n,), and where they meet it, plate frame (n, 3)."""
    rays = undistort(scale.lens, points_px)
    rays = np.concatenate([rays, np.ones((*rays.shape[:-1], 1))], axis=-1)
    local_rays = rays @ plate.rotation
    eye = -plate.translation_mm @ plate.rotation
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (height_mm - eye[2]) / local_rays[..., 2]
    reach = np.where(reach > 0, reach, np.nan)
    return rays, reach, eye + reach[..., None] * local_rays


def to_plate_mm(scale: Scale, plate: str, points_px: Array, *, height_mm: float = 0.0) -> Array:
    """Where the rays of photo points meet a plate's face, or a plane at a height above it.

    Parameters
    ----------
    points_px : ndarray, shape (n, 2)
        Points in the upright photo [px].
    height_mm : float
        Height of the plane above the plate's face [mm].

    Returns
    -------
    ndarray, shape (n, 2)
        (along, across); NaN for rays that never meet the plane in front of the phone [mm].
    """
    return _meet(scale, scale.plate(plate), np.asarray(points_px, dtype=float), height_mm)[2][..., :2]


def to_photo_px(scale: Scale, plate: str, points_mm: Array) -> Array:
    """Where points on a plate are seen in the photo.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2) or (n, 3)
        (along, across) or (along, across, height) [mm].

    Returns
    -------
    ndarray, shape (n, 2)
        NaN for points behind the phone [px].
    """
    fit = scale.plate(plate)
    points = np.asarray(points_mm, dtype=float)
    seen = points @ fit.rotation[:, : points.shape[-1]].T + fit.translation_mm
    depth = np.where(seen[..., 2] > 0, seen[..., 2], np.nan)
    return distort(scale.lens, seen[..., :2] / depth[..., None])


def effects_mm(scale: Scale, plate: str, points_mm: Array) -> dict[str, Array]:
    """What one standard deviation of every named source does to (along, across) of points whose pixels are fixed.

    Exact to first order: the ray turns with the lens, the plate moves with its pose, and the point slides in the plate.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2)
        Points on the plate [mm].

    Returns
    -------
    dict of source name to ndarray, shape (n, 2)
        Signed [mm].
    """
    fit, lens = scale.plate(plate), scale.lens
    points = np.asarray(points_mm, dtype=float)
    from_origin = points @ fit.rotation[:, :2].T
    seen = from_origin + fit.translation_mm
    rays = seen[..., :2] / seen[..., 2:]
    ray_slopes = _ray_slopes(lens, rays)
    local_rays = seen / seen[..., 2:] @ fit.rotation
    effects = {}
    for name, motions in scale.effects.items():
        turn = np.zeros_like(seen)
        turn[..., :2] = ray_slopes @ scale.lens_effects.get(name, np.zeros(len(LENS_PARAMETERS)))
        motion = motions.get(plate, np.zeros(6))
        slide = (seen[..., 2:] * turn - motion[3:] - np.cross(motion[:3], from_origin)) @ fit.rotation
        slide = slide - slide[..., 2:] / local_rays[..., 2:] * local_rays
        effects[name] = slide[..., :2]
    return effects


def lens_slopes(lens: Lens, rays: Array) -> Array:
    """Derivative of the photo position of a fixed ray by the lens parameters, shape (n, 2, 7) [px per their unit]."""
    x, y = rays[..., 0], rays[..., 1]
    r2, f = x * x + y * y, lens.focal_px
    zero = np.zeros_like(x)
    centre_x, centre_y = lens.centre_x_px, lens.centre_y_px
    sign = -1.0 if lens.mirrored else 1.0
    seen = distort(lens, rays) - [centre_x, centre_y]
    across = [seen[..., 0] / f, zero + 1.0, zero]
    across += [sign * f * x * r2, sign * f * x * r2 * r2, sign * f * 2.0 * x * y, sign * f * (r2 + 2.0 * x * x)]
    down = [seen[..., 1] / f, zero, zero + 1.0]
    down += [f * y * r2, f * y * r2 * r2, f * (r2 + 2.0 * y * y), f * 2.0 * x * y]
    return np.stack([np.stack(across, axis=-1), np.stack(down, axis=-1)], axis=-2)


def _ray_slopes(lens: Lens, rays: Array) -> Array:
    """Derivative of a fixed pixel's undistorted ray by the lens parameters, shape (n, 2, 7)."""
    scale = np.array([-1.0 if lens.mirrored else 1.0, 1.0])[:, None] * lens.focal_px
    return np.asarray(-np.linalg.solve(distortion_slope(lens, rays) * scale, lens_slopes(lens, rays)), dtype=np.float64)


def depth_effect_mm(scale: Scale, plate: str, points_mm: Array) -> Array:
    """How far (along, across) is off for each millimetre that the seen point lies below the plate's face, shape (n, 2)
    [mm/mm].

    An undercut toe lies in its groove, and its ray meets the face elsewhere: by this much for each millimetre of the
    groove's depth.
    """
    fit = scale.plate(plate)
    points = np.asarray(points_mm, dtype=float)
    local_rays = (points @ fit.rotation[:, :2].T + fit.translation_mm) @ fit.rotation
    return local_rays[..., :2] / local_rays[..., 2:]


def px_per_mm_at(scale: Scale, plate: str, point_mm: tuple[float, float], *, span_mm: float = 10.0) -> Measured:
    """Pixels to the millimetre along the weld at a point of a plate [px/mm]."""
    ends = np.array([[point_mm[0] - span_mm / 2, point_mm[1]], [point_mm[0] + span_mm / 2, point_mm[1]]])
    pixels = to_photo_px(scale, plate, ends)
    value = hypot(*(pixels[1] - pixels[0])) / span_mm
    effects = effects_mm(scale, plate, ends)
    return Measured(value, 0.0, {name: -value * float(e[1, 0] - e[0, 0]) / span_mm for name, e in effects.items()})


def tilt_deg(scale: Scale, plate: str, point_mm: tuple[float, float]) -> float:
    """Angle of the viewing ray from the plate's normal; on a tee from the bisector of the two plates' normals [deg]."""
    fit = scale.plate(plate)
    seen = fit.rotation[:, :2] @ np.asarray(point_mm) + fit.translation_mm
    normal = np.sum([p.rotation[:, 2] for p in scale.plates], axis=0)
    cosine = -(seen @ normal) / (np.linalg.norm(seen) * np.linalg.norm(normal))
    return degrees(acos(min(1.0, max(-1.0, float(cosine)))))
