"""How the plates of one coupon lie in two photos of it: the shift, and on a flat plate the turn, from one coupon view to another.

Strips left in place give the same plate frame twice; the bead's ends give a first guess where they were moved. What lies on the plate
(droplets, scratches, specks, its grain) stays where it is: marks that look alike, or droplets of like size, are paired within reach of
the guess, and the shift that most pairs agree on is taken, if more agree than chance explains.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, exp, hypot, lgamma, log, pi, radians, sin

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toeline.bead.result import Bead
from toeline.bead.view import CouponView
from toeline.errors import CannotMeasure
from toeline.scale.solution import Scale
from toeline.spatter.places import along_shift_mm

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WORK_PX_PER_MM = 8.0
"""Resolution at which marks are compared: what is finer looks different in every light [px/mm]."""
N_MARKS = 3000
ALIKE_RATIO = 1.8
"""Droplets whose diameters differ by less may be the same."""
AGREE_MM = 0.35
"""Pairs this near to where the shift puts them agree with it [mm]."""
LEAST_AGREEING = 6
MOST_CHANCE = 1e-3
"""A shift that chance alone would give more often is refused [ratio]."""
N_TRIALS = 1500
TURN_REACH_DEG = 4.0
"""How far the turn may be from the guess [deg]."""

STILL_MM = 0.8
"""Strips that lie this near to where they lay, all of them, were not moved [mm]."""

__all__ = ["Marks", "Shift", "marks_of", "register", "shift_of_beads", "shift_of_strips"]


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """What can be recognised on the plates of one view.

    Attributes
    ----------
    places_mm : ndarray, shape (n, 2)
        (along, up) [mm].
    looks : ndarray of float32, shape (n, 128)
        What each looks like.
    droplets_mm : ndarray, shape (m, 3)
        (along, up, diameter) of the particles [mm].
    tee : bool
        The root line is known, so that only a shift along it is left.
    """

    places_mm: Array
    looks: NDArray[np.float32]
    droplets_mm: Array
    tee: bool


@dataclass(frozen=True, slots=True)
class Shift:
    """From the second view's millimetres (along, up) to the first's: turn about the frame's origin, then move.

    ``up`` is ``across`` as it lies in the view: positive above the root or the zero row on every plate.

    Attributes
    ----------
    turn_deg, along_mm, up_mm : float
        [deg], [mm]
    n_agreeing : int
        Features that agree.
    residual_mm : float
        Their scatter about it, each way [mm].
    """

    turn_deg: float
    along_mm: float
    up_mm: float
    n_agreeing: int = 0
    residual_mm: float = 0.0

    def __call__(self, points: Array) -> Array:
        """Points (n, 2) as (along, up) of the second view in the first [mm]."""
        there: Array = points @ _rotation(self.turn_deg).T + np.array([self.along_mm, self.up_mm])
        return there

    def back(self, points: Array) -> Array:
        """Points (n, 2) as (along, up) of the first view in the second [mm]."""
        here: Array = (points - np.array([self.along_mm, self.up_mm])) @ _rotation(self.turn_deg)
        return here


def marks_of(view: CouponView, seen: Mask, droplets_mm: Array) -> Marks:
    """Marks on the plate that can be seen; `seen` has the view's shape or is coarser."""
    size = view.valid.shape[::-1]
    mask = cv2.resize(seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    places, looks = _features(view, mask & view.valid & ~view.strips)
    return Marks(places, looks, droplets_mm.reshape(-1, 3), view.root_row is not None)


def shift_of_beads(first: Bead, second: Bead, *, tee: bool) -> Shift:
    """The guess from both photos' beads: end on end."""
    if tee:
        return Shift(0.0, along_shift_mm(first) - along_shift_mm(second), 0.0)
    ends = []
    for bead in (second, first):
        left, right = (bead.plate_points_mm[name] for name in list(bead.toes)[:2])
        ends.append(0.5 * (left + right)[[0, -1]])
    return _fitted(*ends, tee=False)


def shift_of_strips(first: Scale, second: Scale) -> tuple[Shift, bool] | None:
    """Strips that both photos show laid on each other: the shift, and whether two or more lie as they lay; None without a shared one."""
    before, now, letters = [], [], set()
    for plate in first.plates:
        theirs = next((p for p in second.plates if p.name == plate.name), None)
        for letter in set(plate.strip_outlines_mm) & set(theirs.strip_outlines_mm if theirs else ()):
            assert theirs is not None
            flip = np.array([1.0, -1.0 if plate.name == "base" else 1.0])
            now.append(plate.strip_outlines_mm[letter] * flip)
            before.append(theirs.strip_outlines_mm[letter] * flip)
            letters.add(letter)
    if not letters:
        return None
    from_mm, to_mm = np.concatenate(before), np.concatenate(now)
    shift = _fitted(from_mm, to_mm, tee=first.plate_angle_deg is not None)
    return shift, len(letters) > 1 and float(_off(shift, from_mm, to_mm).max()) < STILL_MM


def register(first: Marks, second: Marks, guess: Shift, *, within_mm: float) -> Shift:
    """How the second view lies in the first.

    Parameters
    ----------
    first, second : Marks
        Of the same coupon.
    guess : Shift
    within_mm : float
        How far the guess may be off [mm].

    Raises
    ------
    CannotMeasure
        Too little on the plates agrees: perhaps another coupon, or plate too bare, too dark or too blurred to be told.
    """
    from_mm, to_mm = _pairs(second, first, guess, within_mm)
    shift = _agreed(from_mm, to_mm, guess, within_mm, tee=first.tee)
    if shift is None:
        raise CannotMeasure(
            f"The two photos could not be laid over each other: of {len(from_mm)} pairs of marks on the plate, too few lie alike.",
            advice="Leave the strips where they are for both photos, take both from nearly the same place in the same light, and keep "
            "plenty of bare plate in view. If it is another coupon, give its own photo.",
        )
    return shift


def _rotation(turn_deg: float) -> Array:
    c, s = cos(radians(turn_deg)), sin(radians(turn_deg))
    return np.array([[c, -s], [s, c]])


def _features(view: CouponView, seen: Mask) -> tuple[Array, NDArray[np.float32]]:
    """Places (along, up) [mm] and descriptions of what stands out on the plate."""
    ratio = min(1.0, WORK_PX_PER_MM / view.px_per_mm)
    size = (round(view.valid.shape[1] * ratio), round(view.valid.shape[0] * ratio))
    grey = cv2.resize(view.grey(), size, interpolation=cv2.INTER_AREA).astype(np.float32)
    mask = cv2.resize(seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    mean = cv2.GaussianBlur(grey, (0, 0), 12.0)
    spread = np.sqrt(cv2.GaussianBlur((grey - mean) ** 2, (0, 0), 12.0)) + 3.0
    even = np.clip(128 + 40 * (grey - mean) / spread, 0, 255).astype(np.uint8)
    sift = cv2.SIFT_create(nfeatures=N_MARKS, contrastThreshold=0.02)  # type: ignore[attr-defined]
    points, told = sift.detectAndCompute(even, mask)
    if told is None or len(points) < 2:
        return np.empty((0, 2)), np.empty((0, 128), dtype=np.float32)
    at = np.array([p.pt for p in points])
    at = (at + 0.5) * (view.valid.shape[1] / size[0]) - 0.5
    places = np.column_stack([view.along0_mm + at[:, 0] / view.px_per_mm, (view.zero_row - at[:, 1]) / view.px_per_mm])
    told = np.sqrt(told / (np.abs(told).sum(axis=1, keepdims=True) + 1e-9))  # Hellinger's distance
    return places, told.astype(np.float32)


def _pairs(there: Marks, here: Marks, guess: Shift, within_mm: float) -> tuple[Array, Array]:
    """Marks of the second view with those of the first that they may be [mm]: most alike within reach, and droplets of like size."""
    pairs = []
    if len(there.places_mm) and len(here.places_mm):
        tree = cKDTree(here.places_mm)
        likeness = there.looks @ here.looks.T if len(there.looks) * len(here.looks) < 2e7 else None
        for k, near in enumerate(tree.query_ball_point(guess(there.places_mm), within_mm)):
            if near:
                alike = there.looks[k] @ here.looks[near].T if likeness is None else likeness[k, near]
                pairs.append((there.places_mm[k], here.places_mm[near[int(np.argmax(alike))]]))
    if len(there.droplets_mm) and len(here.droplets_mm):
        tree = cKDTree(here.droplets_mm[:, :2])
        for row, near in zip(there.droplets_mm, tree.query_ball_point(guess(there.droplets_mm[:, :2]), within_mm), strict=True):
            pairs += [
                (row[:2], here.droplets_mm[j, :2])
                for j in near
                if 1 / ALIKE_RATIO < here.droplets_mm[j, 2] / row[2] < ALIKE_RATIO
            ]
    told = np.array(pairs, dtype=float).reshape(-1, 2, 2)
    return told[:, 0], told[:, 1]


def _agreed(from_mm: Array, to_mm: Array, guess: Shift, within_mm: float, *, tee: bool) -> Shift | None:
    """The shift that most pairs agree on; None where chance might give it."""
    if tee and len(from_mm):  # the root line is where it is
        level = np.abs(from_mm[:, 1] - to_mm[:, 1]) < AGREE_MM
        from_mm, to_mm = from_mm[level], to_mm[level]
    n = len(from_mm)
    if n < LEAST_AGREEING:
        return None
    best, best_n = guess, 0
    rng = np.random.default_rng(0)
    for trial in range(N_TRIALS):
        shift = guess if trial == 0 else _through(from_mm, to_mm, rng, tee=tee)
        if shift is None or abs((shift.turn_deg - guess.turn_deg + 180) % 360 - 180) > TURN_REACH_DEG:
            continue
        n_near = int(np.sum(_off(shift, from_mm, to_mm) < AGREE_MM))
        if n_near > best_n:
            best, best_n = shift, n_near
    for _ in range(4):
        near = _off(best, from_mm, to_mm) < AGREE_MM
        if near.sum() < 3:
            return None
        best = _fitted(from_mm[near], to_mm[near], tee=tee)
    off = best(from_mm) - to_mm
    near = np.hypot(*off.T) < AGREE_MM
    n_near = int(near.sum())
    share = AGREE_MM / within_mm if tee else (AGREE_MM / within_mm) ** 2
    if n_near < LEAST_AGREEING or n_near <= n * share or _tail(n_near, n * share) * _n_tried(within_mm, tee=tee) > MOST_CHANCE:
        return None
    return Shift(best.turn_deg, best.along_mm, best.up_mm, n_near, 1.4826 * float(np.median(np.abs(off[near]))))


def _tail(n: int, expected: float) -> float:
    """Probability of `n` or more by chance, from its first term (Poisson)."""
    return min(1.0, exp(n * log(expected) - expected - lgamma(n + 1.0)) / (1.0 - expected / (n + 1.0)))


def _n_tried(within_mm: float, *, tee: bool) -> float:
    """How many shifts that differ there are within reach."""
    steps = within_mm / AGREE_MM
    return 2 * steps if tee else pi * steps**2 * 20


def _off(shift: Shift, from_mm: Array, to_mm: Array) -> Array:
    off: Array = np.hypot(*(shift(from_mm) - to_mm).T)
    return off


def _through(from_mm: Array, to_mm: Array, rng: np.random.Generator, *, tee: bool) -> Shift | None:
    """A shift from one match (tee) or two."""
    if tee:
        k = int(rng.integers(len(from_mm)))
        return Shift(0.0, float(to_mm[k, 0] - from_mm[k, 0]), 0.0)
    a, b = rng.choice(len(from_mm), 2, replace=False)
    before, after = from_mm[b] - from_mm[a], to_mm[b] - to_mm[a]
    if hypot(*before) < 5.0 or abs(hypot(*before) - hypot(*after)) > 2 * AGREE_MM:
        return None
    return _fitted(from_mm[[a, b]], to_mm[[a, b]], tee=False)


def _fitted(from_mm: Array, to_mm: Array, *, tee: bool) -> Shift:
    """Least squares."""
    if tee:
        return Shift(0.0, float(np.median(to_mm[:, 0] - from_mm[:, 0])), 0.0)
    middle_from, middle_to = from_mm.mean(axis=0), to_mm.mean(axis=0)
    p, q = from_mm - middle_from, to_mm - middle_to
    turn = float(np.degrees(np.arctan2(np.sum(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]), np.sum(p * q))))
    move = middle_to - middle_from @ _rotation(turn).T
    return Shift(turn, float(move[0]), float(move[1]))
