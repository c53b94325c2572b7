"""Path tracing with Mitsuba 3 (extra `render`): a coupon to linear light, and to the truth of each pixel.

Rays start from the true lens itself (distortion and aperture included), so no picture is ever bent afterwards.
Needs a vectorised variant: `cuda_ad_rgb`, or `llvm_ad_rgb` with `DRJIT_LIBLLVM_PATH` naming a libLLVM (19 works).
The scene always has the same parts, so that compiled kernels are used again for the next coupon.
"""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene.bead import SIDES
from sample_images.scene.coupon import Coupon
from sample_images.scene.finish import Maps
from sample_images.scene.meshes import Assembly, Mesh, assemble
from sample_images.scene.surroundings import bench_picture, lamp_target, light_map, near_lamp, strip_print
from sample_images.scene.water import with_water

Picture = NDArray[Any]

MESHES: tuple[str, ...] = ("bead", "face0", "face1", "sides", "strips", "skirts", "particles", "wire")


@dataclass(frozen=True, slots=True, eq=False)
class Hits:
    """What the ray through each pixel's centre meets.

    Parameters
    ----------
    shape : ndarray, shape (h, w), int
        Number in `MESHES`, or -1.
    triangle : ndarray, shape (h, w), int
        Triangle number.
    uv : ndarray, shape (h, w, 2)
        Picture coordinates.
    reach_mm : ndarray, shape (h, w)
        Distance from the lens. [mm]
    """

    shape: NDArray[np.int64]
    triangle: NDArray[np.int64]
    uv: Picture
    reach_mm: Picture


@lru_cache(maxsize=1)
def mitsuba(variant: str) -> Any:
    """Mitsuba with a variant set, the first of those given by commas that works here."""
    import mitsuba as mi

    problems = []
    for name in variant.split(","):
        try:
            mi.set_variant(name)
            mi.Float(1.0) + mi.Float(2.0)
            return mi
        except (ImportError, RuntimeError) as problem:
            problems.append(f"{name}: {problem}")
    raise RuntimeError(
        "no variant of Mitsuba works here; photos need a GPU, or libLLVM named by DRJIT_LIBLLVM_PATH: " + "; ".join(problems)
    )


def _bitmap(mi: Any, picture: Picture, wrap: str = "clamp") -> dict[str, Any]:
    data = np.ascontiguousarray(picture if picture.ndim == 3 else picture[..., None], dtype=np.float32)
    return {"type": "bitmap", "bitmap": mi.Bitmap(data), "raw": True, "wrap_mode": wrap}


def _skin(mi: Any, maps: Maps, relief_px: tuple[int, int] | None) -> dict[str, Any]:
    """Material pictures as a BSDF; Mitsuba compiles the relief's size in, so a fixed one saves compilations."""
    relief = maps.bump_mm if relief_px is None else cv2.resize(maps.bump_mm.astype(np.float32), relief_px)
    return {
        "type": "twosided",
        "bsdf": {
            "type": "bumpmap",
            "bump": _bitmap(mi, relief),
            "scale": 1.0,
            "bsdf": {
                "type": "principled",
                "base_color": _bitmap(mi, maps.base),
                "roughness": _bitmap(mi, maps.rough),
                "metallic": _bitmap(mi, maps.metal),
                "specular": 0.5,
            },
        },
    }


def _plain(colour: Any, rough: float, metal: float) -> dict[str, Any]:
    return {
        "type": "twosided",
        "bsdf": {
            "type": "principled",
            "base_color": colour,
            "roughness": rough,
            "metallic": metal,
            "specular": 0.4,
        },
    }


