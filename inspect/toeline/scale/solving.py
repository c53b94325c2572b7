"""From a start to the best unknowns: a bundle adjustment with priors, and what every doubt does to its outcome.

The best estimate is where corners and priors agree best (maximum a posteriori, Gauss-Newton with Levenberg's damping).
The error of that estimate is, to first order, a sum of independent parts: the corners' noise, and each prior's own error
carried through the solve. So each prior is a named source with its exact effect, and the corners' noise makes a few more
("corners 1" and so on).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.errors import PlatesUnsolved
from toeline.scale.budget import Budget
from toeline.scale.bundle import Problem, Sighting, rotations

Array = NDArray[np.float64]

OUTLIER = 4.0
"""Corners further off than this many robust standard deviations are left out [ratio]."""


class Priors(Protocol):
    """Names, beliefs and steps of all unknowns in one vector: the first `n_priors` have a prior."""

    names: list[str]
    size: int
    n_priors: int
    focals: NDArray[np.int64]
    mean: Array
    spread: Array
    unit: Array


class Solvable(Protocol):
    """What a solve needs of one photo, or of several together."""

    observed: Array
    row_parts: tuple[dict[str, float], ...]

    @property
    def unknowns(self) -> Priors: ...
    @property
    def budget(self) -> Budget: ...
    def predict(self, theta: Array) -> Array: ...
    def slopes(self, theta: Array) -> Array: ...
    def row_misses(self, theta: Array) -> Array: ...
    def row_slopes(self, theta: Array) -> Array: ...


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


def _stiffness(problem: Solvable, theta: Array) -> Array:
    """Weight of each unknown's prior, in its own unit, shape (p,); a focal length's Student distribution as a
    reweighted normal one."""
    un, dof = problem.unknowns, problem.budget.lens.focal_dof
    stiff = np.where(np.arange(un.size) < un.n_priors, 1.0, 0.0)
    z = (theta[un.focals] - un.mean[un.focals]) / un.spread[un.focals]
    stiff[un.focals] = (dof + 1.0) / (dof + z * z)
    return stiff


def _misfit(problem: Solvable, theta: Array, corner_u_px: float, *, robust: bool, weights: Array) -> tuple[float, Array, Array]:
    """Cost of unknowns, how far each corner is from its prediction, and that as a vector [px]."""
    un = problem.unknowns
    rest = problem.observed - problem.predict(theta)
    miss = np.linalg.norm(rest, axis=1)
    scaled = (miss / corner_u_px) ** 2
    corners = np.sum(weights * (OUTLIER**2 * np.log1p(scaled / OUTLIER**2) if robust else scaled))
    z = ((theta - un.mean) / un.spread)[: un.n_priors]
    dof, focal = problem.budget.lens.focal_dof, z[un.focals]
    priors = np.sum(z**2) - np.sum(focal**2) + (dof + 1.0) * np.sum(np.log1p(focal**2 / dof))
    return float(corners + priors + np.sum(problem.row_misses(theta) ** 2)), miss, rest


def descend(
    problem: Solvable,
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
    un = problem.unknowns
    damping = 1e-3
    cost, miss, off = _misfit(problem, theta, corner_u_px, robust=robust, weights=weights)
    has_prior = free < un.n_priors
    for _ in range(n_steps):
        weight = weights / (1.0 + (miss / (OUTLIER * corner_u_px)) ** 2) if robust else weights
        root = np.sqrt(weight) / corner_u_px
        unit = un.unit[free]
        slope = (problem.slopes(theta)[:, :, free] * unit * root[:, None, None]).reshape(-1, len(free))
        rest = (off * root[:, None]).ravel()
        rows = problem.row_slopes(theta)[:, free] * unit
        stiff = _stiffness(problem, theta)[free]
        normal, pull = slope.T @ slope + rows.T @ rows, slope.T @ rest - rows.T @ problem.row_misses(theta)
        normal[np.diag_indices(len(free))] += stiff
        pull += stiff * np.where(has_prior, (un.mean - theta)[free] / unit, 0.0)
        while True:
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull)
            expected = float(pull @ step)
            tried = theta.copy()
            tried[free] += un.unit[free] * step
            tried_cost, tried_miss, tried_off = _misfit(problem, tried, corner_u_px, robust=robust, weights=weights)
            if tried_cost <= cost or expected < settled or damping > 1e6:
                break
            damping *= 10.0
        if tried_cost <= cost:
            theta, cost, miss, off, damping = tried, tried_cost, tried_miss, tried_off, max(damping * 0.1, 1e-9)
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
        (descend(plain, s, coarse, rough_u, few, robust=True, n_steps=5, settled=0.1) for s in starts), key=lambda f: f[1]
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
    theta, _ = descend(problem, theta, free, 3.0 * expected_u, weights, robust=True, n_steps=6, settled=0.01)
    noise, cost = expected_u, 0.0
    for _ in range(2):
        _, miss, _ = _misfit(problem, theta, noise, robust=False, weights=weights)
        noise, weights = _noise(problem, miss)
        theta, cost = descend(problem, theta, free, noise, weights, robust=False, n_steps=12)
    return Fit(theta, weights, noise, cost)


def refit(problem: Problem, fit: Fit) -> Fit:
    """The best unknowns from a solve that believed something else of the strips."""
    return _finish(problem, fit.theta, np.arange(problem.unknowns.size))


def settle(problem: Problem, fit: Fit) -> Fit:
    """The best unknowns from a solve that knew less, with the same corners left out and the same noise."""
    free = np.arange(problem.unknowns.size)
    theta, cost = descend(problem, fit.theta, free, fit.corner_u_px, fit.weights, robust=False, n_steps=12)
    return Fit(theta, fit.weights, fit.corner_u_px, cost)


def _noise(problem: Problem, miss: Array) -> tuple[float, Array]:
    """Noise of a corner, by what is left over once outliers are gone [px], and weight 0 for outliers, shape (n,)."""
    un, budget = problem.unknowns, problem.budget
    robust_u = float(np.median(miss)) / 1.1774  # the median of a Rayleigh distribution
    weights = (miss < OUTLIER * max(robust_u, 0.5 * budget.corner_u_px)).astype(float)
    n_free = max(1.0, 2.0 * weights.sum() - (un.size - un.n_priors) - 3.0)  # the poses and some of the lens took their share
    squares = float(np.sum(weights * miss**2))
    noise = np.sqrt((budget.corner_dof * budget.corner_u_px**2 + squares) / (budget.corner_dof + n_free))
    return float(noise), weights


def sources(problem: Solvable, fit: Fit) -> dict[str, Array]:
    """What one standard deviation of every independent source does to the unknowns, in their units, each shape (p,).

    With H the slope of the estimate's conditions, the estimate's error is H⁻¹ (Σ slopes · corner noise + Σ prior
    errors); each prior's
    share is one column, and the corners' shares are gathered by a triangular root of their sum of squares.
    """
    un, dof = problem.unknowns, problem.budget.lens.focal_dof
    slope = problem.slopes(fit.theta) * un.unit * (np.sqrt(fit.weights) / fit.corner_u_px)[:, None, None]
    root = np.asarray(np.linalg.qr(slope.reshape(-1, un.size), mode="r"))
    rows = problem.row_slopes(fit.theta) * un.unit
    stiff = _stiffness(problem, fit.theta)
    inverse = np.linalg.inv(root.T @ root + np.diag(stiff) + rows.T @ rows)
    shares = {name: inverse[:, i] * stiff[i] for i, name in enumerate(un.names[: un.n_priors])}
    for i in un.focals:  # a Student distribution spreads wider
        shares[un.names[i]] *= np.sqrt(dof / (dof - 2.0))
    for row, parts in zip(rows, problem.row_parts, strict=True):
        shares |= {name: part * (inverse @ row) for name, part in parts.items()}
    noise = inverse @ root.T
    shares.update({f"corners {i + 1}": noise[:, i] for i in range(noise.shape[1])})
    return shares


def unsolved(residual_px: float) -> PlatesUnsolved:
    off = f" (their corners are off by {residual_px:.1f} px)" if math.isfinite(residual_px) else ""
    return PlatesUnsolved(
        f"The strips were found, but they do not lie as they would on this kind of joint{off}, so no length would be right.",
        advice="See first that the right joint is chosen: tee, butt, bead on plate, lap or corner. Then lay each strip flat on its "
        "plate and keep both in focus.",
    )
