"""How the plates of one coupon lie in two photos of it: the shift, and on a flat plate the turn, from one coupon view to another.

Strips left in place give the same plate frame twice; the bead's ends give a first guess where they were moved. What lies on the plate
(its grain, scratches, specks, droplets) stays where it is: both pictures, evened out, are laid on each other at every shift and turn
within reach of the guess, and the one at which they look most alike is taken, if it stands out from all others. Pieces of the plate then
say how exact it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import cos, radians, sin

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from toeline.bead.result import Bead
from toeline.bead.view import CouponView
from toeline.errors import CannotMeasure
from toeline.scale.solution import Scale
from toeline.spatter.places import along_shift_mm

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

WORK_PX_PER_MM = 5.0
"""Resolution at which plates are compared: what is finer looks different in every light [px/mm]."""
EVEN_MM = 1.2
"""Brightness is evened out over this far [mm]."""
TURN_REACH_DEG, TURN_STEP_DEG = 4.0, 0.5
"""How far the turn may be from the guess, and in what steps it is tried [deg]."""
APART_MM, APART_DEG = 1.0, 1.0
"""Shifts and turns further from each other than this are different ones [mm], [deg]."""
STANDS_OUT = 4.0
"""How much more alike the plates must look at the shift taken than at any different one: sum of products over the root of their number
(own judgement; on rendered pairs right ones stood out by 4.6 or more, wrong ones by 2.4 at most)."""
LEAST_AREA_CM2 = 2.0
"""Plate that both photos must show for a shift to be told [cm²]."""
PIECE_MM, PIECE_REACH_MM = 10.0, 1.0
"""Side of the pieces that the shift is made finer with, and how far they may be off it [mm]."""
LEAST_PIECES = 6
LEAST_SHARE = 0.25
"""Share of the pieces shown by both photos that must agree (own judgement; of another coupon one in eight does at most)."""

STILL_MM = 0.8
"""Strips that lie this near to where they lay, all of them, were not moved [mm]."""

__all__ = ["Face", "Shift", "face_of", "register", "shift_of_beads", "shift_of_strips"]


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """A view's plates, evened out, at `WORK_PX_PER_MM`.

    Attributes
    ----------
    light : ndarray of float32, shape (h, w)
        Brightness over the surroundings, in multiples of its scatter there; 0 where nothing is known.
    known : ndarray of float32, shape (h, w)
        1 on plate that can be seen.
    along0_mm, up0_mm : float
        Middle of the first pixel [mm].
    tee : bool
        The root line is known, so that only a shift along it is left.
    """

    light: Array32
    known: Array32
    along0_mm: float
    up0_mm: float
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
        Pieces of plate that agree.
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


def face_of(view: CouponView, seen: Mask) -> Face:
    """What plates can be recognised by; `seen` has the view's shape or is coarser."""
    height, width = view.valid.shape
    ratio = WORK_PX_PER_MM / view.px_per_mm
    size = (max(1, round(width * ratio)), max(1, round(height * ratio)))
    grey = cv2.resize(view.grey(), size, interpolation=cv2.INTER_AREA).astype(np.float32)
    whole = cv2.resize(seen.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
    whole &= view.valid & ~view.strips
    known = cv2.resize(whole.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    known = cv2.erode(known, np.ones((5, 5), np.uint8), borderValue=0).astype(np.float32)
    far = EVEN_MM * WORK_PX_PER_MM
    share = cv2.GaussianBlur(known, (0, 0), far) + np.float32(1e-3)
    off = (grey - cv2.GaussianBlur(grey * known, (0, 0), far) / share) * known
    scatter = np.sqrt(cv2.GaussianBlur(off * off, (0, 0), far) / share) + 2
    light = np.asarray(np.clip(off / scatter, -3, 3) * known, dtype=np.float32)
    step = 0.5 / ratio - 0.5
    return Face(
        light,
        np.asarray(known, dtype=np.float32),
        view.along0_mm + step / view.px_per_mm,
        (view.zero_row - step) / view.px_per_mm,
        view.root_row is not None,
    )


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


def register(first: Face, second: Face, guess: Shift, *, within_mm: float) -> Shift:
    """How the second view lies in the first.

    Parameters
    ----------
    first, second : Face
        Of the same coupon.
    guess : Shift
    within_mm : float
        How far the guess may be off [mm].

    Raises
    ------
    CannotMeasure
        The plates look alike nowhere, or at several places: perhaps another coupon, or plate too bare, too dark or too blurred to be told.
    """
    best, clear = _most_alike(first, second, guess, within_mm)
    fine = None if best is None or clear < STANDS_OUT else _made_finer(first, second, best)
    if fine is None:
        raise CannotMeasure(
            "The two photos could not be laid over each other: "
            + (
                "they hardly show the same plate."
                if best is None
                else "the plates look hardly more alike where they fit best than elsewhere."
            ),
            advice="Leave the strips where they are for both photos, take both from nearly the same place in the same light, and keep "
            "plenty of bare plate in view. If it is another coupon, give its own photo.",
        )
    return fine


def _rotation(turn_deg: float) -> Array:
    c, s = cos(radians(turn_deg)), sin(radians(turn_deg))
    return np.array([[c, -s], [s, c]])


def _turned(guess: Shift, turn_deg: float, about: Array) -> Shift:
    """The guess with another turn: a point of the second view stays where the guess puts it."""
    move = guess(about[None])[0] - _rotation(turn_deg) @ about
    return Shift(turn_deg, float(move[0]), float(move[1]))


def _laid_over(first: Face, second: Face, shift: Shift) -> tuple[Array32, Array32]:
    """The second face on the first one's pixels: light and where it is known."""
    corner = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    at = shift(np.array([second.along0_mm, second.up0_mm]) + corner * np.array([1.0, -1.0]) / WORK_PX_PER_MM)
    there = (at - np.array([first.along0_mm, first.up0_mm])) * np.array([1.0, -1.0]) * WORK_PX_PER_MM
    way = cv2.getAffineTransform(corner.astype(np.float32), there.astype(np.float32))
    size = first.known.shape[::-1]
    known = np.asarray(cv2.warpAffine(second.known, way, size) > 0.99, dtype=np.float32)
    return np.asarray(cv2.warpAffine(second.light, way, size) * known, dtype=np.float32), known


def _most_alike(first: Face, second: Face, guess: Shift, within_mm: float) -> tuple[Shift | None, float]:
    """The shift at which both faces look most alike, and by how much it stands out from all that differ from it."""
    reach = round(within_mm * WORK_PX_PER_MM)
    height, width = first.known.shape
    size = (fft.next_fast_len(height + reach, real=True), fft.next_fast_len(width + reach, real=True))
    light, known = (fft.rfft2(part, size, workers=2) for part in (first.light, first.known))
    rows, columns = np.nonzero(second.known)
    if len(rows) == 0:
        return None, 0.0
    about = np.array([second.along0_mm, second.up0_mm]) + np.array([columns.mean(), -rows.mean()]) / WORK_PX_PER_MM
    turns = [guess.turn_deg] if first.tee else guess.turn_deg + np.arange(-TURN_REACH_DEG, TURN_REACH_DEG + 0.01, TURN_STEP_DEG)
    maps: list[tuple[Shift, Array32]] = []
    for turn in turns:
        shift = _turned(guess, float(turn), about)
        theirs, there = (fft.rfft2(part, size, workers=2) for part in _laid_over(first, second, shift))
        alike, both = (fft.irfft2(a * b.conj(), size, workers=2) for a, b in ((light, theirs), (known, there)))
        score = np.roll(alike / np.sqrt(np.maximum(both, 1.0)), (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]
        score[
            np.roll(both, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1] < LEAST_AREA_CM2 * 100 * WORK_PX_PER_MM**2
        ] = 0.0
        if first.tee:  # the root line is where it is, give or take a pixel
            score[: reach - 1] = score[reach + 2 :] = 0.0
        maps.append((shift, np.asarray(score, dtype=np.float32)))
    shift, score = max(maps, key=lambda pair: float(pair[1].max()))
    row, column = np.unravel_index(int(score.argmax()), score.shape)
    top, other, apart = float(score[row, column]), 0.0, round(APART_MM * WORK_PX_PER_MM)
    if top <= 0.0:
        return None, 0.0
    for turned, elsewhere in maps:
        if abs(turned.turn_deg - shift.turn_deg) < APART_DEG:
            elsewhere = elsewhere.copy()
            elsewhere[max(0, row - apart) : row + apart + 1, max(0, column - apart) : column + apart + 1] = 0.0
        other = max(other, float(elsewhere.max()))
    along, up = (column - reach) / WORK_PX_PER_MM, 0.0 if first.tee else (reach - row) / WORK_PX_PER_MM
    return Shift(shift.turn_deg, shift.along_mm + float(along), shift.up_mm + float(up)), top - other


def _made_finer(first: Face, second: Face, shift: Shift) -> Shift | None:
    """The shift that most pieces of plate agree on, with how many and how well; None where hardly any agree."""
    for _ in range(2):
        tried = list(_pieces(first, second, shift))
        pairs = np.array([pair for pair in tried if pair is not None]).reshape(-1, 2, 2)
        if len(pairs) < max(LEAST_PIECES, LEAST_SHARE * len(tried)):
            return None
        here, there = pairs[:, 0], pairs[:, 1]
        for _ in range(4):
            off = np.hypot(*(shift(there) - here).T)
            near = off <= max(0.15, 2.5 * float(np.median(off)))
            shift = _fitted(there[near], here[near], tee=first.tee)
    if near.sum() < max(LEAST_PIECES, LEAST_SHARE * len(tried)):
        return None
    off = shift(there[near]) - here[near]
    return Shift(shift.turn_deg, shift.along_mm, shift.up_mm, int(near.sum()), 1.4826 * float(np.median(np.abs(off))))


def _pieces(first: Face, second: Face, shift: Shift) -> Iterator[tuple[Array, Array] | None]:
    """Middles of pieces in the first view with where the second has them, (along, up) [mm]; None for those that fit nowhere clearly."""
    light, known = _laid_over(first, second, shift)
    side, reach = round(PIECE_MM * WORK_PX_PER_MM), round(PIECE_REACH_MM * WORK_PX_PER_MM)
    height, width = known.shape
    for top in range(reach, height - side - reach, side // 2):
        for left in range(reach, width - side - reach, side // 2):
            mine = first.light[top : top + side, left : left + side]
            around = (slice(top - reach, top + side + reach), slice(left - reach, left + side + reach))
            if min(float(first.known[top : top + side, left : left + side].mean()), float(known[around].mean())) < 0.6:
                continue
            fits = cv2.matchTemplate(light[around], mine, cv2.TM_CCOEFF_NORMED)
            row, column = np.unravel_index(int(fits.argmax()), fits.shape)
            if fits[row, column] < 0.2 or row in (0, 2 * reach) or column in (0, 2 * reach):
                yield None
                continue
            dy, dx = (
                0.5 * float(a - b) / max(float(2 * fits[row, column] - a - b), 1e-6)
                for a, b in (
                    (fits[row + 1, column], fits[row - 1, column]),
                    (fits[row, column + 1], fits[row, column - 1]),
                )
            )
            middle = np.array([left, -top]) + np.array([0.5, -0.5]) * (side - 1)
            here = np.array([first.along0_mm, first.up0_mm]) + middle / WORK_PX_PER_MM
            moved = np.array([column + dx - reach, -(row + dy - reach)]) / WORK_PX_PER_MM
            yield here, shift.back((here + moved)[None])[0]


def _off(shift: Shift, from_mm: Array, to_mm: Array) -> Array:
    off: Array = np.hypot(*(shift(from_mm) - to_mm).T)
    return off


def _fitted(from_mm: Array, to_mm: Array, *, tee: bool) -> Shift:
    """Least squares."""
    if tee:
        return Shift(0.0, float(np.median(to_mm[:, 0] - from_mm[:, 0])), 0.0)
    middle_from, middle_to = from_mm.mean(axis=0), to_mm.mean(axis=0)
    p, q = from_mm - middle_from, to_mm - middle_to
    turn = float(np.degrees(np.arctan2(np.sum(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]), np.sum(p * q))))
    move = middle_to - middle_from @ _rotation(turn).T
    return Shift(turn, float(move[0]), float(move[1]))
