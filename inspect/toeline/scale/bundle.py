"""What one photo of strips says: the unknowns, and what any values of them predict.

The unknowns are the lens, the print factor, each plate's pose and how each strip lies on its plate. Everything but the
poses has a prior. Two plates add what is believed of their angle and, where it was seen, the joint line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.scale.budget import Budget
from toeline.scale.rays import distort, distortion_slope, lens_slopes
from toeline.scale.solution import Lens
from toeline.scale.strips import Strip

Array = NDArray[np.float64]

STEP = 0.01
"""Step of the central differences, in units of each unknown [ratio]."""


LENS, PRINT = slice(0, 7), slice(7, 9)


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """One strip as found in a photo.

    Attributes
    ----------
    strip : Strip
    ids : ndarray of int, shape (n,)
        Numbers of the chessboard's inner corners, row by row.
    corners_px : ndarray, shape (n, 2)
        Where they are seen [px].
    plate : str
        The plate that it lies on.
    markers : ndarray of int, shape (k,)
        Numbers of markers, from the strip's first.
    markers_px : ndarray, shape (k, 2)
        Mean of each marker's four corners. Spreading ink, blur and burnt-out paper move a marker's edges, but not their mean [px].
    """

    strip: Strip
    ids: NDArray[np.int64]
    corners_px: Array
    plate: str = "plate"
    markers: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    markers_px: Array = field(default_factory=lambda: np.zeros((0, 2)))

    @property
    def points_px(self) -> Array:
        """Inner corners, then markers, shape (n + k, 2) [px]."""
        return np.concatenate([self.corners_px, self.markers_px])

    @property
    def points_mm(self) -> Array:
        """Inner corners, then the four corners of each marker, in the strip's own frame, shape (n + 4k, 2) [mm]."""
        return np.concatenate([self.strip.corners_mm[self.ids], self.strip.markers_mm[self.markers].reshape(-1, 2)])

    @property
    def parts(self) -> NDArray[np.int64]:
        """How many of `points_mm` make up each of `points_px`, shape (n + k,)."""
        return np.repeat([1, 4], [len(self.ids), len(self.markers)])


@dataclass(frozen=True, slots=True, eq=False)
class JointLine:
    """The line where a tee's plates meet, as seen in the photo beyond both ends of the bead.

    Attributes
    ----------
    points_px : ndarray, shape (2, 2)
        A point on it beyond the left and beyond the right end [px].
    up_px : ndarray, shape (2, 2)
        Across it in the photo, towards the standing plate, length one [px].
    px_per_mm : ndarray, shape (2,)
        Scale of the photo there [px/mm].
    along_mm : ndarray, shape (2,)
        Where the points lie along the root, in the plates' frame of the first solve [mm].
    edge_u_mm : float
        How far the line may be from where the two faces meet, at each end and square to the view: the coupon's own [mm].
    seen_u_mm : float
        How far it may be seen from where it is, which differs from photo to photo [mm].
    """

    points_px: Array
    up_px: Array
    px_per_mm: Array
    along_mm: Array
    edge_u_mm: float
    seen_u_mm: float

    @property
    def u_mm(self) -> float:
        """Standard uncertainty at each end, square to the view [mm]."""
        return float(np.hypot(self.edge_u_mm, self.seen_u_mm))

    @property
    def row_u_mm(self) -> Array:
        """Standard uncertainties of the mean of both ends and of half their difference, shape (2,) [mm].

        A gap or a rounded edge is alike at both ends, but not the same: correlation 0.5 (own judgement).
        """
        return self.u_mm * np.sqrt([0.75, 0.25])


