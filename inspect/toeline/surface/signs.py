"""Signs on bead and plate, each 'looks like, check by eye', with a probability and a place.

Every sign is an own definition read from the picture laid straight; a photo sees brightness and colour, never depth, so none of them is a
finding, and probabilities stay below 0.9.
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
from toeline.surface.result import SurfaceSign
from toeline.surface.straight import STEP_MM, Straight, lay_beside, sample_class

Array = NDArray[np.float64]

TOLD_FROM = 0.3
"""Signs less likely than this are not told."""


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
    straight = lay_beside(view, bead)
    found = [
        *_undercut(straight),
        *_pores(straight, view),
        *_slag(straight, evidence),
        *_crater(straight, bead),
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
    return float(0.9 / (1 + np.exp(-x)))


def _undercut(s: Straight) -> list[Found]:
    """A dark line along a toe: darker than the face inside *and* the plate outside of it, over at least 4 mm."""
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
                probability = _logistic(9 * (strength - 0.5) + 0.08 * (length - 10))
                middle = (a + b) // 2
                sign = SurfaceSign("undercut", probability, float(s.along_mm[a]), length, name)
                found.append((sign, s.beside_view_px[i][1, middle]))
    return found


def _pores(s: Straight, view: CouponView) -> list[Found]:
    """Round dark spots on the face, 0.4 to 3 mm across, much darker than the ring around them."""
    points = s.face_view_px.reshape(-1, 2)
    x0, y0 = np.floor(points.min(axis=0)).astype(int) - 4
    x1, y1 = np.ceil(points.max(axis=0)).astype(int) + 5
    x0, y0 = max(0, x0), max(0, y0)
    crop = _grey(view.image[y0:y1, x0:x1].astype(np.float32)).astype(np.float32)
    if crop.size == 0:
        return []
    mask = np.zeros(crop.shape, np.uint8)
    ring = np.concatenate([s.face_view_px[3], s.face_view_px[-4][::-1]]) - [x0, y0]
    cv2.fillPoly(mask, [np.round(ring).astype(np.int32)], 1)
    found: list[Found] = []
    best = np.zeros(crop.shape, np.float32)
    size = np.zeros(crop.shape, np.float32)
    for diameter_mm in (0.5, 0.8, 1.2, 1.8, 2.6):
        r = diameter_mm / 2 * view.px_per_mm
        if r < 1.5:
            continue
        inner = cv2.GaussianBlur(crop, (0, 0), 0.5 * r)
        outer = cv2.GaussianBlur(crop, (0, 0), 1.6 * r)
        dark = 1 - inner / np.maximum(outer, 6.0)
        better = dark > best
        best[better], size[better] = dark[better], diameter_mm
    peak = (best == cv2.dilate(best, np.ones((int(0.8 * view.px_per_mm) | 1,) * 2))) & (mask > 0) & (best > 0.45)
    for y, x in np.argwhere(peak)[:200]:
        probability = _logistic(14 * (float(best[y, x]) - 0.62))
        at = np.array([x + x0, y + y0], dtype=np.float64)
        k = int(np.argmin(np.abs(s.face_view_px[N_MIDDLE, :, 0] - at[0]) + np.abs(s.face_view_px[N_MIDDLE, :, 1] - at[1])))
        d = float(size[y, x])
        found.append((SurfaceSign("pores", probability, float(s.along_mm[k]), d, "", size_mm=d), at))
    found.sort(key=lambda f: -f[0].probability)
    return found[:40]


N_MIDDLE = 24


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
            row = int(np.median(rows)) if len(rows) else N_MIDDLE
            sign = SurfaceSign(
                "slag left on", _logistic(6 * (strength - 0.35) + 0.1 * (length - 5)), float(s.along_mm[a]), length
            )
            found.append((sign, s.face_view_px[row, (a + b) // 2]))
    return found


def _crater(s: Straight, bead: Bead) -> list[Found]:
    """The end of travel darker in its middle than around it."""
    found: list[Found] = []
    grey = _grey(s.face)
    for part in bead.parts:
        if part.kind != "crater":
            continue
        inside = (s.along_mm >= part.from_mm) & (s.along_mm <= part.to_mm)
        if np.count_nonzero(inside) < 4:
            continue
        block = grey[:, inside]
        middle = float(np.median(block[16:32, block.shape[1] // 4 : -block.shape[1] // 4 or None]))
        rim = float(np.median(np.concatenate([block[4:12], block[36:44]])))
        dark = 1 - middle / max(rim, 8.0)
        k = int(np.nonzero(inside)[0][np.count_nonzero(inside) // 2])
        sign = SurfaceSign("crater unfilled", _logistic(8 * (dark - 0.35)), part.from_mm, part.to_mm - part.from_mm)
        found.append((sign, s.face_view_px[N_MIDDLE, k]))
    return found


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
