"""Small networks that read signs from the bead laid straight: for each point, or for each column of a toe, how likely a sign shows there.

They learnt from rendered beads only (``training/signs.py``, ``training/toes.py``, figures in ``training/README.md``): what they say of real
steel is a hint.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.result import Bead
from toeline.bead.view import CouponView, plate_to_view
from toeline.networks import run

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

SIGNS = (
    "pores", "undercut", "overlap", "crater unfilled", "cold start", "melt-through", "wire left", "arc strike",
    "ripple pointed", "dull face", "soot", "convex face", "flat face", "ripples off middle", "tack", "restart",
)  # fmt: skip
STEP_MM = 0.15
N_BESIDE, N_FACE = 48, 64
"""Rows outside each toe, `BESIDE_MM` from it, and rows over the face."""
FACE = slice(N_BESIDE, N_BESIDE + N_FACE)
BESIDE_MM = STEP_MM * (1.025 ** np.arange(N_BESIDE) - 1.0) / 0.025
WIDTH_OF_WHITE_MM = 25.5
"""Laid straight, all beads are as wide as each other: a fourth channel says how wide the bead is, white at this width [mm]."""
FINEST_PX_PER_MM = 8.0
"""A finer picture is shrunk to this first, so that nothing is sampled between its pixels."""
MULTIPLE_PX = 32


READ = (
    "pores", "crater unfilled", "cold start", "melt-through", "wire left", "arc strike",
    "ripple pointed", "dull face", "soot", "convex face", "flat face",
)  # fmt: skip
"""Signs that are read from the map of points; not all that its network was taught is read."""
BROKEN = ("tack", "restart")
"""Stretches of the bead that the same map shows."""
LINES = ("undercut", "overlap")
"""Signs along the toes, told for each column by a network of their own."""
TOES = (np.arange(N_BESIDE + 9, N_BESIDE - 19, -1), np.arange(N_BESIDE + N_FACE - 10, N_BESIDE + N_FACE + 18))
"""Rows of the bands about both toes, from the face outwards: what the network of the lines along a toe sees."""

__all__ = ["BESIDE_MM", "FACE", "N_BESIDE", "N_FACE", "SIGNS", "STEP_MM", "StraightSigns", "read_picture", "read_straight"]


@dataclass(frozen=True, slots=True, eq=False)
class StraightSigns:
    """Probability maps on the straight picture: rows from outside the first toe over the face to outside the second.

    Attributes
    ----------
    along_mm : ndarray, shape (n,)
        [mm]
    maps : mapping of sign to ndarray of float32, shape (2 · N_BESIDE + N_FACE, n)
        Probability that the sign shows; zero where nothing is seen.
    lines : mapping of sign to ndarray of float32, shape (2, n)
        Probability that a sign of the toes shows in a column, along the first and the second toe.
    seen : ndarray of bool, same shape
        Where the photo shows plate or bead.
    view_px : ndarray, shape (rows, n, 2)
        Where each point lies in the view [px].
    width_mm : ndarray, shape (n,)
        Toe to toe, straight [mm].
    names : tuple of str
        Names of the first and second toe.
    """

    along_mm: Array
    maps: Mapping[str, Array32]
    lines: Mapping[str, Array32]
    seen: NDArray[np.bool_]
    view_px: Array
    width_mm: Array
    names: tuple[str, str]


def read_straight(view: CouponView, bead: Bead) -> StraightSigns:
    """Lay the bead straight and run the network on it."""
    names = tuple(bead.toes)[:2]
    along = np.arange(float(bead.along_mm[0]), float(bead.along_mm[-1]) + 1e-9, STEP_MM)
    toes = []
    for name in names:
        line = plate_to_view(view, bead.toes[name].plate, bead.plate_points_mm[name])
        toes.append(np.stack([np.interp(along, bead.along_mm, line[:, i]) for i in (0, 1)], axis=1))
    gap = toes[1] - toes[0]
    width_px = np.maximum(np.linalg.norm(gap, axis=1), 1.0)
    way = gap / width_px[:, None]
    beside = (BESIDE_MM * view.px_per_mm)[:, None, None]
    share = ((np.arange(N_FACE) + 0.5) / N_FACE)[:, None, None]
    at = np.concatenate(
        [(toes[0][None] - beside * way[None])[::-1], toes[0][None] + share * gap[None], toes[1][None] + beside * way[None]]
    )
    shrink = min(1.0, FINEST_PX_PER_MM / view.px_per_mm)
    image = np.asarray(cv2.resize(view.image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    ratio = np.array([image.shape[1] / view.image.shape[1], image.shape[0] / view.image.shape[0]])
    straight = _sample(image, (at + 0.5) * ratio - 0.5, cv2.INTER_LINEAR)
    seen = _sample((view.valid & ~view.strips).astype(np.uint8), at, cv2.INTER_NEAREST) > 0
    straight[~seen] = 0
    folded = len({bead.toes[n].plate for n in names}) > 1  # a tee's plates are unfolded in the view
    width_mm = width_px / view.px_per_mm * (np.sqrt(0.5) if folded else 1.0)
    return read_picture(straight, seen, along, at, width_mm, (names[0], names[1]))


def read_picture(
    rgb: NDArray[np.uint8], seen: NDArray[np.bool_], along_mm: Array, view_px: Array, width_mm: Array, names: tuple[str, str]
) -> StraightSigns:
    """Run the network on a bead that is already laid straight; see `StraightSigns` for the shapes."""
    width = np.clip(255.0 / WIDTH_OF_WHITE_MM * width_mm, 0, 255).astype(np.uint8)
    rgbw = np.dstack([rgb, np.broadcast_to(width, seen.shape)])
    maps = {sign: np.asarray(layer * seen, dtype=np.float32) for sign, layer in _maps(rgbw).items()}
    lines = {sign: np.asarray(line * (seen[FACE].mean(axis=0) > 0.5), dtype=np.float32) for sign, line in _lines(rgbw).items()}
    return StraightSigns(along_mm, MappingProxyType(maps), MappingProxyType(lines), seen, view_px, width_mm, names)


def _sample(picture: NDArray[np.uint8], at: Array, how: int) -> NDArray[np.uint8]:
    maps = at.astype(np.float32)
    return np.array(cv2.remap(picture, maps[..., 0], maps[..., 1], how, borderMode=cv2.BORDER_CONSTANT), dtype=np.uint8)


def _maps(rgbw: NDArray[np.uint8]) -> dict[str, Array32]:
    """Probabilities of each point, (rows, columns), from RGB and width, (rows, columns, 4)."""
    out = _run("signs.onnx", rgbw)
    return {sign: out[SIGNS.index(sign)] for sign in (*READ, *BROKEN)}


def _lines(rgbw: NDArray[np.uint8]) -> dict[str, Array32]:
    """Probabilities of each column along both toes, (2, columns)."""
    n = rgbw.shape[1]
    told = np.stack([np.repeat(_run("toes.onnx", rgbw[rows]), 2, axis=1)[:, :n] for rows in TOES], axis=1)
    return {sign: told[k] for k, sign in enumerate(LINES)}


def _run(file: str, picture: NDArray[np.uint8]) -> Array32:
    """What a network says of a picture, (rows, columns, channels); columns beyond the picture's are cut off."""
    n = picture.shape[1]
    padded = np.pad(picture, ((0, 0), (0, -n % MULTIPLE_PX), (0, 0)))
    blob = np.ascontiguousarray(padded.transpose(2, 0, 1)[None], dtype=np.float32) / np.float32(255)
    out = run(f"surface/{file}", blob)[0]
    return np.asarray(out[..., : n if out.shape[-1] == padded.shape[1] else (n + 1) // 2], dtype=np.float32)
