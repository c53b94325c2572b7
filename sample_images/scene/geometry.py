"""Geometry-only coupons: strip corners and toe points in px, exact, without a picture.

Numpy only, and independent of the package it is meant to check: the strips, the lens and the plates are written
down here once more, from the printed sheet's description and from the published lens formula.

Frames
------
coupon : x along the root (or the bead's middle line), y up in the view, z to the viewer; origin at the bead's left
    end. For a tee z is the bisector of the two plates. [mm]
plate : [along, across, height]; `across` is the distance from the root on its plate (tee) or the signed distance
    from the middle line, positive up (flat); `height` points out of the face. Seen along the base plate's normal
    `across` points down, so the base plate's rotation is improper (determinant -1); the others are proper. [mm]
board : x right and y down as printed, origin at the chessboard's top left outer corner. [mm]
camera : OpenCV's: x right, y down, z forward. [mm]
photo : px, origin at the centre of the top left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import cos, hypot, radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DIAGONAL_35MM_MM = 43.2666  # diagonal of the 36 x 24 mm frame that "35 mm equivalent" refers to
NEAREST_MM = 140.0  # phones do not focus nearer than this without their macro lens


@dataclass(frozen=True, slots=True)
class Board:
    """One printed strip: a ChArUco board of 36h11 AprilTags.

    Parameters
    ----------
    name : str
        Letter of the strip.
    n_x, n_y : int
        Squares along and across the strip.
    square_mm, marker_mm, margin_mm : float
        Side of a square, side of a marker, white margin all round. [mm]
    first_id : int
        Marker ids run from here, row by row.
    """

    name: str
    n_x: int
    n_y: int
    square_mm: float
    marker_mm: float
    margin_mm: float
    first_id: int

    @property
    def length_mm(self) -> float:
        """Length of the chessboard without margins. [mm]"""
        return self.n_x * self.square_mm

    @property
    def height_mm(self) -> float:
        """Height of the chessboard without margins. [mm]"""
        return self.n_y * self.square_mm

    @property
    def n_markers(self) -> int:
        """Markers on the board: one on each white square."""
        return self.n_x * self.n_y // 2

    def corners_mm(self) -> Array:
        """Inner chessboard corners, row by row as OpenCV numbers them, shape (n, 2), board frame. [mm]"""
        return _INNER[self.name]

    def outline_mm(self) -> Array:
        """Outer corners of the chessboard: top left, top right, bottom right, bottom left, shape (4, 2). [mm]"""
        length, height = self.length_mm, self.height_mm
        return np.array([[0.0, 0.0], [length, 0.0], [length, height], [0.0, height]])


BOARDS: dict[str, Board] = {
    b.name: b
    for b in (
        Board("A", 12, 3, 8.0, 6.0, 4.0, 0),
        Board("B", 12, 3, 8.0, 6.0, 4.0, 18),
        Board("C", 7, 3, 6.0, 4.5, 4.0, 36),
        Board("D", 7, 3, 6.0, 4.5, 4.0, 46),
        Board("E", 18, 3, 5.0, 3.75, 3.0, 56),
        Board("F", 18, 3, 5.0, 3.75, 3.0, 83),
    )
}
PAIRS: tuple[tuple[str, str], ...] = (("A", "B"), ("C", "D"), ("E", "F"))


def _inner_corners(board: Board) -> Array:
    columns, rows = np.meshgrid(np.arange(1, board.n_x), np.arange(1, board.n_y))
    corners = np.stack([columns.ravel(), rows.ravel()], axis=1).astype(np.float64) * board.square_mm
    corners.setflags(write=False)
    return corners


_INNER: dict[str, Array] = {name: _inner_corners(board) for name, board in BOARDS.items()}


@dataclass(frozen=True, slots=True)
class Camera:
    """Pinhole with Brown-Conrady distortion, OpenCV's convention and order (k1, k2, p1, p2).

    Parameters
    ----------
    width_px, height_px : int
        Photo size. [px]
    focal_px, cx_px, cy_px : float
        Focal length and principal point. [px]
    k1, k2, p1, p2 : float
        Radial and tangential distortion, dimensionless.
    """

    width_px: int
    height_px: int
    focal_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0

    @property
    def matrix(self) -> Array:
        """Camera matrix, shape (3, 3). [px]"""
        return np.array([[self.focal_px, 0.0, self.cx_px], [0.0, self.focal_px, self.cy_px], [0.0, 0.0, 1.0]])

    @property
    def distortion(self) -> Array:
        """(k1, k2, p1, p2), as OpenCV takes them."""
        return np.array([self.k1, self.k2, self.p1, self.p2])

    def project(self, points_mm: Array) -> Array:
        """Photo positions of points in the camera frame.

        Parameters
        ----------
        points_mm : ndarray, shape (..., 3)
            Camera frame, z > 0. [mm]

        Returns
        -------
        ndarray, shape (..., 2)
            [px]

        References
        ----------
        D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855-866.
        """
        x = points_mm[..., 0] / points_mm[..., 2]
        y = points_mm[..., 1] / points_mm[..., 2]
        r2 = x * x + y * y
        radial = 1.0 + r2 * (self.k1 + r2 * self.k2)
        xd = x * radial + 2.0 * self.p1 * x * y + self.p2 * (r2 + 2.0 * x * x)
        yd = y * radial + self.p1 * (r2 + 2.0 * y * y) + 2.0 * self.p2 * x * y
        return np.stack([self.focal_px * xd + self.cx_px, self.focal_px * yd + self.cy_px], axis=-1)

    def normalised(self, points_px: Array, *, n_iterations: int = 12) -> Array:
        """Undistorted image-plane positions x/z, y/z of photo points, by fixed-point iteration, shape (..., 2)."""
        xd = (points_px[..., 0] - self.cx_px) / self.focal_px
        yd = (points_px[..., 1] - self.cy_px) / self.focal_px
        x, y = xd, yd
        for _ in range(n_iterations):
            r2 = x * x + y * y
            radial = 1.0 + r2 * (self.k1 + r2 * self.k2)
            x, y = (
                (xd - 2.0 * self.p1 * x * y - self.p2 * (r2 + 2.0 * x * x)) / radial,
                (yd - self.p1 * (r2 + 2.0 * y * y) - 2.0 * self.p2 * x * y) / radial,
            )
        return np.stack([x, y], axis=-1)

    def contains(self, points_px: Array) -> NDArray[np.bool_]:
        """Whether photo positions lie in the photo, shape (...)."""
        x, y = points_px[..., 0], points_px[..., 1]
        return (x >= -0.5) & (y >= -0.5) & (x <= self.width_px - 0.5) & (y <= self.height_px - 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class PlatePose:
    """Where one plate's face lies in front of the camera.

    Parameters
    ----------
    name : str
        `base`, `standing` or `plate`.
    rotation : ndarray, shape (3, 3)
        Columns are the plate's along, across and height directions in the camera frame.
    translation : ndarray, shape (3,)
        Plate origin (root or middle line at the bead's left end) in the camera frame. [mm]
    """

    name: str
    rotation: Array
    translation: Array

    def to_camera(self, points_mm: Array) -> Array:
        """Plate frame to camera frame, shape (..., 3). [mm]"""
        return points_mm @ self.rotation.T + self.translation

    def meet(self, rays: Array, *, height_mm: float = 0.0) -> Array:
        """[along, across] where rays x/z, y/z from the camera meet the plane at a height, shape (..., 2). [mm]"""
        directions = np.concatenate([rays, np.ones((*rays.shape[:-1], 1))], axis=-1)
        normal = self.rotation[:, 2]
        anchor = self.translation + height_mm * normal
        reach = (normal @ anchor) / (directions @ normal)
        local = (directions * reach[..., None] - self.translation) @ self.rotation
        return local[..., :2]


@dataclass(frozen=True, slots=True)
class Placement:
    """A strip lying on a plate.

    Parameters
    ----------
    board : Board
        What is printed.
    plate : str
        Name of the plate it lies on.
    along_mm, across_mm : float
        Centre of the chessboard on the plate. [mm]
    turn_deg : float
        Turn in the plate, anticlockwise as seen in the coupon view; 0 reads left to right. [deg]
    thickness_mm, lift_mm : float
        Printed face above the plate: the strip's own thickness, and what it stands off besides. [mm]
    curl_mm : float
        How far both ends stand above the middle of the chessboard: bent to a circular arc, lengths on the paper
        kept. [mm]
    """

    board: Board
    plate: str
    along_mm: float
    across_mm: float
    turn_deg: float = 0.0
    thickness_mm: float = 0.1
    lift_mm: float = 0.0
    curl_mm: float = 0.0

    def on_plate(self, board_mm: Array) -> Array:
        """Board positions (..., 2) to plate frame (..., 3). [mm]"""
        x = board_mm[..., 0] - 0.5 * self.board.length_mm
        up = 0.5 * self.board.height_mm - board_mm[..., 1]
        height = np.full(x.shape, self.thickness_mm + self.lift_mm)
        if self.curl_mm > 0.0:
            curvature = 8.0 * self.curl_mm / self.board.length_mm**2
            height = height + (1.0 - np.cos(curvature * x)) / curvature
            x = np.sin(curvature * x) / curvature
        c, s = cos(radians(self.turn_deg)), sin(radians(self.turn_deg))
        upward = -1.0 if self.plate == "base" else 1.0  # across points down in the view on the base plate only
        along = self.along_mm + c * x - s * up
        across = self.across_mm + upward * (s * x + c * up)
        return np.stack([along, across, height], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class StripView:
    """A placed strip as the camera sees it.

    Parameters
    ----------
    placement : Placement
        Where it lies.
    ids : ndarray, shape (n,), int
        Inner corner numbers, row by row (OpenCV's ChArUco corner ids).
    corners_mm : ndarray, shape (n, 2)
        Inner corners, board frame. [mm]
    corners_px : ndarray, shape (n, 2)
        Their exact photo positions. [px]
    """

    placement: Placement
    ids: NDArray[np.int64]
    corners_mm: Array
    corners_px: Array


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One coupon without a picture.

    Parameters
    ----------
    seed : int
        What it was made from.
    joint : str
        `tee`, `butt` or `plate`.
    plate_angle_deg : float
        Angle between the plates; 180 for flat joints. [deg]
    camera : Camera
        The true lens.
    focal_35mm_mm, distance_mm : float
        35 mm equivalent focal length, and distance from the lens to mid-bead. [mm]
    plates : dict of str to PlatePose
        The true poses.
    strips : tuple of StripView
        Strips and their exact corners.
    along_mm : ndarray, shape (m,)
        Positions of the toe points. [mm]
    toes_mm : dict of str to ndarray, shape (m,)
        `across` of each toe: legs on a tee; on flat joints signed, `left` positive, `right` negative. [mm]
    toes_px : dict of str to ndarray, shape (m, 2)
        Exact photo positions of the toe points. [px]
    """

    seed: int
    joint: str
    plate_angle_deg: float
    camera: Camera
    focal_35mm_mm: float
    distance_mm: float
    plates: dict[str, PlatePose]
    strips: tuple[StripView, ...]
    along_mm: Array
    toes_mm: dict[str, Array] = field(default_factory=dict)
    toes_px: dict[str, Array] = field(default_factory=dict)


TOE_PLATES: dict[str, str] = {"base": "base", "standing": "standing", "left": "plate", "right": "plate"}


def plate_axes(joint: str, plate_angle_deg: float) -> dict[str, Array]:
    """Along, across and height of each plate as columns in the coupon frame, each shape (3, 3).

    Parameters
    ----------
    joint : str
        `tee`, `butt` or `plate`.
    plate_angle_deg : float
        Angle between the plates of a tee; ignored otherwise. [deg]
    """
    if joint != "tee":
        return {"plate": np.eye(3)}
    half = radians(plate_angle_deg) / 2.0
    c, s = cos(half), sin(half)
    return {
        "base": np.array([[1.0, 0.0, 0.0], [0.0, -s, c], [0.0, c, s]]),
        "standing": np.array([[1.0, 0.0, 0.0], [0.0, s, -c], [0.0, c, s]]),
    }


def look_at(target_mm: Array, distance_mm: float, pitch_deg: float, yaw_deg: float, roll_deg: float) -> tuple[Array, Array]:
    """Camera rotation and translation (coupon frame to camera frame).

    Parameters
    ----------
    target_mm : ndarray, shape (3,)
        Coupon point on the optical axis. [mm]
    distance_mm : float
        From the lens to the target. [mm]
    pitch_deg, yaw_deg, roll_deg : float
        Camera raised towards +y, moved towards +x, and turned about its axis. [deg]

    Returns
    -------
    tuple of ndarray, shapes (3, 3) and (3,)
        `x_camera = rotation @ x_coupon + translation`.
    """
    pitch, yaw, roll = radians(pitch_deg), radians(yaw_deg), radians(roll_deg)
    forward = -np.array([sin(yaw) * cos(pitch), sin(pitch), cos(yaw) * cos(pitch)])
    right = np.array([cos(yaw), 0.0, -sin(yaw)])
    down = np.array(
        [
            forward[1] * right[2] - forward[2] * right[1],
            forward[2] * right[0] - forward[0] * right[2],
            forward[0] * right[1] - forward[1] * right[0],
        ]
    )
    c, s = cos(roll), sin(roll)
    rotation = np.stack([c * right + s * down, c * down - s * right, forward])
    position = target_mm - distance_mm * forward
    return rotation, -rotation @ position


def plate_poses(joint: str, plate_angle_deg: float, rotation: Array, translation: Array) -> dict[str, PlatePose]:
    """Poses of the plates for a camera pose given in the coupon frame. [mm]"""
    return {name: PlatePose(name, rotation @ axes, translation) for name, axes in plate_axes(joint, plate_angle_deg).items()}


def phone_camera(rng: np.random.Generator, width_px: int, height_px: int, focal_35mm_mm: float) -> Camera:
    """A phone-like lens: a principal point near the middle and the little distortion that phones leave in.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    width_px, height_px : int
        Photo size. [px]
    focal_35mm_mm : float
        35 mm equivalent focal length, by diagonal. [mm]
    """
    diagonal = hypot(width_px, height_px)
    focal = focal_35mm_mm / DIAGONAL_35MM_MM * diagonal * (1.0 + 0.012 * rng.standard_normal())
    shift, bend, tangential = rng.standard_normal(2), rng.standard_normal(2), rng.standard_normal(2)
    # the same glass bends less within the narrower view of a longer lens: scale by the edge's angle
    reach = min(1.0, 26.0 / focal_35mm_mm)
    return Camera(
        width_px,
        height_px,
        float(focal),
        float((width_px - 1) / 2 + 0.004 * diagonal * shift[0]),
        float((height_px - 1) / 2 + 0.004 * diagonal * shift[1]),
        float(0.02 * bend[0] * reach),
        float(0.02 * bend[1] * reach),
        float(2e-4 * tangential[0]),
        float(2e-4 * tangential[1]),
    )


def distance_to_fill(camera: Camera, extent_mm: float, fill_ratio: float) -> float:
    """Distance at which a length along the weld takes a share of the photo's longer side. [mm]"""
    return camera.focal_px * extent_mm / (fill_ratio * max(camera.width_px, camera.height_px))


def wander(rng: np.random.Generator, along_mm: Array, length_scale_mm: float, n_waves: int = 8) -> Array:
    """Zero-mean, unit-variance smooth random function of `along`, shape (m,).

    A sum of cosines with Rayleigh-distributed wave numbers, which has a Gaussian correlation of the asked length.
    """
    waves = rng.rayleigh(1.0 / length_scale_mm, n_waves)
    phases = rng.uniform(0.0, 2.0 * np.pi, n_waves)
    total = np.cos(along_mm[:, None] * waves + phases).sum(axis=1)
    return np.asarray(np.sqrt(2.0 / n_waves) * total)


def _toes(rng: np.random.Generator, joint: str, along: Array) -> dict[str, Array]:
    if joint == "tee":
        mean = rng.uniform(3.0, 10.0)
        uneven = rng.normal(0.0, 0.06 * mean)
        means = {"base": mean + uneven, "standing": mean - uneven}
    else:
        half = 0.5 * rng.uniform(5.0, 16.0)
        means = {"left": half, "right": -half}
    return {
        name: value + 0.04 * abs(value) * wander(rng, along, 25.0) + 0.1 * wander(rng, along, 3.0)
        for name, value in means.items()
    }


def _placements(
    rng: np.random.Generator,
    joint: str,
    length: float,
    toes: dict[str, Array],
    pair: tuple[str, str],
    n_strips: int,
    given: dict[str, float],
) -> list[Placement]:
    """Strips beside the bead: one a plate on a tee, either side of the bead on a flat joint."""
    sides = ("base", "standing") if joint == "tee" else ("right", "left")
    chosen = range(2) if n_strips == 2 else [int(rng.integers(2))]
    placements = []
    common = {
        "thickness_mm": float(rng.choice([0.1, 0.1, 1.0])),
        "lift_mm": 0.0,
        "curl_mm": 0.0,
    } | given
    for k in chosen:
        board = BOARDS[pair[k]]
        reach = float(np.abs(toes[sides[k]]).max())
        across = reach + rng.uniform(4.0, 16.0) + board.margin_mm + 0.5 * board.height_mm
        slack = max(4.0, 0.5 * abs(length - board.length_mm))
        placements.append(
            Placement(
                board,
                TOE_PLATES[sides[k]],
                float(0.5 * length + rng.uniform(-slack, slack)),
                float(-across if sides[k] == "right" else across),
                float(np.clip(rng.normal(0.0, 2.5), -8.0, 8.0) + (180.0 if rng.random() < 0.1 else 0.0)),
                **common,
            )
        )
    return placements


def strip_view(placement: Placement, camera: Camera, plates: dict[str, PlatePose]) -> StripView:
    """Exact photo positions of a placed strip's inner corners."""
    corners = placement.board.corners_mm()
    on_plate = placement.on_plate(corners)
    px = camera.project(plates[placement.plate].to_camera(on_plate))
    return StripView(placement, np.arange(len(corners)), corners, px)


def make_case(seed: int, **choices: Any) -> Case:
    """A random coupon's corners and toe points, without a picture.

    Parameters
    ----------
    seed : int
        The same seed and choices give the same case.
    **choices
        Anything left out is drawn: `joint` (`tee`, `butt`, `plate`), `plate_angle_deg`, `length_mm`, `pair`
        (two strip letters), `n_strips` (2, or 1 on flat joints), `thickness_mm`, `lift_mm`, `curl_mm`,
        `focal_35mm_mm`, `width_px`, `height_px`, `fill_ratio` (share of the longer side that bead and strips
        take), `pitch_deg`, `yaw_deg`, `roll_deg`, `distortion` (False for a pure pinhole), `step_mm` (toe points).

    Returns
    -------
    Case
        Everything exact: whoever needs measured corners adds noise to them.

    Raises
    ------
    ValueError
        A choice that does not exist.
    """
    unknown = set(choices) - CASE_CHOICES
    if unknown:
        raise ValueError(f"no such choice: {sorted(unknown)}; there are {sorted(CASE_CHOICES)}")
    rng = np.random.default_rng(seed)
    joint = choices.get("joint") or ("tee", "tee", "butt", "plate")[int(rng.integers(4))]
    angle = float(choices.get("plate_angle_deg", rng.uniform(85.0, 95.0))) if joint == "tee" else 180.0
    length = float(choices.get("length_mm", rng.uniform(60.0, 150.0)))
    along = np.arange(0.0, length + 1e-9, float(choices.get("step_mm", 2.0)))
    toes = _toes(rng, joint, along)
    pair = choices.get("pair") or PAIRS[int(rng.integers(3))]
    drawn_n = 2 if joint == "tee" or rng.random() < 0.6 else 1
    given: dict[str, float] = {key: float(choices[key]) for key in ("thickness_mm", "lift_mm", "curl_mm") if key in choices}
    placements = _placements(rng, joint, length, toes, pair, int(choices.get("n_strips", drawn_n)), given)

    focal_35mm = float(choices.get("focal_35mm_mm", rng.choice([24.0, 26.0, 28.0, 35.0, 48.0, 52.0, 77.0])))
    camera = phone_camera(rng, int(choices.get("width_px", 4000)), int(choices.get("height_px", 3000)), focal_35mm)
    if not choices.get("distortion", True):
        camera = Camera(camera.width_px, camera.height_px, camera.focal_px, camera.cx_px, camera.cy_px)
    left = min([0.0, *(p.along_mm - 0.5 * p.board.length_mm for p in placements)])
    right = max([length, *(p.along_mm + 0.5 * p.board.length_mm for p in placements)])
    rise = 0.7 if joint == "tee" else 1.0
    tall = rise * 2.0 * max(abs(p.across_mm) + 0.5 * p.board.height_mm for p in placements) * 1.25
    extent = max(right - left, tall * camera.width_px / camera.height_px)
    fill = float(choices.get("fill_ratio", rng.uniform(0.6, 0.85)))
    distance = max(NEAREST_MM, distance_to_fill(camera, extent, fill))
    tilt = 10.0 if joint == "tee" else 18.0
    rotation, translation = look_at(
        np.array([0.5 * (left + right), 0.0, 0.0]),
        distance,
        float(choices.get("pitch_deg", np.clip(rng.normal(0.0, tilt), -30.0, 30.0))),
        float(choices.get("yaw_deg", np.clip(rng.normal(0.0, 7.0), -20.0, 20.0))),
        float(choices.get("roll_deg", np.clip(rng.normal(0.0, 6.0), -25.0, 25.0))),
    )
    plates = plate_poses(joint, angle, rotation, translation)
    toes_px = {}
    for name, across in toes.items():
        points = np.stack([along, across, np.zeros_like(along)], axis=1)
        toes_px[name] = camera.project(plates[TOE_PLATES[name]].to_camera(points))
    strips = tuple(strip_view(p, camera, plates) for p in placements)
    return Case(seed, joint, angle, camera, focal_35mm, distance, plates, strips, along, toes, toes_px)


CASE_CHOICES: frozenset[str] = frozenset(
    "joint plate_angle_deg length_mm pair n_strips thickness_mm lift_mm curl_mm focal_35mm_mm width_px height_px"
    " fill_ratio pitch_deg yaw_deg roll_deg distortion step_mm".split()
)
