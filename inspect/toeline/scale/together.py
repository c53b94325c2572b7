"""Several photos of one coupon solved as one: what belongs to the coupon is common, what belongs to a photo is its own.

Common: how strips lie (thickness, stand-off, rocking, curl), the print factor, where strips lie on their plates and how the
two plates stand to each other. A photo's own: its lens and from where it was taken. So views from several sides tell what
one leaves open, and what none of them can tell stays one and the same doubt in all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.flags import Flag
from toeline.scale.budget import Budget
from toeline.scale.bundle import LENS, Problem, row_parts
from toeline.scale.plates import Solved, along_points_left, condensed, doubts, outputs, plate_fits, shown
from toeline.scale.solution import Scale
from toeline.scale.solving import Fit, descend, sources

Array = NDArray[np.float64]

MOVED_RATIO, MOVED_PX = 2.0, 0.1
"""Residuals of a photo beyond this many times those of its own solve (or beyond that of 0.1 px) show that strips moved."""


class CommonUnknowns:
    """Names, priors and places of all unknowns of several photos in one vector."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        first, n = problems[0].unknowns, len(problems)
        n_lens = LENS.stop
        lens_names = [f"{name} photo {k + 1}" for k in range(n) for name in first.names[:n_lens]]
        n_common = first.n_priors - n_lens
        self.n_priors = n * n_lens + n_common
        self.n_places = 3 * sum(place is not None for place in first.place_at)
        self.two_plates = len(first.pose_at) == 2
        self.pose_start = self.n_priors + self.n_places + (6 if self.two_plates else 0)
        self.size = self.pose_start + 6 * n
        self.names = [*lens_names, *first.names[n_lens : first.n_priors], *["pose"] * (self.size - self.n_priors)]
        self.focals = n_lens * np.arange(n)
        self.mean, self.spread = np.zeros(self.size), np.full(self.size, np.inf)
        for k, problem in enumerate(problems):
            mine = slice(k * n_lens, (k + 1) * n_lens)
            self.mean[mine], self.spread[mine] = problem.unknowns.mean[LENS], problem.unknowns.spread[LENS]
        common = slice(n * n_lens, self.n_priors)
        self.mean[common] = first.mean[n_lens : first.n_priors]
        self.spread[common] = first.spread[n_lens : first.n_priors]
        self.unit = self.spread.copy()
        self.unit[self.n_priors :] = 0.1
        poses = [*([self.pose_start - 6] if self.two_plates else []), *(self.pose_start + 6 * k for k in range(n))]
        for at in poses:
            self.unit[at : at + 3] = 1e-3
        self.unit[self.n_priors : self.n_priors + self.n_places : 3] = 1e-3


