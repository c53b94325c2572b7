"""One or two plates and the lens solved together from the corners of all strips: a bundle adjustment with priors.

The unknowns are the lens, the print factor, each plate's pose and how each strip lies on its plate. Everything but the poses has a prior,
and the best estimate is where corners and priors agree best (maximum a posteriori, Gauss-Newton with Levenberg's damping). The error of
that estimate is, to first order, a sum of independent parts: the corners' noise, and each prior's own error carried through the solve.
So each prior is a named source with its exact effect, and the corners' noise makes a few more ("corners 1" and so on).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.errors import PlatesUnsolved
from toeline.scale.budget import Budget
from toeline.scale.strips import Strip

Array = NDArray[np.float64]

STEP = 0.01
"""Step of the central differences, in units of each unknown [ratio]."""
OUTLIER = 4.0
"""Corners further off than this many robust standard deviations are left out [ratio]."""


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """Corners of one strip as found in a photo.

    Attributes
    ----------
    strip : Strip
    ids : ndarray of int, shape (n,)
        Numbers of the inner corners, row by row.
    corners_px : ndarray, shape (n, 2)
        [px]
    plate : str
        The plate that it lies on.
    """

    strip: Strip
    ids: NDArray[np.int64]
    corners_px: Array
    plate: str = "plate"


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
    return np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * (cross @ cross)


def strip_on_plate(strip: Strip, board_mm: Array, lie: Array, print_factor: Array, place: Array | None) -> Array:
    """Points of a printed strip in its plate's solving frame (x, y in the face, z into the plate), shape (m, n, 3) [mm].

    Parameters
    ----------
    board_mm : ndarray, shape (n, 2)
        Points in the strip's own frame [mm].
    lie : ndarray, shape (m, 5)
        Thickness, stand-off, rocking along and across, curl [mm].
    print_factor : ndarray, shape (m, 2)
        [ratio]
    place : ndarray, shape (m, 3), or None
        Turn [rad] and position [mm] beside the plate's first strip; None for that strip itself.
    """
    half = strip.centre_mm
    flat = (board_mm - half) * print_factor[:, None, :]
    u, v = ((board_mm - half) / half).T
    thickness, stand_off, rock_along, rock_across, curl = lie.T[:, :, None]
    height = thickness + stand_off + rock_along * u + rock_across * v + curl * u * u + np.maximum(-curl, 0.0)
    if place is not None:
        c, s = np.cos(place[:, :1]), np.sin(place[:, :1])
        flat = np.stack(
            [place[:, 1:2] + c * flat[..., 0] - s * flat[..., 1], place[:, 2:3] + s * flat[..., 0] + c * flat[..., 1]],
            axis=-1,
        )
    return np.concatenate([flat, -height[..., None]], axis=-1)


class Problem:
    """Corners, priors, and what any unknowns predict; many vectors of unknowns at once, so slopes are cheap."""

    def __init__(self, sightings: Sequence[Sighting], budget: Budget, *, mirrored: bool) -> None:
        self.sightings, self.budget = tuple(sightings), budget
        self.unknowns = Unknowns(sightings, budget)
        self.sign = -1.0 if mirrored else 1.0
        self.observed = np.concatenate([s.corners_px for s in sightings])
        self.boards = [s.strip.corners_mm[s.ids] for s in sightings]
        self.two_plates = len(self.unknowns.plates) == 2

    def predict(self, theta: Array) -> Array:
        """Photo positions of all corners, shape (m, p) to (m, n, 2) [px]."""
        un, parts = self.unknowns, []
        poses = {name: (rotations(theta[:, at : at + 3]), theta[:, at + 3 : at + 6]) for name, at in un.pose_at.items()}
        for sighting, board, at, place_at in zip(self.sightings, self.boards, un.strip_at, un.place_at, strict=True):
            place = None if place_at is None else theta[:, place_at : place_at + 3]
            points = strip_on_plate(sighting.strip, board, theta[:, at : at + 5], theta[:, 7:9], place)
            turn, shift = poses[sighting.plate]
            parts.append(points @ turn.transpose(0, 2, 1) + shift[:, None])
        seen = np.concatenate(parts, axis=1)
        depth = np.where(np.abs(seen[..., 2]) < 1.0, 1.0, seen[..., 2])
        x, y = seen[..., 0] / depth, seen[..., 1] / depth
        focal, k1, k2, p1, p2 = np.exp(theta[:, :1]), *theta[:, 3:7].T[:, :, None]
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * k2)
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        return np.stack([theta[:, 1:2] + self.sign * focal * xd, theta[:, 2:3] + focal * yd], axis=-1)

    def pose(self, theta: Array, plate: str) -> tuple[Array, Array]:
        """One plate's solving frame (x, y in the face, z into it): rotation (3, 3) and origin (3,) in the camera frame [mm]."""
        at = self.unknowns.pose_at[plate]
        return rotations(theta[None, at : at + 3])[0], theta[at + 3 : at + 6]

    def angle_deg(self, theta: Array) -> Array:
        """Angle between the two plates, shape (m,) [deg]."""
        first, second = (rotations(theta[:, at : at + 3])[:, :, 2] for at in self.unknowns.pose_at.values())
        return np.degrees(np.arccos(np.clip(-np.sum(first * second, axis=1), -1.0, 1.0)))

    def frames(self, theta: Array, *, flip: bool = False) -> dict[str, tuple[Array, Array]]:
        """Each plate's frame as the package means it: rotation (m, 3, 3) and origin (m, 3) in the camera frame.

        On a tee the root is where the two faces meet, and its origin lies beside the middle of the two strips; on one plate the frame is
        the first strip's own, turned by half a turn where `flip` says so.
        """
        poses = {n: (rotations(theta[:, at : at + 3]), theta[:, at + 3 : at + 6]) for n, at in self.unknowns.pose_at.items()}
        if not self.two_plates:
            ((name, (turn, origin)),) = poses.items()
            sign = -1.0 if flip else 1.0
            return {name: (turn * [sign, -sign, -1.0], origin)}
        (base, at_base), (standing, at_standing) = poses["base"], poses["standing"]
        up_base, up_standing = -base[:, :, 2], -standing[:, :, 2]
        along = np.cross(up_base, up_standing)
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        # the root point nearest to the middle of the strips lies on both faces and square to the root from that middle
        faces = np.stack([up_base, up_standing, along], axis=1)
        middle = 0.5 * (at_base + at_standing)
        offsets = np.stack([_dot(up_base, at_base), _dot(up_standing, at_standing), _dot(along, middle)], axis=1)
        origin = np.linalg.solve(faces, offsets[..., None])[..., 0]
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
        """Predictions and their slopes by central differences, all at once."""
        n = len(free)
        tried = self.around(theta, free)
        predicted = self.predict(tried)
        slope = ((predicted[1 : 1 + n] - predicted[1 + n :]) / (2 * STEP)).transpose(1, 2, 0)
        if not self.two_plates:
            return Linear(predicted[0], slope, 0.0, np.zeros(n))
        angles = self.angle_deg(tried)
        return Linear(predicted[0], slope, float(angles[0]), (angles[1 : 1 + n] - angles[1 + n :]) / (2 * STEP))


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """Corners (n, 2) [px], their slopes (n, 2, f), and the plates' angle [deg] with its slopes (f,), per unit of each unknown."""

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
    return np.sum(a * b, axis=-1)


