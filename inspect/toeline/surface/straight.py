"""The bead and its surroundings laid straight, in millimetres from each toe: what the surface signs are read from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.evidence import Evidence
from toeline.bead.result import Bead
from toeline.bead.view import CouponView, plate_to_view

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

STEP_MM = 0.2
BESIDE_MM = 14.0
N_FACE = 48


@dataclass(frozen=True, slots=True, eq=False)
class Straight:
    """Pictures laid straight; column k is station k.

    Attributes
    ----------
    along_mm : ndarray, shape (n,)
        [mm]
    face : ndarray of float32, shape (N_FACE, n, 3)
        From the first toe (row 0) to the second, RGB 0 to 255.
    beside : mapping-like tuple of two ndarrays of float32, shape (m, n, 3)
        From each toe outwards, every 0.2 mm; NaN where no plate can be seen.
    width_mm : ndarray, shape (n,)
        Toe to toe in the view [mm].
    names : tuple of str
        Names of the first and second toe.
    face_view_px : ndarray, shape (N_FACE, n, 2)
        Where each point of the face lies in the view [px].
    """

    along_mm: Array
    face: Array32
    beside: tuple[Array32, Array32]
    width_mm: Array
    names: tuple[str, str]
    face_view_px: Array
    beside_view_px: tuple[Array, Array]


def lay_beside(view: CouponView, bead: Bead) -> Straight:
    """Sample a view along a bead's stations."""
    names = tuple(bead.toes)[:2]
    first, second = (plate_to_view(view, bead.toes[n].plate, bead.plate_points_mm[n]) for n in names)
    gap = second - first
    width_px = np.maximum(np.linalg.norm(gap, axis=1), 1.0)
    way = gap / width_px[:, None]
    share = (np.arange(N_FACE) + 0.5) / N_FACE
    face_at = first[None] + share[:, None, None] * gap[None]
    reach = np.arange(0.0, BESIDE_MM, STEP_MM) * view.px_per_mm
    outward = (first[None] - reach[:, None, None] * way[None], second[None] + reach[:, None, None] * way[None])
    seen = view.valid & ~view.strips
    beside = []
    for at in outward:
        picture = _sample(view.image, at)
        visible = _sample(seen.astype(np.uint8), at) > 0.5
        picture[~visible] = np.nan
        beside.append(picture)
    return Straight(
        bead.along_mm, _sample(view.image, face_at), (beside[0], beside[1]), width_px / view.px_per_mm, (names[0], names[1]),
        face_at, outward,
    )  # fmt: skip


def sample_class(evidence: Evidence | None, name: str, at_view_px: Array) -> Array32 | None:
    """A learned class's probability at view points; None where no learned map is at hand."""
    if evidence is None or name not in evidence.classes:
        return None
    return _sample(evidence.classes[name], (at_view_px + 0.5) * evidence.scale_ratio - 0.5)


def _sample(picture: NDArray[np.generic], at: Array) -> Array32:
    maps = at.astype(np.float32)
    source: Any = picture
    out = cv2.remap(source, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.array(out, dtype=np.float32)