class Together:
    """Corners, priors and joint lines of several photos, and what any unknowns predict in all of them.

    Parameters
    ----------
    solved : sequence of Solved
        Each photo by itself: the same strips in the same order, and the same beliefs of them.
    """

    def __init__(self, solved: Sequence[Solved]) -> None:
        self.problems = [one.problem for one in solved]
        self.unknowns = CommonUnknowns(self.problems)
        self.observed = np.concatenate([problem.observed for problem in self.problems])
        self.maps = [self._map(k) for k in range(len(solved))]
        self.with_line = [k for k, problem in enumerate(self.problems) if problem.joint_line is not None]
        lines = [problem.joint_line for problem in self.problems if problem.joint_line is not None]
        self.line_u_ratio, edge_ratio = 1.0, None
        if lines:  # the line itself is the same in all photos; how it is seen is not, and averages down
            edge = float(np.mean([(line.edge_u_mm / line.u_mm) ** 2 for line in lines]))
            self.line_u_ratio = float(np.sqrt(edge + (1.0 - edge) / len(lines)))
            edge_ratio = float(np.sqrt(edge)) / self.line_u_ratio
        self.row_parts = row_parts(self.unknowns.two_plates, edge_ratio)

    @property
    def budget(self) -> Budget:
        """What is believed of the coupon; the lens's part is the first photo's."""
        return self.problems[0].budget

    def _map(self, k: int) -> NDArray[np.int64]:
        """Where each unknown of one photo stands in the common vector; -1 for the second plate's pose, which follows."""
        mine, un = self.problems[k].unknowns, self.unknowns
        at = np.full(mine.size, -1, dtype=np.int64)
        at[LENS] = np.arange(LENS.stop) + k * LENS.stop
        at[LENS.stop : mine.n_priors] = np.arange(len(self.problems) * LENS.stop, un.n_priors)
        place = un.n_priors
        for own in mine.place_at:
            if own is not None:
                at[own : own + 3] = np.arange(place, place + 3)
                place += 3
        first = next(iter(mine.pose_at.values()))
        at[first : first + 6] = un.pose_start + 6 * k + np.arange(6)
        return at

    def _second(self, theta: Array, k: int) -> tuple[Array, Array]:
        """Pose of the second plate in one photo, from that of the first and how the two stand to each other, shape (6,),
        and its slopes by the latter and the former, shape (6, 12)."""
        un = self.unknowns
        pose = theta[un.pose_start + 6 * k : un.pose_start + 6 * k + 6]
        between = theta[un.pose_start - 6 : un.pose_start]
        turn, shift, *slopes = cv2.composeRT(between[:3], between[3:], pose[:3], pose[3:])
        return np.concatenate([turn.ravel(), shift.ravel()]), np.vstack([np.hstack(slopes[:4]), np.hstack(slopes[4:])])

    def of_photo(self, theta: Array, k: int) -> Array:
        """The unknowns of one photo, shape (q,) to (p,)."""
        mine, at = self.problems[k].unknowns, self.maps[k]
        own = np.where(at >= 0, theta[at], 0.0)
        if self.unknowns.two_plates:
            own[list(mine.pose_at.values())[1] + np.arange(6)] = self._second(theta, k)[0]
        return own

    def by_common(self, theta: Array, k: int) -> Array:
        """How the unknowns of one photo follow the common vector, shape (p, q)."""
        mine, at, un = self.problems[k].unknowns, self.maps[k], self.unknowns
        slope = np.zeros((mine.size, un.size))
        rows = np.flatnonzero(at >= 0)
        slope[rows, at[rows]] = 1.0
        if un.two_plates:
            second = list(mine.pose_at.values())[1] + np.arange(6)
            first = un.pose_start + 6 * k
            by = np.concatenate([np.arange(un.pose_start - 6, un.pose_start), np.arange(first, first + 6)])
            slope[np.ix_(second, by)] = self._second(theta, k)[1]
        return slope

    def predict(self, theta: Array) -> Array:
        """Photo positions of all corners in all photos, shape (n, 2) [px]."""
        return np.concatenate([problem.predict(self.of_photo(theta, k)) for k, problem in enumerate(self.problems)])

    def slopes(self, theta: Array) -> Array:
        """Slope of every photo position by every unknown, shape (n, 2, q)."""
        parts = [p.slopes(self.of_photo(theta, k)) @ self.by_common(theta, k) for k, p in enumerate(self.problems)]
        return np.concatenate(parts)

    def row_misses(self, theta: Array) -> Array:
        """Plate angle, and the joint line's mean over the photos that show it, shape (r,)."""
        if not self.unknowns.two_plates:
            return np.zeros(0)
        angle = self.problems[0].row_misses(self.of_photo(theta, 0))[:1]
        lines = [self.problems[k].row_misses(self.of_photo(theta, k))[1:] for k in self.with_line]
        return np.concatenate([angle, np.mean(lines, axis=0) / self.line_u_ratio]) if lines else angle

    def row_slopes(self, theta: Array) -> Array:
        """How `row_misses` follows the unknowns, shape (r, q) [per unit]."""
        if not self.unknowns.two_plates:
            return np.zeros((0, self.unknowns.size))

        def rows(k: int) -> Array:
            return np.asarray(self.problems[k].row_slopes(self.of_photo(theta, k)) @ self.by_common(theta, k), dtype=np.float64)

        lines = [rows(k)[1:] for k in self.with_line]
        return np.concatenate([rows(0)[:1], np.mean(lines, axis=0) / self.line_u_ratio]) if lines else rows(0)[:1]

    def start(self, fits: Sequence[Fit]) -> Array:
        """Each photo's lens and pose from its own solve, what is common from the first one's, shape (q,)."""
        un = self.unknowns
        theta = np.zeros(un.size)
        for fit, at in reversed(list(zip(fits, self.maps, strict=True))):
            theta[at[at >= 0]] = fit.theta[at >= 0]
        if un.two_plates:
            first, second = (fits[0].theta[at : at + 6] for at in self.problems[0].unknowns.pose_at.values())
            turn = np.asarray(cv2.Rodrigues(first[:3])[0], dtype=np.float64)
            back, shift, *_ = cv2.composeRT(second[:3], second[3:], cv2.Rodrigues(turn.T)[0].ravel(), -turn.T @ first[3:])
            theta[un.pose_start - 6 : un.pose_start] = np.concatenate([back.ravel(), shift.ravel()])
        return theta