def _shape(mi: Any, mesh: Mesh, skin: dict[str, Any], name: str) -> Any:
    p, q, r = (mesh.points[mesh.faces[:, k]] for k in range(3))
    inward = np.sum(np.cross(q - p, r - p) * mesh.normals[mesh.faces].sum(axis=1), axis=1) < 0.0
    faces = np.where(inward[:, None], mesh.faces[:, ::-1], mesh.faces)  # winding must agree with the normals
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(skin)
    shape = mi.Mesh(
        name,
        len(mesh.points),
        len(mesh.faces),
        has_vertex_normals=True,
        has_vertex_texcoords=True,
        props=properties,
    )
    parameters = mi.traverse(shape)
    parameters["vertex_positions"] = np.ascontiguousarray(mesh.points, np.float32).ravel()
    parameters["vertex_normals"] = np.ascontiguousarray(mesh.normals, np.float32).ravel()
    parameters["vertex_texcoords"] = np.ascontiguousarray(mesh.uv, np.float32).ravel()
    parameters["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
    parameters.update()
    return shape


def _droplet_skin(mi: Any, coupon: Coupon) -> dict[str, Any]:
    """Own colour and gloss for each droplet: dark oxide to bright steel; crumbs like slag."""
    rng = np.random.default_rng([coupon.seed, 11])
    n = max(1, len(coupon.particles))
    dull = rng.uniform(0.0, 1.0, n) ** 0.8
    base = (0.50 - 0.36 * dull)[:, None] * (np.array([1.0, 0.99, 1.0]) + 0.07 * rng.normal(size=(n, 3)))
    rough, metal = 0.18 + 0.28 * dull, 0.97 - 0.3 * dull
    for k, particle in enumerate(coupon.particles):
        if particle.kind != "spatter":
            base[k], rough[k], metal[k] = rng.uniform(0.04, 0.11) * np.array([1.0, 0.92, 0.85]), 0.45, 0.05
    return {
        "type": "twosided",
        "bsdf": {
            "type": "principled",
            "base_color": {**_bitmap(mi, base[None].astype(np.float32)), "filter_type": "nearest"},
            "roughness": {**_bitmap(mi, rough[None].astype(np.float32)), "filter_type": "nearest"},
            "metallic": {**_bitmap(mi, metal[None].astype(np.float32)), "filter_type": "nearest"},
            "specular": 0.5,
        },
    }


def _near_light(mi: Any, coupon: Coupon) -> dict[str, Any]:
    """One lamp at arm's length, the phone's own flash, or the sun."""
    place, half, radiance = near_lamp(coupon)
    target = lamp_target(coupon)
    # looking along an axis that is not the up direction
    up = [0.0, 1.0, 0.0] if abs(place[1] - target[1]) < 0.95 * np.linalg.norm(place - target) else [1.0, 0.0, 0.0]
    to_world = mi.ScalarTransform4f().look_at(origin=place.tolist(), target=target.tolist(), up=up)
    return {
        "type": "rectangle",
        "to_world": to_world @ mi.ScalarTransform4f().scale([half, half, 1.0]),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": radiance.tolist()}},
    }


def load(mi: Any, coupon: Coupon, assembly: Assembly, relief_px: tuple[int, int] | None = None) -> tuple[Any, dict[str, Any]]:
    """The scene, and its meshes by name."""
    import drjit as dr

    rng = np.random.default_rng([coupon.light_seed, 2])
    prints = [strip_print(p.board, rng) for p in coupon.placements] or [np.ones((4, 4), np.float32)]
    skins = {name: _skin(mi, assembly.maps[name], relief_px) for name in ("bead", "face0", "face1")}
    paper = np.concatenate(prints, axis=0)[..., None] * np.array([1.0, 1.0, 0.97], np.float32)
    skins["strips"] = {
        "type": "twosided",
        "bsdf": {
            "type": "principled",
            "base_color": _bitmap(mi, paper),
            "roughness": float(rng.uniform(0.45, 0.9)),
            "metallic": 0.0,
            "specular": float(rng.uniform(0.1, 0.5)),
        },
    }
    thick = any(p.thickness_mm > 0.5 for p in coupon.placements)
    skins["skirts"] = _plain({"type": "rgb", "value": [0.05, 0.04, 0.035] if thick else [0.6, 0.6, 0.58]}, 0.8, 0.0)
    skins["sides"] = _plain({"type": "rgb", "value": [0.20, 0.18, 0.165]}, 0.5, 0.7)
    skins["particles"] = _droplet_skin(mi, coupon)
    wire = coupon.bead.wire
    copper = wire is not None and wire.copper
    skins["wire"] = _plain({"type": "rgb", "value": [0.62, 0.33, 0.2] if copper else [0.12, 0.11, 0.105]}, 0.35, 0.9)
    shapes = {name: _shape(mi, assembly.meshes[name], skins[name], name) for name in MESHES}
    middle = 0.5 * coupon.bead.length_mm
    deep = -(max(b.thickness_mm for b in coupon.bodies) + (0.5 if coupon.joint != "tee" else 14.0))
    bench = {
        "type": "rectangle",
        "to_world": mi.ScalarTransform4f().translate([middle, 0.0, deep]) @ mi.ScalarTransform4f().scale([1500.0, 1500.0, 1.0]),
        "bsdf": {
            "type": "diffuse",
            "reflectance": {
                **_bitmap(mi, bench_picture(coupon), "mirror"),
                "to_uv": mi.ScalarTransform3f().scale([10.0, 10.0]),
            },
        },
    }
    scene = mi.load_dict(
        {
            "type": "scene",
            **shapes,
            "bench": bench,
            "surroundings": {"type": "envmap", "bitmap": mi.Bitmap(light_map(coupon)), "scale": 1.0},
            "near": _near_light(mi, coupon),
        }
    )
    parameters = mi.traverse(scene)
    for name, value in parameters:
        if not name.endswith((".data", "positions", "normals", "texcoords", "faces")):
            dr.make_opaque(value)  # numbers compiled in as constants would cost a compilation for each coupon
    return scene, shapes


def _lens_rays(mi: Any, coupon: Coupon, x: Any, y: Any, lens: Any = None) -> Any:
    """Rays in the coupon frame through photo positions; `lens` holds two uniform numbers for the aperture.

    Every number of the camera is opaque, not a constant: constants would be compiled in, anew for each coupon.
    """
    import drjit as dr

    def f(value: float) -> Any:
        return dr.opaque(mi.Float, value)

    camera = coupon.camera
    xd = (x - f(camera.cx_px)) / f(camera.focal_px)
    yd = (y - f(camera.cy_px)) / f(camera.focal_px)
    k1, k2, p1, p2 = f(camera.k1), f(camera.k2), f(camera.p1), f(camera.p2)
    u, v = xd, yd
    for _ in range(7):
        r2 = u * u + v * v
        radial = 1.0 / (1.0 + r2 * (k1 + r2 * k2))
        u, v = (
            (xd - 2.0 * p1 * u * v - p2 * (r2 + 2.0 * u * u)) * radial,
            (yd - p1 * (r2 + 2.0 * v * v) - 2.0 * p2 * u * v) * radial,
        )
    origin, direction = mi.Vector3f(0.0, 0.0, 0.0), mi.Vector3f(u, v, 1.0)
    if lens is not None:
        focus = f(coupon.distance_mm + coupon.phone.focus_offset_mm)
        disk = mi.warp.square_to_uniform_disk_concentric(lens) * f(0.5 * coupon.phone.aperture_mm)
        origin = mi.Vector3f(disk.x, disk.y, 0.0)
        direction = mi.Vector3f(u * focus - disk.x, v * focus - disk.y, focus)
    rotation = mi.Matrix3f([[f(value) for value in row] for row in coupon.rotation.T.tolist()])
    place = mi.Point3f(*(f(value) for value in coupon.position_mm.tolist()))
    return mi.Ray3f(place + rotation @ origin, dr.normalize(rotation @ direction))


def _pixel_grid(mi: Any, coupon: Coupon, spp: int, rows: tuple[int, int]) -> tuple[Any, Any]:
    import drjit as dr

    width = coupon.camera.width_px
    index = dr.arange(mi.UInt32, (rows[1] - rows[0]) * width * spp) // dr.opaque(mi.UInt32, spp)
    across = dr.opaque(mi.UInt32, width)
    y = index // across
    x = index - y * across
    return mi.Float(x), mi.Float(y) + dr.opaque(mi.Float, float(rows[0]))


def trace(coupon: Coupon, scene: Any, mi: Any, *, spp: int, max_lanes: int = 16_000_000) -> Picture:
    """Linear light of each pixel, shape (h, w, 3), in blocks of rows that fit in memory."""
    import drjit as dr

    camera = coupon.camera
    integrator = mi.load_dict({"type": "path", "max_depth": 4, "rr_depth": 3})
    light_of = np.zeros((camera.height_px, camera.width_px, 3), np.float32)
    block = max(1, max_lanes // (camera.width_px * spp))
    for first in range(0, camera.height_px, block):
        last = min(camera.height_px, first + block)
        x, y = _pixel_grid(mi, coupon, spp, (first, last))
        sampler = mi.load_dict({"type": "multijitter", "sample_count": spp})
        sampler.set_samples_per_wavefront(spp)
        sampler.seed(coupon.seed * 977 + first, dr.width(x))
        jitter = sampler.next_2d()
        ray = _lens_rays(mi, coupon, x + jitter.x - 0.5, y + jitter.y - 0.5, sampler.next_2d())
        light, _, _ = integrator.sample(scene, sampler, ray)
        light = dr.select(dr.isfinite(light), light, 0.0)
        light = mi.Color3f(dr.clip(light, 0.0, 40.0))
        dr.eval(light)  # all three at once: apart, each would trace the paths again
        planes = [np.array(dr.block_sum(c, spp)) for c in (light.x, light.y, light.z)]
        light_of[first:last] = np.stack(planes, axis=-1).reshape(last - first, camera.width_px, 3)
    return _calmed(light_of / np.float32(spp), spp)


def _calmed(light: Picture, spp: int) -> Picture:
    """Smooth what sampling noise is left, less where more samples were taken; edges stay."""
    coded = np.log(light + np.float32(0.01))
    smooth = cv2.bilateralFilter(coded, 5, 0.85 / np.sqrt(spp), 1.1)
    out: Picture = np.maximum(np.exp(smooth) - np.float32(0.01), 0.0).astype(np.float32)
    return out


def cast(coupon: Coupon, scene: Any, shapes: dict[str, Any], mi: Any) -> Hits:
    """What the ray through each pixel's centre meets."""
    import drjit as dr

    camera = coupon.camera
    size = (camera.height_px, camera.width_px)
    x, y = _pixel_grid(mi, coupon, 1, (0, camera.height_px))
    hit = scene.ray_intersect(_lens_rays(mi, coupon, x, y))
    number = mi.Int32(-1)
    for k, name in enumerate(MESHES):
        number = dr.select(hit.is_valid() & (hit.shape == mi.ShapePtr(shapes[name])), mi.Int32(k), number)
    return Hits(
        np.array(number).reshape(size).astype(np.int64),
        np.array(hit.prim_index).reshape(size).astype(np.int64),
        np.stack([np.array(hit.uv.x), np.array(hit.uv.y)], axis=-1).reshape(*size, 2).astype(np.float32),
        np.where(np.array(hit.is_valid()), np.array(hit.t), np.inf).reshape(size).astype(np.float32),
    )


def render(
    coupon: Coupon,
    *,
    spp: int = 48,
    variant: str = "cuda_ad_rgb,llvm_ad_rgb",
    px_per_mm: float = 14.0,
    mesh_step_mm: float = 0.1,
    relief_px: tuple[int, int] | None = None,
    gate: AbstractContextManager[Any] | None = None,
) -> tuple[Picture, Hits, Assembly]:
    """Path-trace a coupon; drops of water on it are traced apart.

    Parameters
    ----------
    coupon : Coupon
        What to photograph; the picture has its camera's size.
    spp : int
        Samples a pixel.
    variant : str
        Mitsuba variants to try, by commas.
    px_per_mm, mesh_step_mm : float
        Resolution of the material pictures, and of the bead's mesh across. [mm]
    relief_px : tuple of int, optional
        Columns and rows of all relief pictures, to use compiled kernels again; each its own if left out.
    gate : context manager, optional
        Held while Mitsuba works, so that many processes share one GPU a few at a time.

    Returns
    -------
    tuple
        Linear light, shape (h, w, 3); what each pixel shows; meshes and pictures.
    """
    assembly = assemble(coupon, px_per_mm=px_per_mm, mesh_step_mm=mesh_step_mm)
    mi = mitsuba(variant)
    with gate or nullcontext():
        scene, shapes = load(mi, coupon, assembly, relief_px)
        light, hits = trace(coupon, scene, mi, spp=spp), cast(coupon, scene, shapes, mi)
    for body in coupon.bodies:
        faces = [k for k, name in enumerate(SIDES[coupon.joint]) if name == body.name] or [0, 1]
        shows = np.isin(hits.shape, [MESHES.index(f"face{k}") for k in faces])
        light = with_water(light, shows, coupon, body.name)
    return light, hits, assembly