def _focal_weight(z: float, dof: float) -> float:
    """Weight of the focal length's prior: a Student distribution as a reweighted normal one."""
    return (dof + 1.0) / (dof + z * z)


def _misfit(problem: Problem, theta: Array, corner_u_px: float, *, robust: bool, weights: Array) -> tuple[float, Array]:
    """Cost of unknowns and each corner's distance from its prediction [px]."""
    un, budget = problem.unknowns, problem.budget
    miss = np.linalg.norm(problem.predict(theta[None])[0] - problem.observed, axis=1)
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
) -> tuple[Array, float]:
    """Levenberg-Marquardt from a start, over the free unknowns; the unknowns found and their cost."""
    un, budget = problem.unknowns, problem.budget
    damping = 1e-3
    cost, miss = _misfit(problem, theta, corner_u_px, robust=robust, weights=weights)
    has_prior = free < un.n_priors
    for _ in range(n_steps):
        line = problem.linear(theta, free)
        weight = weights / (1.0 + (miss / (OUTLIER * corner_u_px)) ** 2) if robust else weights
        slope = (line.slope * np.sqrt(weight)[:, None, None]).reshape(-1, len(free)) / corner_u_px
        rest = ((problem.observed - line.predicted) * np.sqrt(weight)[:, None]).ravel() / corner_u_px
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
            damped = normal + damping * np.diag(np.diag(normal))
            tried = theta.copy()
            tried[free] += un.unit[free] * np.linalg.solve(damped, pull)
            tried_cost, tried_miss = _misfit(problem, tried, corner_u_px, robust=robust, weights=weights)
            if tried_cost <= cost or damping > 1e6:
                break
            damping *= 10.0
        gain = cost - tried_cost
        if gain < 0:
            break
        theta, cost, miss, damping = tried, tried_cost, tried_miss, max(damping * 0.1, 1e-9)
        if gain < 1e-5 * (1.0 + cost):
            break
    return theta, cost


