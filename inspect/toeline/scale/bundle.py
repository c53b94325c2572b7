"""One or two plates and the lens solved together from the corners of all strips: a bundle adjustment with priors.

The unknowns are the lens, the print factor, each plate's pose and how each strip lies on its plate. Everything but the
poses has a prior, and the best estimate is where corners and priors agree best (maximum a posteriori, Gauss-Newton with
Levenberg's damping). The error of that estimate is, to first order, a sum of independent parts: the corners' noise, and
each prior's own error carried through the solve. So each prior is a named source with its exact effect, and the corners'
noise makes a few more ("corners 1" and so on).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.errors import PlatesUnsolved
from toeline.scale.budget import Budget
from toeline.scale.rays import distort, distortion_slope, lens_slopes
from toeline.scale.solution import Lens
from toeline.scale.strips import Strip

Array = NDArray[np.float64]

STEP = 0.01
"""Step of the central differences, in units of each unknown [ratio]."""
OUTLIER = 4.0
"""Corners further off than this many robust standard deviations are left out [ratio]."""


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


class Problem:
    """Corners, priors, and what any unknowns predict."""

    def __init__(self, sightings: Sequence[Sighting], budget: Budget, *, mirrored: bool) -> None:
        self.sightings, self.budget = tuple(sightings), budget
        self.unknowns = Unknowns(sightings, budget)
        self.mirrored, self.sign = mirrored, -1.0 if mirrored else 1.0
        self.observed = np.concatenate([s.points_px for s in sightings])
        self.boards = [s.points_mm for s in sightings]
        self.parts = np.concatenate([s.parts for s in sightings])
        self.starts = np.concatenate([[0], np.cumsum(self.parts)[:-1]])
        self.two_plates = len(self.unknowns.plates) == 2

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

    def angle_deg(self, theta: Array) -> Array:
        """Angle between the two plates, shape (m,) [deg]."""
        first, second = (rotations(theta[:, at : at + 3])[:, :, 2] for at in self.unknowns.pose_at.values())
        return np.asarray(np.degrees(np.arccos(np.clip(-np.sum(first * second, axis=1), -1.0, 1.0))), dtype=np.float64)

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

    def linear(self, theta: Array, free: NDArray[np.int64]) -> Linear:
        """Predictions and slopes by the free unknowns, each in its own unit."""
        n = len(free)
        slope = self.slopes(theta)[:, :, free] * self.unknowns.unit[free]
        if not self.two_plates:
            return Linear(self.predict(theta), slope, 0.0, np.zeros(n))
        angle_deg = float(self.angle_deg(theta[None])[0])
        angle_slope = np.zeros(self.unknowns.size)
        (first, at_first), (second, at_second) = ((self.pose(theta, p)[0][:, 2], at) for p, at in self.unknowns.pose_at.items())
        for at, other in ((at_first, second), (at_second, first)):
            turned = _spins(theta[at : at + 3])[:, 2] @ other
            angle_slope[at : at + 3] = np.degrees(turned) / max(1e-6, np.sin(np.radians(angle_deg)))
        return Linear(self.predict(theta), slope, angle_deg, angle_slope[free] * self.unknowns.unit[free])


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """Corners (n, 2) [px], their slopes (n, 2, f), and the plates' angle [deg] with its slopes (f,), per unit of each
    unknown."""

    predicted: Array
    slope: Array
    angle_deg: float
    angle_slope: Array


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Where the solve ended.

    Attributes
    ----------
    theta : ndarray, shape (p,)
    weights : ndarray, shape (n,)
        0 for corners left out.
    corner_u_px : float
        Noise of a corner [px].
    cost : float
        Sum of squares over all corners and priors, in their own standard deviations.
    """

    theta: Array
    weights: Array
    corner_u_px: float
    cost: float


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.sum(a * b, axis=-1), dtype=np.float64)


def _focal_weight(z: float, dof: float) -> float:
    """Weight of the focal length's prior: a Student distribution as a reweighted normal one."""
    return (dof + 1.0) / (dof + z * z)


def _misfit(problem: Problem, theta: Array, corner_u_px: float, *, robust: bool, weights: Array) -> tuple[float, Array]:
    """Cost of unknowns and each corner's distance from its prediction [px]."""
    un, budget = problem.unknowns, problem.budget
    miss = np.linalg.norm(problem.predict(theta) - problem.observed, axis=1)
    scaled = (miss / corner_u_px) ** 2
    corners = np.sum(weights * (OUTLIER**2 * np.log1p(scaled / OUTLIER**2) if robust else scaled))
    z = ((theta - un.mean) / un.spread)[: un.n_priors]
    dof = budget.lens.focal_dof
    priors = np.sum(z[1:] ** 2) + (dof + 1.0) * np.log1p(z[0] ** 2 / dof)
    angle = (problem.angle_deg(theta[None])[0] - budget.plate_angle_deg) / budget.plate_angle_u_deg if problem.two_plates else 0.0
    return float(corners + priors + angle**2), miss