class Unknowns:
    """Names, priors and places of all unknowns in one vector."""

    def __init__(self, sightings: Sequence[Sighting], budget: Budget) -> None:
        lens = budget.lens
        names = ["focal", "centre x", "centre y", "distortion k1", "distortion k2", "distortion p1", "distortion p2"]
        means = [np.log(lens.focal_px), *lens.centre_px, *lens.distortion]
        spreads = [lens.focal_u_ratio, *lens.centre_u_px, *lens.distortion_u]
        names += ["print along", "print across"]
        means += budget.print_factor
        spreads += budget.print_factor_u
        self.plates = list(dict.fromkeys(s.plate for s in sightings))
        self.pose_at: dict[str, int] = {}
        self.strip_at: list[int] = []
        self.place_at: list[int | None] = []
        for sighting in sightings:
            letter, prior = sighting.strip.letter, budget.strips[sighting.strip.letter]
            self.strip_at.append(len(names))
            names += [f"{what} {letter}" for what in ("thickness", "stand-off", "rocking along", "rocking across", "curl")]
            means += [prior.thickness_mm, 0.0, 0.0, 0.0, 0.0]
            spreads += [prior.thickness_u_mm, prior.stand_off_u_mm, prior.rocking_u_mm, prior.rocking_u_mm, prior.curl_u_mm]
        self.n_priors = len(names)
        for sighting in sightings:
            first = sighting.plate not in self.pose_at
            if first:
                self.pose_at[sighting.plate] = len(names)
            self.place_at.append(None if first else len(names))
            names += ["pose"] * (6 if first else 3)
        self.names = names
        self.size = len(names)
        self.focals = np.zeros(1, dtype=np.int64)
        self.mean = np.zeros(self.size)
        self.mean[: self.n_priors] = means
        self.spread = np.full(self.size, np.inf)
        self.spread[: self.n_priors] = np.maximum(spreads, 1e-12)
        pose_unit = np.tile([1e-3, 1e-3, 1e-3, 0.1, 0.1, 0.1], 1 + (self.size - self.n_priors) // 6)
        self.unit = np.concatenate([self.spread[: self.n_priors], pose_unit[: self.size - self.n_priors]])


def rotations(vectors: Array) -> Array:
    """Rotation matrices of rotation vectors, shape (m, 3) to (m, 3, 3) (Rodrigues' formula)."""
    angle = np.linalg.norm(vectors, axis=-1)[:, None, None]
    safe = np.maximum(angle, 1e-12)
    x, y, z = vectors.T
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(-1, 3, 3) / safe
    turned: Array = np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * (cross @ cross)
    return turned


def _spins(vector: Array) -> Array:
    """Slopes of the rotation matrix of a rotation vector, transposed: [k, j, i] is that of entry (i, j) by component k."""
    return np.asarray(cv2.Rodrigues(vector)[1], dtype=np.float64).reshape(3, 3, 3).transpose(0, 2, 1)


def strip_on_plate(strip: Strip, board_mm: Array, lie: Array, print_factor: Array, place: Array | None) -> Array:
    """Points of a printed strip in its plate's solving frame (x, y in the face, z into the plate), shape (n, 3) [mm].

    Parameters
    ----------
    board_mm : ndarray, shape (n, 2)
        Points in the strip's own frame [mm].
    lie : ndarray, shape (5,)
        Thickness, stand-off, rocking along and across, curl [mm].
    print_factor : ndarray, shape (2,)
        [ratio]
    place : ndarray, shape (3,), or None
        Turn [rad] and position [mm] beside the plate's first strip; None for that strip itself.
    """
    flat = (board_mm - strip.centre_mm) * print_factor
    height = _height_slopes(strip, board_mm, lie) @ lie
    if place is not None:
        flat = place[1:] + flat @ _turn(place[0]).T
    return np.column_stack([flat, -height])


def _height_slopes(strip: Strip, board_mm: Array, lie: Array) -> Array:
    """How the printed face's height follows thickness, stand-off, rocking along and across, and curl, shape (n, 5) [ratio].

    A strip whose ends bend up rests on its middle; one whose middle bulges up rests on its ends.
    """
    u, v = ((board_mm - strip.centre_mm) / strip.centre_mm).T
    return np.stack([np.ones_like(u), np.ones_like(u), u, v, u * u - (1.0 if lie[4] < 0 else 0.0)], axis=1)


def _turn(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s], [s, c]])


