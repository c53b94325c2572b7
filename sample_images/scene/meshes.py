"""A coupon's surfaces as triangle meshes in the coupon frame, and their material pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sample_images.scene.bead import SIDES, chord_ends, surface
from sample_images.scene.coupon import Coupon, PlateBody
from sample_images.scene.finish import Maps, Picture, bead_maps, plate_maps
from sample_images.scene.geometry import Placement, plate_axes
from sample_images.scene.spatter import particle_mesh

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Triangles with smooth normals and picture coordinates.

    Parameters
    ----------
    points, normals : ndarray, shape (n, 3)
        Coupon frame. [mm]
    uv : ndarray, shape (n, 2)
        Picture coordinates: u along columns, v along rows.
    faces : ndarray, shape (k, 3)
        Corners of the triangles.
    """

    points: Array
    normals: Array
    uv: Array
    faces: Index


def _grid_faces(n: int, m: int) -> Index:
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m - 1), indexing="ij")
    a = (i * m + j).ravel()
    return np.concatenate([np.stack([a, a + m, a + m + 1], 1), np.stack([a, a + m + 1, a + 1], 1)])


def _normals(points: Array, faces: Index, towards: Array) -> Array:
    """Area-weighted vertex normals, on the side of `towards` (one direction, or one a point)."""
    p, q, r = points[faces[:, 0]], points[faces[:, 1]], points[faces[:, 2]]
    cross = np.cross(q - p, r - p)
    facing = towards if towards.ndim == 1 else towards[faces[:, 0]]
    cross *= np.where(np.sum(cross * facing, axis=1) < 0.0, -1.0, 1.0)[:, None]
    total = np.stack([np.bincount(faces.ravel(), np.repeat(cross[:, k], 3), len(points)) for k in range(3)], axis=1)
    size = np.linalg.norm(total, axis=1, keepdims=True)
    fallback = np.broadcast_to(towards, points.shape)
    return np.where(size > 1e-12, total / np.maximum(size, 1e-12), fallback)


def to_coupon(coupon: Coupon, plate: str, points_mm: Array) -> Array:
    """Plate frame to coupon frame, shape (..., 3). [mm]"""
    return points_mm @ plate_axes(coupon.joint, coupon.plate_angle_deg)[plate].T


def bead_mesh(coupon: Coupon, step_mm: float) -> tuple[Mesh, Array, Array]:
    """The weld face, with the positions across and the relief that its pictures need."""
    points, share, relief = surface(coupon.bead, coupon.plate_angle_deg, step_mm=step_mm)
    n, m = points.shape[:2]
    # normals from differences: quicker than summing triangles, and smooth
    du = np.gradient(points, axis=0)
    dv = np.gradient(points, axis=1)
    normal = np.cross(du, dv)
    size = np.linalg.norm(normal, axis=2, keepdims=True)
    normal = np.where(size > 1e-12, normal / np.maximum(size, 1e-12), np.array([0.0, 0.0, 1.0]))
    u = np.broadcast_to((coupon.bead.along_mm / coupon.bead.length_mm)[:, None], (n, m))
    v = np.broadcast_to(share[None, :], (n, m))
    uv = np.stack([u, v], axis=2).reshape(-1, 2)
    flat = points.reshape(-1, 3)
    return Mesh(flat, normal.reshape(-1, 3), uv, _grid_faces(n, m)), share, relief


def _offsets(reach: float) -> Array:
    """Distances outside the toe, fine where an undercut groove may be. [mm]"""
    near = np.linspace(0.0, 2.4, 33)
    far = np.geomspace(2.8, max(reach, 4.0), 12)
    return np.concatenate([near, far])


