"""Signs on bead and plate, each 'looks like, check by eye', with a probability and a place.

Every sign is an own definition read from the bead laid straight, most of them by a small network that learnt from rendered beads
(`learned.py`). A photo sees brightness and colour, never depth, so none of them is a finding, and probabilities stay below 0.9.
"""

from __future__ import annotations

import warnings

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import runs
from toeline.bead.evidence import Evidence
from toeline.bead.result import Bead
from toeline.bead.view import CouponView, view_to_photo
from toeline.scale.solution import Scale
from toeline.surface.learned import N_BESIDE, N_FACE, StraightSigns, read_straight
from toeline.surface.learned import STEP_MM as SIGN_STEP_MM
from toeline.surface.result import SurfaceSign
from toeline.surface.straight import N_FACE as N_MIDDLES
from toeline.surface.straight import STEP_MM, Straight, lay_beside, sample_class

Array = NDArray[np.float64]

TOLD_FROM = 0.2
"""Signs less likely than this are not told."""
LEAST_PORE_MM = 0.3
"""Two columns of the straight picture: smaller spots are crumbs of the map, not pores [mm]."""
MOST = 0.9
"""No sign is surer than this: a person has to look."""


def find_signs(view: CouponView, bead: Bead, scale: Scale, *, evidence: Evidence | None = None) -> tuple[SurfaceSign, ...]:
    """Look over bead and plate.

    Parameters
    ----------
    view : CouponView
    bead : Bead
    scale : Scale
    evidence : Evidence, optional
        A learned map; without one, slag is not looked for.

    Returns
    -------
    tuple of SurfaceSign
        Most likely first; ``heat tint`` is told with its width and probability 1 wherever it can be measured.
    """
    straight, read = lay_beside(view, bead), read_straight(view, bead)
    beside = max((slice(0, N_BESIDE), slice(N_BESIDE + N_FACE, 2 * N_BESIDE + N_FACE)), key=lambda rows: read.seen[rows].mean())
    face = slice(N_BESIDE, N_BESIDE + N_FACE)
    found = [
        *_undercut(straight),
        *_pores(read),
        *_overlap(read),
        *_slag(straight, evidence),
        *_crater(read, bead),
        *_whole(read, "ripple pointed", face),
        *_whole(read, "dull face", face),
        *_whole(read, "soot", beside),
        *_tint(straight),
    ]
    placed = [_placed(sign, where, view, scale) for sign, where in found if sign.probability >= TOLD_FROM]
    return tuple(sorted(placed, key=lambda sign: -sign.probability))


Found = tuple[SurfaceSign, Array]


def _placed(sign: SurfaceSign, view_px: Array, view: CouponView, scale: Scale) -> SurfaceSign:
    x, y = view_to_photo(view, scale, view_px.reshape(1, 2))[0]
    return SurfaceSign(
        sign.sign, float(min(sign.probability, 1.0)), sign.along_mm, sign.length_mm, sign.toe, float(x), float(y), sign.size_mm
    )


def _grey(picture: NDArray[np.float32]) -> Array:
    return np.asarray(picture @ np.array([0.299, 0.587, 0.114]), dtype=np.float64)


def _logistic(x: float) -> float:
    return float(MOST / (1 + np.exp(-x)))


def _undercut(s: Straight) -> list[Found]:
    """A dark line along a toe: darker than the face inside *and* the plate outside of it, over at least 4 mm.

    Mostly it is a shadow, soot or slag: of 17 such lines on rendered beads one lay in a true groove, and a network learnt to see grooves
    no better. So it is told as something to feel for with a fingernail, never as likely.
    """
    found: list[Found] = []
    step = float(np.median(np.diff(s.along_mm)))
    for i, name in enumerate(s.names):
        outside = _grey(s.beside[i])
        face = _grey(s.face if i == 0 else s.face[::-1])
        if np.isnan(outside[: int(3 / STEP_MM)]).mean() > 0.3:
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # columns where no plate is seen stay unknown
            line = np.nanmin(outside[: int(1.0 / STEP_MM)], axis=0)
            plate = np.nanmedian(outside[int(1.6 / STEP_MM) : int(3.2 / STEP_MM)], axis=0)
        inner = np.median(face[4:14], axis=0)
        contrast = 1 - line / np.maximum(np.minimum(plate, inner), 8.0)
        contrast = cv2.blur(np.nan_to_num(contrast).reshape(1, -1), (5, 1)).ravel()
        for a, b in runs(contrast > 0.35):
            length = (b - a + 1) * step
            if length >= 4:
                strength = float(contrast[a : b + 1].mean())
                probability = 0.4 * _logistic(9 * (strength - 0.5) + 0.08 * (length - 10))
                middle = (a + b) // 2
                sign = SurfaceSign("undercut", probability, float(s.along_mm[a]), length, name)
                found.append((sign, s.beside_view_px[i][1, middle]))
    return found


def _pores(read: StraightSigns) -> list[Found]:
    """Spots on the face that the network takes for pores, from `LEAST_PORE_MM` on, each with the diameter of a circle of its area."""
    face = read.maps["pores"][N_BESIDE : N_BESIDE + N_FACE]
    n, labels, boxes, centres = cv2.connectedComponentsWithStats((face > 0.4).astype(np.uint8))
    found: list[Found] = []
    for k in range(1, n):
        x, y = centres[k]
        column, row = int(x), int(y)
        size = float(np.sqrt(4 / np.pi * boxes[k, cv2.CC_STAT_AREA] * SIGN_STEP_MM * read.width_mm[column] / N_FACE))
        if size < LEAST_PORE_MM:
            continue
        left, top, width, height = boxes[k, :4]
        inside = labels[top : top + height, left : left + width] == k
        probability = MOST * float(face[top : top + height, left : left + width][inside].max())
        sign = SurfaceSign("pores", probability, float(read.along_mm[column]) - size / 2, size, "", size_mm=size)
        found.append((sign, read.view_px[N_BESIDE + row, column]))
    return sorted(found, key=lambda f: -f[0].probability)[:40]