def row_parts(two_plates: bool, edge_ratio: float | None) -> tuple[dict[str, float], ...]:
    """The independent sources of what is believed of plate angle and joint line, row by row, as shares of each row's u.

    Parameters
    ----------
    edge_ratio : float or None
        The lasting share of the joint line's u; None where no line was seen [ratio].
    """
    angle = ({"plate angle": 1.0},) if two_plates else ()
    if edge_ratio is None:
        return angle
    seen_ratio = float(np.sqrt(max(1.0 - edge_ratio**2, 0.0)))
    names = ("joint line", "joint line turn")
    return (*angle, *({name: edge_ratio, f"seen {name}": seen_ratio} for name in names))


class Problem:
    """Corners, priors, and what any unknowns predict."""

    def __init__(
        self, sightings: Sequence[Sighting], budget: Budget, *, mirrored: bool, joint_line: JointLine | None = None
    ) -> None:
        self.sightings, self.budget, self.joint_line = tuple(sightings), budget, joint_line
        self.unknowns = Unknowns(sightings, budget)
        self.mirrored, self.sign = mirrored, -1.0 if mirrored else 1.0
        self.observed = np.concatenate([s.points_px for s in sightings])
        self.boards = [s.points_mm for s in sightings]
        self.parts = np.concatenate([s.parts for s in sightings])
        self.starts = np.concatenate([[0], np.cumsum(self.parts)[:-1]])
        self.two_plates = len(self.unknowns.plates) == 2
        edge = 1.0 if joint_line is None else joint_line.edge_u_mm / joint_line.u_mm
        self.row_parts = row_parts(self.two_plates, None if joint_line is None else edge)

    def predict(self, theta: Array) -> Array:
        """Photo positions of all corners, shape (p,) to (n, 2) [px]."""
        seen = np.concatenate([self._seen(theta, i)[1] for i in range(len(self.sightings))])
        rays = seen[:, :2] / np.where(np.abs(seen[:, 2:]) < 1.0, 1.0, seen[:, 2:])
        return self._pooled(distort(self.lens(theta), rays))

    def _pooled(self, values: Array) -> Array:
        """Means over the parts of each observed point, along the first axis."""
        counts = self.parts.reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray(np.add.reduceat(values, self.starts, axis=0) / counts, dtype=np.float64)

    def lens(self, theta: Array) -> Lens:
        """The lens that these unknowns mean."""
        centre_x, centre_y, k1, k2, p1, p2 = (float(v) for v in theta[1:7])
        return Lens(float(np.exp(theta[0])), centre_x, centre_y, k1, k2, p1, p2, self.mirrored)

    def _seen(self, theta: Array, i: int) -> tuple[Array, Array]:
        """Points of one strip in its plate's solving frame, and in the camera frame, each shape (n, 3) [mm]."""
        at, place_at = self.unknowns.strip_at[i], self.unknowns.place_at[i]
        place = None if place_at is None else theta[place_at : place_at + 3]
        on_plate = strip_on_plate(self.sightings[i].strip, self.boards[i], theta[at : at + 5], theta[PRINT], place)
        turn, shift = self.pose(theta, self.sightings[i].plate)
        return on_plate, on_plate @ turn.T + shift

    def slopes(self, theta: Array) -> Array:
        """Slope of every photo position by every unknown, shape (n, 2, p), by the chain rule."""
        parts = [self._moves(theta, i) for i in range(len(self.sightings))]
        seen, moves = (np.concatenate(part) for part in zip(*parts, strict=True))
        lens = self.lens(theta)
        rays = seen[:, :2] / seen[:, 2:]
        ray_moves = (moves[:, :2] - rays[:, :, None] * moves[:, 2:]) / seen[:, 2, None, None]
        slope = (distortion_slope(lens, rays) * (np.array([self.sign, 1.0])[:, None] * lens.focal_px)) @ ray_moves
        slope[:, :, LENS] += lens_slopes(lens, rays)
        slope[:, :, 0] *= lens.focal_px
        return self._pooled(slope)

    def _moves(self, theta: Array, i: int) -> tuple[Array, Array]:
        """Points of one strip in the camera frame (n, 3), and how each unknown moves them (n, 3, p) [mm per its unit]."""
        un, sighting = self.unknowns, self.sightings[i]
        at, place_at, pose_at = un.strip_at[i], un.place_at[i], un.pose_at[sighting.plate]
        turn, _ = self.pose(theta, sighting.plate)
        on_plate, seen = self._seen(theta, i)
        moves = np.zeros((len(seen), 3, un.size))
        moves[:, :, pose_at : pose_at + 3] = (on_plate @ _spins(theta[pose_at : pose_at + 3])).transpose(1, 2, 0)
        moves[:, :, pose_at + 3 : pose_at + 6] = np.eye(3)
        board = self.boards[i]
        heights = _height_slopes(sighting.strip, board, theta[at : at + 5])
        moves[:, :, at : at + 5] = -turn[:, 2, None] * heights[:, None, :]
        in_face = turn[:, :2] if place_at is None else turn[:, :2] @ _turn(theta[place_at])
        moves[:, :, PRINT] = in_face * (board - sighting.strip.centre_mm)[:, None, :]
        if place_at is not None:
            flat = on_plate[:, :2] - theta[place_at + 1 : place_at + 3]
            moves[:, :, place_at] = np.stack([-flat[:, 1], flat[:, 0]], axis=1) @ turn[:, :2].T
            moves[:, :, place_at + 1 : place_at + 3] = turn[:, :2]
        return seen, moves

    def pose(self, theta: Array, plate: str) -> tuple[Array, Array]:
        """One plate's solving frame (x, y in the face, z into it):
        rotation (3, 3) and origin (3,) in the camera frame [mm]."""
        at = self.unknowns.pose_at[plate]
        return np.asarray(cv2.Rodrigues(theta[at : at + 3])[0], dtype=np.float64), theta[at + 3 : at + 6]

    def angle_deg(self, theta: Array) -> float:
        """Angle between the two plates [deg]."""
        first, second = (self.pose(theta, plate)[0][:, 2] for plate in self.unknowns.pose_at)
        return float(np.degrees(np.arccos(np.clip(-(first @ second), -1.0, 1.0))))

    def frames(self, theta: Array, *, flip: bool = False) -> dict[str, tuple[Array, Array]]:
        """Each plate's frame as the package means it: rotation (m, 3, 3) and origin (m, 3) in the camera frame.

        On a tee the root is where the two faces meet, and its origin lies beside the middle of the two strips; on one
        plate the frame is the first strip's own, turned by half a turn where `flip` says so.
        """
        poses = {n: (rotations(theta[:, at : at + 3]), theta[:, at + 3 : at + 6]) for n, at in self.unknowns.pose_at.items()}
        if not self.two_plates:
            ((name, (turn, first)),) = poses.items()
            sign = -1.0 if flip else 1.0
            return {name: (turn * [sign, -sign, -1.0], first)}
        (base, at_base), (standing, at_standing) = poses["base"], poses["standing"]
        up_base, up_standing = -base[:, :, 2], -standing[:, :, 2]
        meeting = np.cross(up_base, up_standing)
        along: Array = np.asarray(meeting / np.linalg.norm(meeting, axis=1, keepdims=True), dtype=np.float64)
        # the root point nearest to the middle of the strips lies on both faces and square to the root from that middle
        faces = np.stack([up_base, up_standing, along], axis=1)
        middle = 0.5 * (at_base + at_standing)
        offsets = np.stack([_dot(up_base, at_base), _dot(up_standing, at_standing), _dot(along, middle)], axis=1)
        origin: Array = np.asarray(np.linalg.solve(faces, offsets[..., None])[..., 0], dtype=np.float64)
        return {
            "base": (np.stack([along, np.cross(along, up_base), up_base], axis=2), origin),
            "standing": (np.stack([along, np.cross(up_standing, along), up_standing], axis=2), origin),
        }

    def around(self, theta: Array, free: NDArray[np.int64]) -> Array:
        """Theta itself, then each free unknown a little more, then each a little less, shape (2f + 1, p)."""
        tried = np.repeat(theta[None], 2 * len(free) + 1, axis=0)
        rows = np.arange(len(free))
        tried[1 + rows, free] += STEP * self.unknowns.unit[free]
        tried[1 + len(free) + rows, free] -= STEP * self.unknowns.unit[free]
        return tried

    def angle_slope(self, theta: Array) -> Array:
        """How the angle between the plates follows each unknown, shape (p,) [deg per its unit]."""
        slope = np.zeros(self.unknowns.size)
        if not self.two_plates:
            return slope
        sine = np.sin(np.radians(self.angle_deg(theta)))
        (first, at_first), (second, at_second) = ((self.pose(theta, p)[0][:, 2], at) for p, at in self.unknowns.pose_at.items())
        for at, other in ((at_first, second), (at_second, first)):
            slope[at : at + 3] = np.degrees(_spins(theta[at : at + 3])[:, 2] @ other) / max(1e-6, sine)
        return slope

    def row_misses(self, theta: Array) -> Array:
        """How far plate angle and joint line are from what is believed, shape (r,) [their standard uncertainties]."""
        if not self.two_plates:
            return np.zeros(0)
        angle_off = np.array([(self.angle_deg(theta) - self.budget.plate_angle_deg) / self.budget.plate_angle_u_deg])
        if self.joint_line is None:
            return angle_off
        return np.concatenate([angle_off, self._line_rows(self.line_off_mm(theta[None], self.lens(theta)))[0]])

    def row_slopes(self, theta: Array) -> Array:
        """How `row_misses` follows the unknowns, shape (r, p) [per unit]."""
        un = self.unknowns
        if not self.two_plates:
            return np.zeros((0, un.size))
        angle = self.angle_slope(theta)[None] / self.budget.plate_angle_u_deg
        if self.joint_line is None:
            return angle
        lens, slope = self.lens(theta), np.zeros((2, un.size))
        poses = np.concatenate([np.arange(at, at + 6) for at in un.pose_at.values()])
        off = self.line_off_mm(self.around(theta, poses), lens)
        n = len(poses)
        slope[:, poses] = (off[1 : 1 + n] - off[1 + n :]).T / (2 * STEP * un.unit[poses])
        seen = self._root_seen(theta[None])[0]
        by_lens = lens_slopes(lens, seen[:, :2] / seen[:, 2:])
        slope[:, LENS] = np.einsum("ij,ijk->ik", self.joint_line.up_px / self.joint_line.px_per_mm[:, None], by_lens)
        slope[:, 0] *= lens.focal_px
        return np.concatenate([angle, self._line_rows(slope.T).T])

    def _line_rows(self, ends: Array) -> Array:
        """Mean of both ends and half their difference, each over its u; shape (m, 2) to (m, 2)."""
        assert self.joint_line is not None
        left, right = ends.T
        return np.stack([left + right, right - left], axis=1) / (2 * self.joint_line.row_u_mm)

    def _root_seen(self, theta: Array) -> Array:
        """The root beside the joint line's two points, camera frame, shape (m, p) to (m, 2, 3) [mm]."""
        assert self.joint_line is not None
        turn, origin = self.frames(theta)["base"]
        return np.asarray(origin[:, None] + self.joint_line.along_mm[:, None] * turn[:, None, :, 0], dtype=np.float64)

    def line_off_mm(self, theta: Array, lens: Lens) -> Array:
        """How far above the seen joint line the solved plates meet, left and right, square to the view,
        shape (m, p) to (m, 2) [mm]."""
        assert self.joint_line is not None
        seen = self._root_seen(theta)
        off = distort(lens, seen[..., :2] / seen[..., 2:]) - self.joint_line.points_px
        return np.asarray(np.sum(off * self.joint_line.up_px, axis=-1) / self.joint_line.px_per_mm, dtype=np.float64)


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.sum(a * b, axis=-1), dtype=np.float64)
