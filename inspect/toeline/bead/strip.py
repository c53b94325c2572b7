"""A bead laid straight: the picture resampled along a middle line, and what each of its points says of weld metal."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.evidence import Evidence, lightness

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

BURNT_OUT = 98.5
"""Lightness above which a px holds no texture [0–100]."""
GLARE_PX = 7
"""Smaller burnt-out spots are glints on the face, not glare that hides a toe [strip px]."""

GAIN = 0.5
"""How far roughness is taken relative to local lightness: 0 not at all, 1 wholly; a bead's shaded side is no smoother [ratio]."""
RAMP_ROWS = 2.0
RAMP_SHARE = 0.9
"""Share of a smoother gradient taken off an edge: heat tint and shading ramp, metal ends at once [ratio]."""

ALONG = (1, 3)
"""Which features are roughness along the bead."""

__all__ = ["ALONG", "BURNT_OUT", "Strip", "features", "lay_straight", "resample_line", "smooth_line"]


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A straightened stretch of a view: columns run along the middle line, rows across it, row 0 on its left (up) side.

    Attributes
    ----------
    light : ndarray of float32, shape (rows, columns)
        Lightness [0–100].
    colour : ndarray of float32, shape (rows, columns, 2)
        Hue and chroma as a* and b* of CIE L*a*b*: bare metal has next to none, rust, tint, mill scale and paint have some.
    seen : ndarray of float32, shape (rows, columns)
        1 where the view is valid and not burnt out.
    weld : ndarray of float32, shape (rows, columns), or None
        Log odds of weld metal from a learned map.
    toe : ndarray of float32, shape (rows, columns), or None
        Probability of the toe line from a learned map.
    middle_px, normal : ndarray, shape (columns, 2)
        The middle line in the view [px] and its unit normal towards larger rows.
    pitch_px : float
        View px per strip px, along and across.
    """

    light: Array32
    colour: Array32
    seen: Array32
    weld: Array32 | None
    toe: Array32 | None
    middle_px: Array
    normal: Array
    pitch_px: float

    @property
    def centre_row(self) -> float:
        return float(self.light.shape[0] - 1) / 2

    def to_view(self, columns: Array, rows: Array) -> Array:
        """View points of strip points, shape (n, 2) [px]."""
        at = np.arange(len(self.middle_px), dtype=np.float64)
        middle = np.stack([np.interp(columns, at, self.middle_px[:, i]) for i in (0, 1)], axis=1)
        normal = np.stack([np.interp(columns, at, self.normal[:, i]) for i in (0, 1)], axis=1)
        return middle + normal * ((rows - self.centre_row) * self.pitch_px)[:, None]

    def from_view(self, points_px: Array) -> tuple[Array, Array]:
        """(columns, rows) of view points, by the nearest point of the middle line."""
        gap = points_px[:, None] - self.middle_px[None]
        column = np.argmin((gap**2).sum(-1), axis=1)
        off = gap[np.arange(len(points_px)), column]
        return column.astype(np.float64), (off * self.normal[column]).sum(-1) / self.pitch_px + self.centre_row


def resample_line(line: Array, step: float) -> Array:
    """A polyline at equal steps, shape (m, 2), in the line's unit."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(0.0, length[-1] + step / 2, step)
    return np.stack([np.interp(at, length, line[:, 0]), np.interp(at, length, line[:, 1])], axis=1)


def smooth_line(line: Array, sigma: float) -> Array:
    """A polyline with equal steps, smoothed by a Gaussian of ``sigma`` steps that keeps straight ends straight, shape (n, 2)."""
    n = len(line)
    pad = min(n - 1, int(4 * sigma) + 1)
    if pad < 1:
        return line
    reach = min(n - 1, max(pad, int(2 * sigma)))
    head = line[0] + (line[0] - line[reach]) / reach * np.arange(pad, 0, -1)[:, None]
    tail = line[-1] + (line[-1] - line[-1 - reach]) / reach * np.arange(1, pad + 1)[:, None]
    longer = np.concatenate([head, line, tail])
    kernel = cv2.getGaussianKernel(2 * int(4 * sigma) + 1, sigma)[:, 0]
    half = len(kernel) // 2
    longer = np.concatenate([np.repeat(longer[:1], half, 0), longer, np.repeat(longer[-1:], half, 0)])
    soft = np.stack([np.convolve(longer[:, i], kernel, mode="valid") for i in (0, 1)], axis=1)
    return np.asarray(soft[pad : pad + n], dtype=np.float64)