def _descend(
    problem: Problem,
    theta: Array,
    free: NDArray[np.int64],
    corner_u_px: float,
    weights: Array,
    *,
    robust: bool,
    n_steps: int,
    settled: float = 1e-4,
) -> tuple[Array, float]:
    """Levenberg-Marquardt from a start, over the free unknowns, until less than `settled` is to be gained;
    unknowns and their cost."""
    un, budget = problem.unknowns, problem.budget
    damping = 1e-3
    cost, miss = _misfit(problem, theta, corner_u_px, robust=robust, weights=weights)
    has_prior = free < un.n_priors
    for _ in range(n_steps):
        line = problem.linear(theta, free)
        weight = weights / (1.0 + (miss / (OUTLIER * corner_u_px)) ** 2) if robust else weights
        root = np.sqrt(weight) / corner_u_px
        slope = (line.slope * root[:, None, None]).reshape(-1, len(free))
        rest = ((problem.observed - line.predicted) * root[:, None]).ravel()
        normal, pull = slope.T @ slope, slope.T @ rest
        z = np.where(has_prior, (un.mean - theta)[free] / un.unit[free], 0.0)
        stiff = np.where(has_prior, 1.0, 0.0)
        stiff[free == 0] = _focal_weight(float((theta[0] - un.mean[0]) / un.spread[0]), budget.lens.focal_dof)
        normal[np.diag_indices(len(free))] += stiff
        pull += stiff * z
        if problem.two_plates:
            row = line.angle_slope / budget.plate_angle_u_deg
            normal += np.outer(row, row)
            pull += row * (budget.plate_angle_deg - line.angle_deg) / budget.plate_angle_u_deg
        while True:
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull)
            expected = float(pull @ step)
            tried = theta.copy()
            tried[free] += un.unit[free] * step
            tried_cost, tried_miss = _misfit(problem, tried, corner_u_px, robust=robust, weights=weights)
            if tried_cost <= cost or expected < settled or damping > 1e6:
                break
            damping *= 10.0
        if tried_cost <= cost:
            theta, cost, miss, damping = tried, tried_cost, tried_miss, max(damping * 0.1, 1e-9)
        if expected < settled or tried_cost > cost:
            break
    return theta, cost


def _starts(problem: Problem) -> list[Array]:
    """Starting unknowns: every way that each plate's largest strip may lie, for each likely focal length."""
    un, lens = problem.unknowns, problem.budget.lens
    factors = (1.0,) if lens.known else (0.8, 1.9)
    starts = []
    for factor in factors:
        focal = lens.focal_px * factor
        choices = []
        for plate in un.plates:
            first = next(i for i, s in enumerate(problem.sightings) if s.plate == plate)
            choices.append(_planar_poses(problem, first, focal))
        for poses in product(*choices):
            theta = un.mean.copy()
            theta[0] = np.log(focal)
            for plate, pose in zip(un.plates, poses, strict=True):
                theta[un.pose_at[plate] : un.pose_at[plate] + 6] = pose
            for sighting, board, at in zip(problem.sightings, problem.boards, un.place_at, strict=True):
                if at is not None:
                    theta[at : at + 3] = _place(problem, sighting, board, theta, focal)
            starts.append(theta)
    return starts


def _rays(problem: Problem, corners_px: Array, focal: float) -> Array:
    return (corners_px - problem.budget.lens.centre_px) / [problem.sign * focal, focal]


