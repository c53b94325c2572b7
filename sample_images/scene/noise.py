"""Random fields in one and two dimensions, seeded, quick, with a stated length scale."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Picture = NDArray[Any]


def line(rng: np.random.Generator, at_mm: Array, scale_mm: float) -> Array:
    """Smooth zero-mean, unit-variance function at rising positions, with features of about `scale_mm`."""
    span = float(at_mm[-1] - at_mm[0])
    n = max(4, int(np.ceil(span / (0.5 * scale_mm))) + 4)
    knots = np.convolve(rng.standard_normal(n + 4), [0.1, 0.24, 0.32, 0.24, 0.1], mode="valid")
    knots /= np.sqrt(np.sum(np.square([0.1, 0.24, 0.32, 0.24, 0.1])))
    x = (at_mm - at_mm[0]) / (0.5 * scale_mm) + 1.0
    i = np.clip(x.astype(int), 1, n - 3)
    f = np.clip(x - i, 0.0, 1.0)
    a, b, c, d = knots[i - 1], knots[i], knots[i + 1], knots[i + 2]
    curve: Array = b + 0.5 * f * (c - a + f * (2 * a - 5 * b + 4 * c - d + f * (3 * (b - c) + d - a)))
    return curve


def field(rng: np.random.Generator, shape: tuple[int, int], scale_px: float | tuple[float, float]) -> Picture:
    """Smooth zero-mean field of about unit variance.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    shape : tuple of int
        Rows and columns.
    scale_px : float or tuple of float
        Feature size, or (rows, columns) apart. [px]
    """
    sy, sx = scale_px if isinstance(scale_px, tuple) else (scale_px, scale_px)
    sy, sx = max(sy, 1.0), max(sx, 1.0)
    rows, columns = int(np.ceil(shape[0] / sy)) + 3, int(np.ceil(shape[1] / sx)) + 3
    coarse = rng.standard_normal((rows, columns), dtype=np.float32)
    shift = rng.uniform(0.0, 1.0, 2)
    matrix = np.array([[1.0 / sx, 0.0, 0.5 + shift[1]], [0.0, 1.0 / sy, 0.5 + shift[0]]])
    out: Picture = cv2.warpAffine(
        coarse,
        matrix,
        (shape[1], shape[0]),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT_101,
    )
    return out * np.float32(1.25)


def fractal(
    rng: np.random.Generator,
    shape: tuple[int, int],
    scale_px: float,
    *,
    octaves: int = 4,
    gain: float = 0.55,
    stretch: float = 1.0,
) -> Picture:
    """Sum of fields of halving scale, unit variance; `stretch` lengthens features along the columns."""
    total = np.zeros(shape, np.float32)
    weight, power = 1.0, 0.0
    for k in range(octaves):
        scale = scale_px / 2**k
        if scale < 0.7:
            break
        total += np.float32(weight) * field(rng, shape, (scale, scale * stretch))
        power += weight**2
        weight *= gain
    return total / np.float32(np.sqrt(max(power, 1e-9)))


def smoothstep(low: float, high: float, x: Picture) -> Picture:
    """0 below `low`, 1 above `high`, smooth between (either order)."""
    t = np.clip((x - np.float32(low)) / np.float32(high - low), 0.0, 1.0)
    out: Picture = t * t * (3.0 - 2.0 * t)
    return out