def lay_straight(
    image: NDArray[np.uint8],
    valid: NDArray[np.bool_] | None,
    middle_px: Array,
    *,
    half_rows: int,
    pitch_px: float,
    evidence: Evidence | None = None,
) -> Strip:
    """Resample a view along a middle line.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3)
    valid : ndarray of bool, shape (height, width), optional
    middle_px : ndarray, shape (n, 2)
        Smooth middle line in the view [px].
    half_rows : int
        Rows on each side of the middle row.
    pitch_px : float
        View px per strip px.
    evidence : Evidence, optional
        A learned map to be laid straight as well.
    """
    middle = resample_line(middle_px, pitch_px)
    tangent = np.gradient(middle, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    rows = np.arange(-half_rows, half_rows + 1, dtype=np.float64) * pitch_px
    at = middle[None] + rows[:, None, None] * normal[None]
    shrink = min(1.0, 1.3 / pitch_px)
    small = image
    if shrink < 0.8:
        small = np.asarray(cv2.resize(image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8)
    else:
        shrink = 1.0
    light = _sample(lightness(small), at, shrink)
    colour = _colour(_sample(small, at, shrink))
    h, w = image.shape[:2]
    seen = ((at[..., 0] >= 0) & (at[..., 0] <= w - 1) & (at[..., 1] >= 0) & (at[..., 1] <= h - 1)).astype(np.float32)
    if valid is not None:
        seen *= _sample(valid.astype(np.float32), at, 1.0)
    burnt = cv2.morphologyEx((light > BURNT_OUT).astype(np.uint8), cv2.MORPH_OPEN, np.ones((GLARE_PX, GLARE_PX), np.uint8))
    seen *= cv2.dilate(burnt, np.ones((5, 5), np.uint8)) == 0
    weld = toe = None
    if evidence is not None and evidence.roughness is None:
        weld = _sample(evidence.log_odds(), at, evidence.scale_ratio)
        toe = None if evidence.toe is None else _sample(evidence.toe, at, evidence.scale_ratio)
    return Strip(light, colour, seen.astype(np.float32), weld, toe, middle, normal, pitch_px)


def _colour(rgb: Array32) -> Array32:
    """a* and b* of a picture, shape (h, w, 2)."""
    colours = rgb if rgb.ndim == 3 else np.repeat(rgb[..., None], 3, axis=2)
    return np.ascontiguousarray(cv2.cvtColor(colours / np.float32(255), cv2.COLOR_RGB2LAB)[..., 1:], dtype=np.float32)


def _sample(field: Array32 | NDArray[np.uint8], at: Array, scale: float) -> Array32:
    """Field values at view points, between px linear, the outermost px repeated outside."""
    maps = ((at + 0.5) * scale - 0.5).astype(np.float32)
    return np.asarray(cv2.remap(field, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def features(strip: Strip, step: int) -> tuple[Array32, Array32, Array32]:
    """What tells weld metal from plate, per station.

    Returns
    -------
    (features, edge, seen) : ndarrays of float32, shapes (rows, n, 8), (rows, n), (rows, n)
        Features: lightness, log roughness along and across at a fine scale, along and across at a middle scale, local
        lightness range, a* and b*. ``edge``: signed brightness change across, averaged along over about two stations.
        A station is the mean over ``step`` columns.
    """
    light = strip.light
    parts = [cv2.GaussianBlur(light, (0, 0), 1.5)]
    dim = GAIN * np.log((cv2.GaussianBlur(light, (0, 0), 4.0) + 10.0) / 50.0)
    for sigma, window in ((0.7, 2.0), (1.8, 3.0)):
        soft = cv2.GaussianBlur(light, (0, 0), sigma)
        gx = cv2.Scharr(soft, cv2.CV_32F, 1, 0) / 32
        gy = cv2.Scharr(soft, cv2.CV_32F, 0, 1) / 32
        for g in (gx, gy):
            parts.append(0.5 * np.log(cv2.GaussianBlur(g * g, (0, 0), sigmaX=1.5 * window, sigmaY=0.8 * window) + 0.03) - dim)
    wide = cv2.GaussianBlur(light, (0, 0), 6.0)
    parts.append(np.log(cv2.GaussianBlur(np.abs(light - wide), (0, 0), sigmaX=5.0, sigmaY=2.0) + 0.5) - dim)
    parts += [cv2.GaussianBlur(strip.colour[..., i], (0, 0), 1.5) for i in (0, 1)]
    stacked = np.stack([_pool(part, step) for part in parts], axis=-1)
    gy = cv2.Scharr(cv2.GaussianBlur(light, (0, 0), sigmaX=0.5, sigmaY=0.8), cv2.CV_32F, 0, 1) / 32
    ramp = cv2.Scharr(cv2.GaussianBlur(light, (0, 0), sigmaX=0.5, sigmaY=RAMP_ROWS), cv2.CV_32F, 0, 1) / 32
    edge = cv2.GaussianBlur(_pool(gy - RAMP_SHARE * ramp, step), (0, 0), sigmaX=0.8, sigmaY=0.01)
    return stacked, np.asarray(edge, np.float32), _pool(strip.seen, step)


def _pool(field: NDArray[np.floating] | cv2.typing.MatLike, step: int) -> Array32:
    """Mean over groups of ``step`` columns."""
    n = field.shape[1] // step
    return np.asarray(field[:, : n * step].reshape(len(field), n, step).mean(2), dtype=np.float32)