def face_mesh(coupon: Coupon, body: PlateBody, side: int, step_mm: float) -> Mesh:
    """A plate's face outside one toe, meeting the bead's mesh along the toe line."""
    bead = coupon.bead
    name = SIDES[coupon.joint][side]
    sign = -1.0 if name == "right" else 1.0
    left = np.linspace(body.along_mm[0], 0.0, 12)[:-1]
    right = np.linspace(bead.length_mm, body.along_mm[1], 12)[1:]
    along = np.concatenate([left, bead.along_mm, right])
    inner = 0.5 * bead.gap_mm

    def extend(values: Array, outside: float) -> Array:
        return np.concatenate([np.full(len(left), outside), values, np.full(len(right), outside)])

    toe = extend(sign * bead.across_mm[side], inner)
    sunk, groove = extend(bead.sunk_mm[side], 0.0), extend(bead.groove_mm[side], 0.8)
    edge = abs(body.across_mm[1] if sign > 0.0 else body.across_mm[0])
    offsets = _offsets(40.0)
    near = offsets[offsets < 2.5]
    share = np.linspace(0.0, 1.0, 13)[1:]
    room = edge - toe - near[-1]
    distance = np.concatenate(
        [np.broadcast_to(near, (len(along), len(near))), near[-1] + room[:, None] * share[None, :] ** 1.5],
        axis=1,
    )
    across = toe[:, None] + distance
    flat, lip, _ = bead.groove_form
    depth = -sunk[:, None] * np.clip(1.0 - (distance / groove[:, None]) ** flat, 0.0, None) ** lip
    x = np.broadcast_to(along[:, None], across.shape)
    local = np.stack([x, sign * across, depth], axis=2)
    points = to_coupon(coupon, body.name, local.reshape(-1, 3))
    faces = _grid_faces(*across.shape)
    up = plate_axes(coupon.joint, coupon.plate_angle_deg)[body.name][:, 2]
    span = (body.along_mm[1] - body.along_mm[0], body.across_mm[1] - body.across_mm[0])
    uv = np.stack([(x - body.along_mm[0]) / span[0], (sign * across - body.across_mm[0]) / span[1]], axis=2).reshape(-1, 2)
    del step_mm
    return Mesh(points, _normals(points, faces, up), uv, faces)


def joined(meshes: list[Mesh]) -> Mesh:
    """Several meshes as one."""
    if not meshes:
        far = np.array([[0.0, 0.0, -9000.0], [0.01, 0.0, -9000.0], [0.0, 0.01, -9000.0]])
        up = np.tile([0.0, 0.0, 1.0], (3, 1))
        return Mesh(far, up, np.zeros((3, 2)), np.array([[0, 1, 2]]))
    shifts = np.cumsum([0] + [len(m.points) for m in meshes[:-1]])
    return Mesh(
        np.concatenate([m.points for m in meshes]),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate([m.uv for m in meshes]),
        np.concatenate([m.faces + k for m, k in zip(meshes, shifts, strict=True)]),
    )


def _box_sides(coupon: Coupon, body: PlateBody) -> Mesh:
    """The four narrow faces of a plate (and the wall of a butt joint's gap)."""
    (a0, a1), (c0, c1), t = body.along_mm, body.across_mm, body.thickness_mm
    c0 = -18.0 if body.name == "base" else c0
    quads = [
        [(a0, c0, 0), (a0, c1, 0), (a0, c1, -t), (a0, c0, -t)],
        [(a1, c0, 0), (a1, c1, 0), (a1, c1, -t), (a1, c0, -t)],
        [(a0, c1, 0), (a1, c1, 0), (a1, c1, -t), (a0, c1, -t)],
        [(a0, c0, 0), (a1, c0, 0), (a1, c0, -t), (a0, c0, -t)],
    ]
    outward = [(-1, 0, 0), (1, 0, 0), (0, 1, 0), (0, -1, 0)]
    if coupon.bead.gap_mm > 0.0:
        quads.append([(a0, -2, -0.7 * t), (a1, -2, -0.7 * t), (a1, 2, -0.7 * t), (a0, 2, -0.7 * t)])
        outward.append((0, 0, 1))
    points = to_coupon(coupon, body.name, np.array(quads, float).reshape(-1, 3))
    normals = np.repeat(to_coupon(coupon, body.name, np.array(outward, float)), 4, axis=0)
    base = 4 * np.arange(len(quads))[:, None, None]
    faces = (base + np.array([[0, 1, 2], [0, 2, 3]])[None]).reshape(-1, 3)
    flat = np.array(quads, float).reshape(-1, 3)
    uv = np.stack([(flat[:, 0] + flat[:, 1]) / 60.0, flat[:, 2] / 60.0], axis=1)
    return Mesh(points, normals, uv, faces)