def _planar_poses(problem: Problem, index: int, focal: float) -> list[Array]:
    """Both poses that a small plane seen from afar may have (infinitesimal plane-based pose, OpenCV), as (rotation,
    shift)."""
    sighting, board = problem.sightings[index], problem.boards[index]
    flat = (board - sighting.strip.centre_mm) * problem.budget.print_factor
    rays = _rays(problem, sighting.points_px, focal)
    plane = np.column_stack([flat, np.zeros(len(flat))])
    _, turns, shifts, _ = cv2.solvePnPGeneric(plane, rays[:, None], np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    poses = []
    for turn, shift in zip(turns, shifts, strict=True):
        if np.isfinite(turn).all() and shift[2, 0] > 0:
            poses.append(np.concatenate([turn.ravel(), shift.ravel()]))
    return poses


def _place(problem: Problem, sighting: Sighting, board: Array, theta: Array, focal: float) -> Array:
    """Turn and position of a further strip on a plate whose pose is known roughly, from two rays."""
    at = problem.unknowns.pose_at[sighting.plate]
    turn, shift = rotations(theta[None, at : at + 3])[0], theta[at + 3 : at + 6]
    rays = np.column_stack([_rays(problem, sighting.points_px, focal), np.ones(len(board))])
    on_plate = (rays * ((turn[:, 2] @ shift) / (rays @ turn[:, 2]))[:, None] - shift) @ turn
    flat = board - sighting.strip.centre_mm
    a, b = flat - flat.mean(axis=0), on_plate[:, :2] - on_plate[:, :2].mean(axis=0)
    angle = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    c, s = np.cos(angle), np.sin(angle)
    return np.array([angle, *(on_plate[:, :2].mean(axis=0) - np.array([[c, -s], [s, c]]) @ flat.mean(axis=0))])


def solve(problem: Problem) -> Fit:
    """The best unknowns over all starts, without outlier corners, with the corners' own noise."""
    un, budget = problem.unknowns, problem.budget
    everything = np.arange(un.size)
    coarse = np.concatenate([[0], everything[un.n_priors :]])
    ones = np.ones(len(problem.observed))
    plain = Problem([_without_markers(s) for s in problem.sightings], budget, mirrored=problem.mirrored)
    starts = _starts(plain)
    if not starts:
        raise unsolved(float("nan"))
    few = np.ones(len(plain.observed))
    rough_u = max(1.0, 3.0 * budget.corner_u_px)
    rough = sorted(
        (_descend(plain, s, coarse, rough_u, few, robust=True, n_steps=5, settled=0.1) for s in starts), key=lambda f: f[1]
    )
    fits: list[Fit] = []
    for theta, cost in rough[:2]:
        if fits and cost > rough[0][1] + 6.0:
            break
        fits.append(_finish(problem, theta, everything))
    expected_u = problem.budget.corner_u_px
    return min(fits, key=lambda fit: _misfit(problem, fit.theta, expected_u, robust=True, weights=ones)[0])


def _without_markers(sighting: Sighting) -> Sighting:
    return Sighting(sighting.strip, sighting.ids, sighting.corners_px, sighting.plate)


def _finish(problem: Problem, theta: Array, free: NDArray[np.int64]) -> Fit:
    """From a rough start to the end: robust first, then without outliers and with the noise that the corners show."""
    expected_u = problem.budget.corner_u_px
    weights = np.ones(len(problem.observed))
    theta, _ = _descend(problem, theta, free, 3.0 * expected_u, weights, robust=True, n_steps=6, settled=0.01)
    noise, cost = expected_u, 0.0
    for _ in range(2):
        _, miss = _misfit(problem, theta, noise, robust=False, weights=weights)
        noise, weights = _noise(problem, miss)
        theta, cost = _descend(problem, theta, free, noise, weights, robust=False, n_steps=12)
    return Fit(theta, weights, noise, cost)


def _noise(problem: Problem, miss: Array) -> tuple[float, Array]:
    """Noise of a corner, by what is left over once outliers are gone [px], and weight 0 for outliers, shape (n,)."""
    un, budget = problem.unknowns, problem.budget
    robust_u = float(np.median(miss)) / 1.1774  # the median of a Rayleigh distribution
    weights = (miss < OUTLIER * max(robust_u, 0.5 * budget.corner_u_px)).astype(float)
    n_free = max(1.0, 2.0 * weights.sum() - (un.size - un.n_priors) - 3.0)  # the poses and some of the lens took their share
    squares = float(np.sum(weights * miss**2))
    noise = np.sqrt((budget.corner_dof * budget.corner_u_px**2 + squares) / (budget.corner_dof + n_free))
    return float(noise), weights


def sources(problem: Problem, fit: Fit) -> dict[str, Array]:
    """What one standard deviation of every independent source does to the unknowns, in their units, each shape (p,).

    With H the slope of the estimate's conditions, the estimate's error is H⁻¹ (Σ slopes · corner noise + Σ prior
    errors); each prior's
    share is one column, and the corners' shares are gathered by a triangular root of their sum of squares.
    """
    un, budget = problem.unknowns, problem.budget
    line = problem.linear(fit.theta, np.arange(un.size))
    slope = (line.slope * (np.sqrt(fit.weights) / fit.corner_u_px)[:, None, None]).reshape(-1, un.size)
    root = np.asarray(np.linalg.qr(slope, mode="r"))
    stiff = np.zeros(un.size)
    stiff[: un.n_priors] = 1.0
    stiff[0] = _focal_weight(float((fit.theta[0] - un.mean[0]) / un.spread[0]), budget.lens.focal_dof)
    row = line.angle_slope / budget.plate_angle_u_deg
    inverse = np.linalg.inv(root.T @ root + np.diag(stiff) + np.outer(row, row))
    shares = {name: inverse[:, i] * stiff[i] for i, name in enumerate(un.names[: un.n_priors])}
    shares["focal"] *= np.sqrt(budget.lens.focal_dof / (budget.lens.focal_dof - 2.0))  # a Student distribution spreads wider
    if problem.two_plates:
        shares["plate angle"] = inverse @ row
    noise = inverse @ root.T
    shares.update({f"corners {i + 1}": noise[:, i] for i in range(noise.shape[1])})
    return shares


def unsolved(residual_px: float) -> PlatesUnsolved:
    return PlatesUnsolved(
        f"The strips were found, but no pose of the plates explains where their corners are (off by {residual_px:.1f} px), "
        "so no length would be right.",
        advice="Lay each strip flat on its plate, keep both in focus, and say which joint it is (tee or flat).",
    )