def _overlap(read: StraightSigns) -> list[Found]:
    """Stretches of a toe that the network takes for rolled over, at least 4 mm."""
    found: list[Found] = []
    bands = (slice(N_BESIDE - 8, N_BESIDE + 3), slice(N_BESIDE + N_FACE - 3, N_BESIDE + N_FACE + 8))
    for band, name, row in zip(bands, read.names, (N_BESIDE, N_BESIDE + N_FACE - 1), strict=True):
        column = cv2.blur(np.sort(read.maps["overlap"][band], axis=0)[-6:].mean(axis=0).reshape(1, -1), (21, 1)).ravel()
        for first, last in runs(column > 0.25):
            length = (last - first + 1) * SIGN_STEP_MM
            if length >= 4:
                probability = MOST * float(column[first : last + 1].mean())
                sign = SurfaceSign("overlap", probability, float(read.along_mm[first]), length, name)
                found.append((sign, read.view_px[row, (first + last) // 2]))
    return found


def _whole(read: StraightSigns, name: str, rows: slice) -> list[Found]:
    """A look of the whole bead or of the plate beside it: the mean probability where it can be seen."""
    seen = read.seen[rows]
    if seen.mean() < 0.3:
        return []
    probability = MOST * float(read.maps[name][rows][seen].mean())
    middle = len(read.along_mm) // 2
    sign = SurfaceSign(name, probability, float(read.along_mm[0]), float(read.along_mm[-1] - read.along_mm[0]))
    return [(sign, read.view_px[(rows.start + rows.stop) // 2, middle])]


def _slag(s: Straight, evidence: Evidence | None) -> list[Found]:
    """Stretches of the face where the learned eye sees slag over a fifth of the width or more."""
    slag = sample_class(evidence, "slag", s.face_view_px)
    if slag is None:
        return []
    share = (slag > 0.5).mean(axis=0)
    share = cv2.blur(share.reshape(1, -1), (9, 1)).ravel()
    step = float(np.median(np.diff(s.along_mm)))
    found: list[Found] = []
    for a, b in runs(share > 0.2):
        length = (b - a + 1) * step
        if length >= 3:
            strength = float(share[a : b + 1].mean())
            rows = np.nonzero(slag[:, (a + b) // 2] > 0.5)[0]
            row = int(np.median(rows)) if len(rows) else N_MIDDLES // 2
            sign = SurfaceSign(
                "slag left on", _logistic(6 * (strength - 0.35) + 0.1 * (length - 5)), float(s.along_mm[a]), length
            )
            found.append((sign, s.face_view_px[row, (a + b) // 2]))
    return found


def _crater(read: StraightSigns, bead: Bead) -> list[Found]:
    """A hollow that the network takes for an open crater, at the end of travel or up to 17 mm before it."""
    ends = [part for part in bead.parts if part.kind == "crater"]
    near = np.zeros(len(read.along_mm), bool)
    for part in ends:
        near |= (read.along_mm > part.from_mm - 17) & (read.along_mm < part.to_mm + 17)
    if not near.any():  # the end of travel is not in the picture
        return []
    face = read.maps["crater unfilled"][N_BESIDE : N_BESIDE + N_FACE].copy()
    face[:, ~near] = 0
    across = max(3, round(N_FACE * 1.0 / max(float(np.median(read.width_mm)), 1.0)))
    smooth = cv2.blur(face, (round(1.0 / SIGN_STEP_MM), across))
    row, column = np.unravel_index(int(smooth.argmax()), smooth.shape)
    hollow = (smooth > 0.5 * smooth.max()).any(axis=0)
    first, last = next((run for run in runs(hollow) if run[0] <= column <= run[1]), (int(column), int(column)))
    length = (last - first + 1) * SIGN_STEP_MM
    sign = SurfaceSign("crater unfilled", MOST * float(smooth.max()), float(read.along_mm[first]), length)
    return [(sign, read.view_px[N_BESIDE + int(row), int(column)])]


def _tint(s: Straight) -> list[Found]:
    """Width of the heat tint: how far from the toe the plate's colour differs from the plate far away, the median along the bead."""
    found: list[Found] = []
    for i, name in enumerate(s.names):
        rgb = s.beside[i]
        total = np.maximum(rgb.sum(axis=2), 20.0)
        hue = np.stack([rgb[..., 0] / total, rgb[..., 2] / total], axis=-1)
        far = hue[int(10 / STEP_MM) :]
        if np.isnan(far[..., 0]).mean() > 0.6:
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # columns where no plate is seen stay unknown
            home = np.nanmedian(far, axis=(0, 1))
            spread = max(float(np.nanmedian(np.abs(far - home))) * 4, 0.012)
            profile = np.nanmedian(np.linalg.norm(hue - home, axis=-1), axis=1)
        beyond = np.nonzero(profile[: int(10 / STEP_MM)] > spread)[0]
        if len(beyond) >= 3:
            width = float((beyond[-1] + 1) * STEP_MM)
            k = len(s.along_mm) // 2
            length = float(s.along_mm[-1] - s.along_mm[0])
            sign = SurfaceSign("heat tint", 1.0, float(s.along_mm[0]), length, name, size_mm=width)
            found.append((sign, s.beside_view_px[i][int(beyond[-1]), k]))
    return found