def strip_mesh(coupon: Coupon, placement: Placement, row: tuple[float, float]) -> Mesh:
    """The printed face with its margin; `row` is the share of the shared picture's rows that is its own."""
    board, margin = placement.board, placement.board.margin_mm
    x = np.linspace(-margin, board.length_mm + margin, 41)
    y = np.array([-margin, board.height_mm + margin])
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
    points = to_coupon(coupon, placement.plate, placement.on_plate(grid).reshape(-1, 3))
    faces = _grid_faces(len(x), 2)
    up = plate_axes(coupon.joint, coupon.plate_angle_deg)[placement.plate][:, 2]
    u = (grid[..., 0] + margin) / (board.length_mm + 2 * margin)
    v = row[0] + (row[1] - row[0]) * (grid[..., 1] + margin) / (board.height_mm + 2 * margin)
    uv = np.stack([u, v], axis=2).reshape(-1, 2)
    return Mesh(points, _normals(points, faces, up), uv, faces)


def strip_skirt(coupon: Coupon, placement: Placement) -> Mesh:
    """The strip's cut edge: printed face down to its underside."""
    board, margin = placement.board, placement.board.margin_mm
    x = np.linspace(-margin, board.length_mm + margin, 41)
    y0, y1 = -margin, board.height_mm + margin
    rim = np.concatenate(
        [
            np.stack([x, np.full_like(x, y0)], 1),
            np.stack([x[::-1], np.full_like(x, y1)], 1),
            np.array([[x[0], y0]]),
        ]
    )
    top = placement.on_plate(rim)
    low = top.copy()
    low[:, 2] -= placement.thickness_mm
    top[:, 2] -= 0.004
    local = np.stack([top, low], axis=1)
    points = to_coupon(coupon, placement.plate, local.reshape(-1, 3))
    faces = _grid_faces(len(rim), 2)
    centre = to_coupon(coupon, placement.plate, np.array([placement.along_mm, placement.across_mm, 0.0]))
    return Mesh(points, _normals(points, faces, points - centre), np.zeros((len(points), 2)), faces)


def particles_mesh(coupon: Coupon, *, fine: bool) -> tuple[Mesh, Index]:
    """All droplets and crumbs as one mesh, and each triangle's particle number."""
    meshes, owner = [], []
    axes = plate_axes(coupon.joint, coupon.plate_angle_deg)
    for number, particle in enumerate(coupon.particles):
        n_round, n_rings = (28, 9) if fine else (14, 5)
        local, faces = particle_mesh(particle, n_round=n_round, n_rings=n_rings)
        points = to_coupon(coupon, particle.plate, local)
        foot = np.array([particle.along_mm, particle.across_mm, 0.15 * particle.height_mm])
        away = points - to_coupon(coupon, particle.plate, foot)
        normals = _normals(points, faces, away + 1e-6 * axes[particle.plate][:, 2])
        uv = np.tile([(number + 0.5) / max(len(coupon.particles), 1), 0.5], (len(points), 1))
        meshes.append(Mesh(points, normals, uv, faces))
        owner.append(np.full(len(faces), number))
    if not meshes:
        return joined([]), np.array([-1])
    return joined(meshes), np.concatenate(owner)


