"""Signs on bead and plate, each 'looks like, check by eye', with a probability and a place.

Most are read by a small network from the bead laid straight (`learned.py`, `places.py`); how likely a strength makes a sign was fitted on
rendered beads kept apart (`likely.toml`, by ``training/likely.py``). A photo sees brightness and colour, never depth, so none of them is
a finding, and probabilities stay below 0.9.
"""

from __future__ import annotations

import tomllib
import warnings
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from math import exp, log

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import runs
from toeline.bead.evidence import Evidence
from toeline.bead.result import Bead
from toeline.bead.view import CouponView, view_to_photo
from toeline.scale.solution import Scale
from toeline.surface.learned import STEP_MM as SIGN_STEP_MM
from toeline.surface.learned import StraightSigns
from toeline.surface.places import Place, places
from toeline.surface.result import SurfaceSign
from toeline.surface.straight import N_FACE as N_MIDDLES
from toeline.surface.straight import STEP_MM, Straight, lay_beside, sample_class

Array = NDArray[np.float64]

TOLD_FROM = 0.2
"""Signs less likely than this are not told."""
MOST = 0.9
"""No sign is surer than this: a person has to look."""
START_MM, CRATER_MM = 8.0, 17.0
"""How far beyond the parts told as start and crater their signs may lie [mm]."""


def find_signs(
    view: CouponView, bead: Bead, scale: Scale, read: StraightSigns, *, evidence: Evidence | None = None
) -> tuple[SurfaceSign, ...]:
    """Look over bead and plate.

    Parameters
    ----------
    view : CouponView
    bead : Bead
    scale : Scale
    read : StraightSigns
        What the networks read from the bead laid straight; see `read_straight`.
    evidence : Evidence, optional
        A learned map; without one, slag is not looked for.

    Returns
    -------
    tuple of SurfaceSign
        Most likely first; ``heat tint`` is told with its width and probability 1 wherever it can be measured.
    """
    straight = lay_beside(view, bead)
    start, crater = _near(read, bead, "start", START_MM), _near(read, bead, "crater", CRATER_MM)
    found = [
        *(_told(place, read) for place in places(read, start=start, crater=crater)),
        *_slag(straight, evidence),
        *_tint(straight),
    ]
    placed = [_placed(sign, where, view, scale) for sign, where in found if sign.probability >= TOLD_FROM]
    return tuple(sorted(placed, key=lambda sign: -sign.probability))


Found = tuple[SurfaceSign, Array]


def likely(sign: str, strength: float) -> float:
    """How likely a sign is where the network's map is this strong: a logistic line fitted on rendered beads kept apart."""
    offset, slope = _lines()[sign]
    inner = min(max(strength, 1e-4), 1 - 1e-4)
    return min(MOST, 1 / (1 + exp(-(offset + slope * log(inner / (1 - inner))))))


@cache
def _lines() -> Mapping[str, tuple[float, float]]:
    table = tomllib.loads(files("toeline").joinpath("surface/likely.toml").read_text(encoding="utf-8"))
    return {row["sign"]: (row["offset"], row["slope"]) for row in table["signs"]}


def _near(read: StraightSigns, bead: Bead, kind: str, margin_mm: float) -> NDArray[np.bool_]:
    """Columns in or near the parts of a kind."""
    near = np.zeros(len(read.along_mm), bool)
    for part in bead.parts:
        if part.kind == kind:
            near |= (read.along_mm > part.from_mm - margin_mm) & (read.along_mm < part.to_mm + margin_mm)
    return near


def _told(place: Place, read: StraightSigns) -> Found:
    length = place.size_mm or (place.last - place.first + 1) * SIGN_STEP_MM
    probability = likely(place.sign, place.strength)
    sign = SurfaceSign(place.sign, probability, float(read.along_mm[place.first]), length, place.toe, size_mm=place.size_mm)
    return sign, read.view_px[place.row, place.column]


def _placed(sign: SurfaceSign, view_px: Array, view: CouponView, scale: Scale) -> SurfaceSign:
    x, y = view_to_photo(view, scale, view_px.reshape(1, 2))[0]
    return SurfaceSign(
        sign.sign, float(min(sign.probability, 1.0)), sign.along_mm, sign.length_mm, sign.toe, float(x), float(y), sign.size_mm
    )


def _logistic(x: float) -> float:
    return float(MOST / (1 + np.exp(-x)))


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
