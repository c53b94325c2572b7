"""Doubtful particles cut out of the photo and magnified, for a person to say what they are. Drawing never measures."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from toeline.report.look import SPATTER

Particle = Mapping[str, Any]

DOUBTED_BELOW = 0.8
"""Counted particles are shown too where they are less sure than this."""
MOST = 24
"""Largest sheet: those nearest to one half come first."""
CROP_PX = 168
"""Side of a magnified crop [px]."""
LEAST_MM, DIAMETERS = 3.0, 5.0
"""A crop shows at least so much plate, and at least so many diameters [mm, ratio]."""

__all__ = ["crop", "crops", "doubted"]


def doubted(spatter: Mapping[str, Any]) -> list[Particle]:
    """Particles of a record that a person should look at, the most doubtful first."""
    listed = [*(spatter.get("doubtful") or ()), *(p for p in spatter["particles"] if p["probability"] < DOUBTED_BELOW)]
    return sorted(listed, key=lambda p: (abs(p["probability"] - 0.5), p["x_px"]))[:MOST]


def crop(pixels: NDArray[np.uint8], particle: Particle, px_per_mm: float) -> bytes:
    """JPEG of one particle and the plate about it, with a thin ring.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (h, w, 3)
        The upright photo, red first.
    particle : mapping
        As a record has it.
    px_per_mm : float
        Of the photo [px/mm].
    """
    side = max(LEAST_MM, DIAMETERS * particle["diameter_mm"]) * px_per_mm
    zoom = CROP_PX / side
    way = np.array(
        [
            [zoom, 0.0, CROP_PX / 2 - 0.5 - zoom * particle["x_px"]],
            [0.0, zoom, CROP_PX / 2 - 0.5 - zoom * particle["y_px"]],
        ]
    )
    cut = cv2.warpAffine(pixels, way, (CROP_PX, CROP_PX), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    image = Image.fromarray(np.asarray(cut, dtype=np.uint8))
    middle, reach = CROP_PX / 2, 0.5 * particle["diameter_mm"] * px_per_mm * zoom + 7
    ImageDraw.Draw(image).ellipse((middle - reach, middle - reach, middle + reach, middle + reach), outline=SPATTER)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=88)
    return out.getvalue()


def crops(pixels: NDArray[np.uint8], particles: Sequence[Particle], px_per_mm: float) -> list[bytes]:
    """One JPEG for each particle."""
    return [crop(pixels, particle, px_per_mm) for particle in particles]