def wire_mesh(coupon: Coupon, face: Array, share: Array) -> Mesh:
    """The wire left in the bead, as a bent rod with a round or clipped tip; `face` is the bead's surface, shape (n, m, 3). [mm]"""
    wire = coupon.bead.wire
    if wire is None:
        return joined([])
    row = int(np.argmin(np.abs(coupon.bead.along_mm - wire.along_mm)))
    foot = face[row, int(np.argmin(np.abs(share - wire.across_share)))]
    lean, turn = np.radians(wire.lean_deg), np.radians(wire.turn_deg)
    way = np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    aside = np.cross(way, [0.0, 1.0, 0.0] if abs(way[1]) < 0.9 else [1.0, 0.0, 0.0])
    aside /= np.linalg.norm(aside)
    other = np.cross(way, aside)
    t = np.linspace(-0.4, wire.length_mm, 24)
    radius = np.full(len(t), 0.5 * wire.diameter_mm)
    radius[t < 0.0] *= 1.5  # it melted into the face
    ball = 0.5 * wire.diameter_mm * wire.ball_ratio
    if wire.ball_ratio > 1.0:
        tip = wire.length_mm + ball * np.linspace(-0.75, 0.999, 8)
        t = np.concatenate([t[t < tip[0]], tip])
        radius = np.concatenate([radius[: len(t) - len(tip)], np.sqrt(ball**2 - (tip - wire.length_mm) ** 2)])
    else:
        t, radius = np.append(t, wire.length_mm), np.append(radius, 0.02)
    middle = foot + t[:, None] * way + (wire.bend * np.clip(t, 0.0, None) ** 2 / wire.length_mm)[:, None] * aside
    round_ = np.linspace(0.0, 2.0 * np.pi, 17)
    spoke = np.cos(round_)[:, None] * aside + np.sin(round_)[:, None] * other
    points = (middle[:, None, :] + radius[:, None, None] * spoke[None]).reshape(-1, 3)
    away = points - np.repeat(middle, len(round_), axis=0) + 1e-6 * way
    faces = _grid_faces(len(t), len(round_))
    return Mesh(points, _normals(points, faces, away), np.zeros((len(points), 2)), faces)


@dataclass(frozen=True, slots=True, eq=False)
class Assembly:
    """Meshes by name and the material pictures they wear.

    Parameters
    ----------
    meshes : dict of str to Mesh
        `bead`, `face0`, `face1`, `sides`, `particles`, `strips`, `skirts`, `wire`.
    maps : dict of str to Maps
        Pictures of `bead`, `face0`, `face1` (the same picture twice on flat joints).
    slag : ndarray, shape (h, w)
        Slag cover of the bead's picture, 0 to 1.
    particle_of_face : ndarray
        Particle number of each triangle of `particles`.
    """

    meshes: dict[str, Mesh]
    maps: dict[str, Maps]
    slag: Picture
    particle_of_face: Index


def assemble(coupon: Coupon, *, px_per_mm: float, mesh_step_mm: float) -> Assembly:
    """Build all meshes and material pictures.

    Parameters
    ----------
    coupon : Coupon
        What to build.
    px_per_mm : float
        Resolution of the material pictures.
    mesh_step_mm : float
        Distance of the bead's points across. [mm]
    """
    rng = np.random.default_rng([coupon.seed, 7])
    plate_rng, bead_rng = rng.spawn(2)
    bead, share, relief = bead_mesh(coupon, mesh_step_mm)
    ends = chord_ends(coupon.bead, coupon.plate_angle_deg)
    chord = np.maximum(np.hypot(*(ends[1] - ends[0]).T), 1e-6)
    bead_pictures, slag = bead_maps(bead_rng, coupon.bead, coupon.look, relief, chord, share, px_per_mm=1.3 * px_per_mm)
    meshes, maps = {"bead": bead}, {"bead": bead_pictures}
    plates: dict[str, Maps] = {}
    for body in coupon.bodies:
        plates[body.name] = plate_maps(
            plate_rng, coupon.bead, coupon.look, body.name, body.finish, along_mm=body.along_mm,
            across_mm=body.across_mm, px_per_mm=px_per_mm, particles=coupon.particles,
            distractors=coupon.distractors,
        )  # fmt: skip
    for side in (0, 1):
        body = coupon.bodies[side] if coupon.joint == "tee" else coupon.bodies[0]
        meshes[f"face{side}"] = face_mesh(coupon, body, side, mesh_step_mm)
        maps[f"face{side}"] = plates[body.name]
    meshes["sides"] = joined([_box_sides(coupon, body) for body in coupon.bodies])
    n = max(1, len(coupon.placements))
    meshes["strips"] = joined([strip_mesh(coupon, p, (k / n, (k + 1) / n)) for k, p in enumerate(coupon.placements)])
    meshes["skirts"] = joined([strip_skirt(coupon, p) for p in coupon.placements])
    meshes["wire"] = wire_mesh(coupon, bead.points.reshape(-1, len(share), 3), share)
    meshes["particles"], owner = particles_mesh(coupon, fine=mesh_step_mm < 0.12)
    return Assembly(meshes, maps, slag, owner)
