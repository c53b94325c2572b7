"""What a picture says of weld metal, pixel by pixel: the face behind which a classical and a learned finder stand.

The classical evidence knows one thing: a weld face is rougher, along its own direction, than the plate beside it. Heat tint,
ground bands and shadows run *along* a bead and change brightness and hue only across it; ripples, freeze lines and broken
highlights change brightness along it as well. So the roughness is kept as a structure tensor, from which the share along any
direction can be read later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

Array32 = NDArray[np.float32]

COARSE_LONG_SIDE_PX = 640
"""Long side of the picture in which roughness is read [px]."""

_LOGIT_LIMIT = 6.0
ACROSS_SHARE = 0.05
"""Weight of changes in every direction beside those along the bead."""

__all__ = ["COARSE_LONG_SIDE_PX", "Evidence", "Roughness", "classical_evidence", "lightness"]


@dataclass(frozen=True, slots=True, eq=False)
class Roughness:
    """Energy of fine brightness changes, as a structure tensor (J. Bigün and G. H. Granlund, ICCV 1987, from memory).

    Attributes
    ----------
    xx, xy, yy : ndarray of float32, shape (h, w)
        Products of the brightness gradient's components, averaged over a few px [lightness² / px²].
    floor : float
        Energy below which nothing is told apart from noise.
    """

    xx: Array32
    xy: Array32
    yy: Array32
    floor: float

    def log_energy(self, angle_deg: float) -> Array32:
        """Log of the energy of changes along a direction, with a little of those across it, shape (h, w).

        Parameters
        ----------
        angle_deg : float
            The direction, from x towards y (down) [deg].
        """
        c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
        along = c * c * self.xx + 2 * c * s * self.xy + s * s * self.yy
        total = self.xx + self.yy
        return np.asarray(0.5 * np.log(np.maximum(along + ACROSS_SHARE * total, 0) + self.floor), dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Per-pixel evidence for weld metal, at the view's resolution or coarser.

    Attributes
    ----------
    weld : ndarray of float32, shape (h, w)
        Probability of weld metal, in [0, 1].
    scale_ratio : float
        Evidence px per view px; evidence x = (view x + 0.5) · scale_ratio − 0.5.
    toe : ndarray of float32, shape (h, w), or None
        Probability that the toe line runs through a pixel, in [0, 1]; None where nothing says so apart from ``weld``.
    roughness : Roughness or None
        The classical finder's own energies, from which the finder reads direction; None behind a learned map.
    source : str
        ``classical`` or ``learned``.
    classes : mapping of class name to ndarray of float32, shape (h, w)
        Probability of each class apart, behind a learned map; empty behind the classical one.
    """

    weld: Array32
    scale_ratio: float
    toe: Array32 | None = None
    roughness: Roughness | None = None
    source: str = "classical"
    classes: Mapping[str, Array32] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        if self.weld.ndim != 2 or self.weld.dtype != np.float32:
            raise ValueError(f"weld map must be float32 of shape (h, w), got {self.weld.dtype} {self.weld.shape}")
        if self.toe is not None and self.toe.shape != self.weld.shape:
            raise ValueError(f"toe map {self.toe.shape} must have the weld map's shape {self.weld.shape}")
        for array in (self.weld, self.toe):
            if array is not None:
                array.setflags(write=False)

    def log_odds(self) -> Array32:
        """Log odds of weld metal, limited to ±6, shape (h, w)."""
        p = np.clip(self.weld, 1e-6, 1 - 1e-6)
        return np.asarray(np.clip(np.log(p / (1 - p)), -_LOGIT_LIMIT, _LOGIT_LIMIT), dtype=np.float32)


def lightness(image: NDArray[np.uint8]) -> Array32:
    """Perceived lightness in [0, 100] without hue: gamma-coded luma of Rec. 601, shape (h, w)."""
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    return np.asarray(grey, dtype=np.float32) * np.float32(100 / 255)


def shrink(image: NDArray[np.uint8], long_side_px: int) -> tuple[NDArray[np.uint8], float]:
    """A picture no longer than ``long_side_px`` (area-averaged) and its px per px of the original."""
    scale = min(1.0, long_side_px / max(image.shape[:2]))
    if scale == 1.0:
        return image, 1.0
    size = (max(1, round(image.shape[1] * scale)), max(1, round(image.shape[0] * scale)))
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8), scale


def classical_evidence(
    image: NDArray[np.uint8], *, valid: NDArray[np.bool_] | None = None, long_side_px: int = COARSE_LONG_SIDE_PX
) -> Evidence:
    """Weld metal by roughness alone.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3)
        The coupon view or the plain photo, RGB.
    valid : ndarray of bool, shape (height, width), optional
        Where the picture shows plate or bead; elsewhere the evidence is zero.

    Returns
    -------
    Evidence
        At most ``long_side_px`` long. ``weld`` is monotone in roughness relative to the whole picture: a rank, not yet a
        calibrated probability; the finder contrasts it with both sides of a candidate band.
    """
    small, scale = shrink(image, long_side_px)
    light = lightness(small)
    inside = np.ones(light.shape, dtype=bool)
    if valid is not None:
        inside = cv2.resize(valid.astype(np.float32), light.shape[::-1], interpolation=cv2.INTER_AREA) > 0.99
    roughness = _roughness(light, inside)
    energy = np.where(inside, 0.5 * np.log(roughness.xx + roughness.yy + roughness.floor), np.nan)
    low, high = np.nanquantile(energy, [0.3, 0.97]) if inside.any() else (0.0, 1.0)
    score = (energy - (low + high) / 2) / max(float(high - low) / 4, 1e-3)
    weld = np.where(inside, 1 / (1 + np.exp(-np.nan_to_num(score, nan=-20.0))), 0.0)
    return Evidence(weld.astype(np.float32), scale, roughness=roughness)


def _roughness(light: Array32, inside: NDArray[np.bool_]) -> Roughness:
    """Structure tensor of the fine and middle brightness changes, each relative to what is usual at its scale."""
    parts = [np.zeros_like(light) for _ in range(3)]
    floor = 0.0
    for sigma, window in ((0.8, 2.0), (1.6, 3.0)):
        soft = cv2.GaussianBlur(light, (0, 0), sigma)
        gx = cv2.Scharr(soft, cv2.CV_32F, 1, 0) / 32
        gy = cv2.Scharr(soft, cv2.CV_32F, 0, 1) / 32
        limit = 6.0
        gx, gy = limit * np.tanh(gx / limit), limit * np.tanh(gy / limit)
        if not inside.all():
            edge = cv2.erode(inside.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)
            gx, gy = gx * edge, gy * edge
        weight = sigma * sigma
        for part, product in zip(parts, (gx * gx, gx * gy, gy * gy), strict=True):
            part += weight * cv2.GaussianBlur(product, (0, 0), window)
        floor += 0.02 * weight
    return Roughness(parts[0], parts[1], parts[2], floor)