def solve_together(solved: Sequence[Solved]) -> tuple[Together, tuple[Fit, ...], Fit]:
    """The best unknowns of all photos: the common problem, each photo's part of the outcome, and the outcome itself.

    Weights and noise of the corners come from each photo's own solve; residuals that grow in the common one are its noise.
    """
    both = Together(solved)
    everything = np.arange(both.unknowns.size)
    theta = both.start([one.fit for one in solved])
    noise = np.array([one.fit.corner_u_px for one in solved])
    counts = [len(problem.observed) for problem in both.problems]
    kept = np.concatenate([one.fit.weights for one in solved])
    for _ in range(2):
        weights = kept / np.repeat(noise, counts) ** 2
        theta, cost = descend(both, theta, everything, 1.0, weights, robust=False, n_steps=30)
        noise = np.maximum(noise, _residuals(both, theta, kept))
    weights = kept / np.repeat(noise, counts) ** 2
    parts = np.split(kept, np.cumsum(counts)[:-1])
    each = tuple(Fit(both.of_photo(theta, k), parts[k], float(noise[k]), cost) for k in range(len(solved)))
    return both, each, Fit(theta, weights, 1.0, cost)


def _residuals(both: Together, theta: Array, kept: Array) -> Array:
    """Noise of a corner in each photo, in one direction, by what is left over, shape (k,) [px]."""
    squares = np.sum((both.predict(theta) - both.observed) ** 2, axis=1) * kept
    cuts = np.cumsum([len(problem.observed) for problem in both.problems])[:-1]
    pairs = zip(np.split(squares, cuts), np.split(kept, cuts), strict=True)
    return np.array([np.sqrt(s.sum() / max(2.0 * w.sum() - 12.0, 1.0)) for s, w in pairs])


def strips_moved(solved: Sequence[Solved], each: Sequence[Fit]) -> NDArray[np.bool_]:
    """Photos whose corners fit the common solve much worse than their own, shape (k,)."""
    grown = [fit.corner_u_px > MOVED_RATIO * max(one.fit.corner_u_px, MOVED_PX) for one, fit in zip(solved, each, strict=True)]
    return np.array(grown)


def scales_of(both: Together, each: Sequence[Fit], whole: Fit, flags: Sequence[tuple[Flag, ...]]) -> tuple[Scale, ...]:
    """Every photo's scale from the common solve. Sources of the same name in several of them are one and the same doubt."""
    flip = not both.unknowns.two_plates and along_points_left(both.problems[0], each[0])
    plates = [plate_fits(problem, fit, flip=flip) for problem, fit in zip(both.problems, each, strict=True)]
    by_common = []
    for k, (problem, fit) in enumerate(zip(both.problems, each, strict=True)):
        names = [plate.name for plate in plates[k]]
        own = outputs(problem, fit.theta, names, flip=flip) / problem.unknowns.unit
        by_common.append(own @ (both.by_common(whole.theta, k) * both.unknowns.unit))
    shares = sources(both, whole)
    noise = np.stack([shares.pop(name) for name in list(shares) if name.startswith("corners ")], axis=1)
    focals = [float(np.exp(fit.theta[0])) for fit in each]
    noises = condensed([out @ noise for out in by_common], focals)
    scales = []
    for k, (problem, fit) in enumerate(zip(both.problems, each, strict=True)):
        mine = {name: by_common[k] @ column for name, column in shares.items()} | noises[k]
        scales.append(shown(problem, fit, plates[k], mine, (*flags[k], *doubts(problem, fit))))
    return tuple(scales)


def same_beliefs(solved: Sequence[Solved]) -> list[Solved]:
    """The same photos with the same beliefs of the strips: where one photo left a strip open, all do."""
    widest = {}
    for letter in solved[0].problem.budget.strips:
        priors = [one.problem.budget.strips[letter] for one in solved]
        spreads = {name: max(getattr(p, name) for p in priors) for name in ("stand_off_u_mm", "rocking_u_mm", "curl_u_mm")}
        widest[letter] = replace(priors[0], **spreads)
    again = []
    for one in solved:
        old = one.problem
        budget = replace(old.budget, strips=widest)
        problem = Problem(old.sightings, budget, mirrored=old.mirrored, joint_line=old.joint_line)
        again.append(replace(one, problem=problem))
    return again


LASTING = ("print ", "thickness ", "plate angle", "joint line")
"""Doubts that stay the same when strips are laid anew: the sheet's, and the coupon's own."""


def own_doubts(scale: Scale, number: int) -> Scale:
    """The scale of a photo solved by itself, its passing doubts named after it, so that they aren't taken for another's."""

    def renamed(shares: Mapping[str, Any]) -> MappingProxyType[str, Any]:
        return MappingProxyType({n if n.startswith(LASTING) else f"{n} photo {number}": v for n, v in shares.items()})

    angle = scale.plate_angle_deg
    return replace(
        scale,
        px_per_mm=replace(scale.px_per_mm, shared=renamed(scale.px_per_mm.shared)),
        plate_angle_deg=None if angle is None else replace(angle, shared=renamed(angle.shared)),
        effects=renamed(scale.effects),
        lens_effects=renamed(scale.lens_effects),
    )