def _starts(problem: Problem) -> list[Array]:
    """Starting unknowns: every way that each plate's largest strip may lie, for each likely focal length."""
    un, lens = problem.unknowns, problem.budget.lens
    factors = (1.0,) if lens.known else (0.85, 1.6)
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
    """Both poses that a small plane seen from afar may have (infinitesimal plane-based pose, OpenCV), as (rotation, shift)."""
    sighting, board = problem.sightings[index], problem.boards[index]
    flat = (board - sighting.strip.centre_mm) * problem.budget.print_factor
    rays = _rays(problem, sighting.corners_px, focal)
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
    rays = np.column_stack([_rays(problem, sighting.corners_px, focal), np.ones(len(board))])
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
    starts = _starts(problem)
    if not starts:
        raise unsolved(float("nan"))
    rough_u = max(1.0, 3.0 * budget.corner_u_px)
    rough = sorted((_descend(problem, s, coarse, rough_u, ones, robust=True, n_steps=6) for s in starts), key=lambda f: f[1])
    fits = []
    for theta, cost in rough[:2]:
        if fits and cost > 3.0 * rough[0][1] + 20.0:
            break
        fits.append(_finish(problem, theta, everything))
    same_u, every = rough_u / 3.0, ones
    return min(fits, key=lambda fit: _misfit(problem, fit.theta, same_u, robust=True, weights=every)[0])


def _finish(problem: Problem, theta: Array, free: NDArray[np.int64]) -> Fit:
    """From a rough start to the end: robust first, then without outliers and with the noise that the corners show."""
    budget, un = problem.budget, problem.unknowns
    weights = np.ones(len(problem.observed))
    theta, _ = _descend(problem, theta, free, 3.0 * budget.corner_u_px, weights, robust=True, n_steps=6)
    noise = budget.corner_u_px
    for _ in range(2):
        _, miss = _misfit(problem, theta, noise, robust=False, weights=weights)
        robust_u = float(np.median(miss)) / 1.1774  # the median of a Rayleigh distribution
        weights = (miss < OUTLIER * max(robust_u, 0.5 * budget.corner_u_px)).astype(float)
        n_free = max(1.0, 2.0 * weights.sum() - (un.size - un.n_priors) - 2.0)
        squares = float(np.sum(weights * miss**2))
        noise = np.sqrt((budget.corner_dof * budget.corner_u_px**2 + squares) / (budget.corner_dof + n_free))
        theta, cost = _descend(problem, theta, free, noise, weights, robust=False, n_steps=12)
    return Fit(theta, weights, float(noise), cost)


def sources(problem: Problem, fit: Fit) -> dict[str, Array]:
    """What one standard deviation of every independent source does to the unknowns, in their units, each shape (p,).

    With H the slope of the estimate's conditions, the estimate's error is H⁻¹ (Σ slopes · corner noise + Σ prior errors); each prior's
    share is one column, and the corners' shares are gathered by a triangular root of their sum of squares.
    """
    un, budget = problem.unknowns, problem.budget
    line = problem.linear(fit.theta, np.arange(un.size))
    slope = (line.slope * np.sqrt(fit.weights)[:, None, None]).reshape(-1, un.size) / fit.corner_u_px
    root = np.linalg.qr(slope, mode="r")
    stiff = np.zeros(un.size)
    stiff[: un.n_priors] = 1.0
    stiff[0] = _focal_weight(float((fit.theta[0] - un.mean[0]) / un.spread[0]), budget.lens.focal_dof)
    row = line.angle_slope / budget.plate_angle_u_deg
    inverse = np.linalg.inv(root.T @ root + np.diag(stiff) + np.outer(row, row))
    shares = {name: inverse[:, i] * np.sqrt(stiff[i]) for i, name in enumerate(un.names[: un.n_priors])}
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
