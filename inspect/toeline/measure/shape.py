"""The bead's shape: how straight, how wavy, how rough at the toes, and how its ripples lie.

Everything is taken over the steady part. Wavelengths are parted by the Gaussian profile filter of ISO 16610-21 (weighting
function exp(−π (x/αλ)²)/(αλ), α = √(ln 2/π), so that a sine of the cut-off wavelength keeps half its amplitude; formula from
memory): slow wander of the hand above ``WANDER_MM``, weave and travel waviness between, toe roughness below ``RIPPLE_MM``. The
cut-offs are the project's own. On an unscaled photo the same cut-offs count in widths and every length is told as a share of the
mean width.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import runs
from toeline.bead.result import Bead
from toeline.bead.view import CouponView, plate_to_view
from toeline.measure.result import BeadSize
from toeline.quantity import Measured

Array = NDArray[np.float64]

WANDER_MM = 25.0
RIPPLE_MM = 3.0
WORST_MM = 10.0
USUAL_WIDTH_MM = 8.0
"""The width for which the unscaled cut-offs, in widths, equal those in mm [mm]."""
ALPHA = float(np.sqrt(np.log(2) / np.pi))
N_LANES = 9
N_SPACINGS = 60
LEAST_SAMPLES = 3.5
"""Ripples narrower than so many samples are not looked for."""
BAND = 1.12
"""Half the width of a band of wavelengths, as a factor."""
RIPPLE_RISE = 1.15
"""How far a band's energy must stand out, in logs: set on rendered coupons of known spacing, where none that rose so far was wrong by
more than 15 %."""
NOISE_HEIGHT = 0.25
"""What plain noise, filtered alike, gives as regularity."""

__all__ = [
    "Ripples",
    "add_shape",
    "find_ripples",
    "gaussian_filter",
    "root_mean_square",
    "straightness",
    "wave_bands",
    "width_drift",
    "worst_stretch",
]


@dataclass(frozen=True, slots=True)
class Ripples:
    """Ripple spacing and how regular it is.

    Attributes
    ----------
    spacing, spacing_u : float
        In the unit of the profile's step; NaN where no ripples are told from the face.
    regularity_ratio : float
        How alike each ripple is to the one before, from the autocorrelation of the face's lightness, 0 (not at all) to 1 [ratio].
    """

    spacing: float
    spacing_u: float
    regularity_ratio: float


def add_shape(size: BeadSize, bead: Bead, view: CouponView) -> BeadSize:
    """A bead's size with the measures of its shape added.

    Parameters
    ----------
    size : BeadSize
    bead : Bead
    view : CouponView
        The view that the bead was found in; its face texture gives the ripples.

    Returns
    -------
    BeadSize
        With ``straightness``, ``wander``, ``waviness``, ``toe_roughness``, ``worst_stretch`` and ``ripple_spacing`` (``_mm``;
        ``_ratio`` of the mean width when unscaled), ``width_drift_ratio`` and, where ripples are told, ``ripple_regularity_ratio``;
        unchanged where the steady part is too short.
    """
    steady = size.steady
    step = float(np.median(np.diff(bead.along_mm))) if len(bead.along_mm) > 1 else 0.0
    if np.count_nonzero(steady) < 12 or step <= 0:
        return size
    unscaled = "width_mean_px" in size.measures
    width = float(np.mean(size.stations.width_mm[steady]))
    per_mm = width / USUAL_WIDTH_MM if unscaled else 1.0
    first, second = _toe_offsets(bead)
    stretches = _stretches(steady)
    independent = max(2.0, np.count_nonzero(steady) * step / max(bead.correlation_mm, step))
    lengths: dict[str, tuple[float, float]] = {}
    noise = float(np.sqrt(np.mean(np.concatenate([t.u_mm[steady] for t in bead.toes.values()]) ** 2)))
    middle = (first + second) / 2
    lengths["straightness"] = (straightness(bead.along_mm[steady], middle[steady]), noise)
    bands = [
        [wave_bands(line[a : b + 1], step, ripple=RIPPLE_MM * per_mm, wander=WANDER_MM * per_mm) for a, b in stretches]
        for line in (first, second, middle)
    ]
    for name, lines, band in (("wander", (2,), 0), ("waviness", (0, 1), 1), ("toe_roughness", (0, 1), 2)):
        value = root_mean_square(np.concatenate([part[band] for i in lines for part in bands[i]]))
        lengths[name] = (value, float(np.hypot(value / np.sqrt(2 * independent), 0.5 * noise)))
    worst, _ = worst_stretch(bead.along_mm[steady], first[steady], second[steady], long=WORST_MM * per_mm)
    lengths["worst_stretch"] = (worst, noise)
    ripples = find_ripples(*_lanes(bead, view, stretches, width), shortest=0.35 * per_mm, longest=4.0 * per_mm)
    measures = dict(size.measures)
    if np.isfinite(ripples.spacing):
        lengths["ripple_spacing"] = (ripples.spacing, ripples.spacing_u)
        measures["ripple_regularity_ratio"] = Measured(ripples.regularity_ratio, 0.05)
    drift, drift_u = width_drift(bead.along_mm[steady], size.stations.width_mm[steady], independent)
    measures["width_drift_ratio"] = Measured(drift, drift_u)
    shares = _scale_shares(size)
    for name, (value, u) in lengths.items():
        if unscaled:
            measures[f"{name}_ratio"] = Measured(value / width, u / width)
        else:
            measures[f"{name}_mm"] = Measured(value, u, {source: share * value for source, share in shares.items()})
    return replace(size, measures=MappingProxyType(measures))


def gaussian_filter(profile: Array, step: float, cutoff: float) -> Array:
    """Long-wave part of a profile by the Gaussian filter of ISO 16610-21, shape (n,).

    Ends are carried on by point reflection, which keeps straight profiles straight (own choice; the standard leaves ends out).

    Parameters
    ----------
    profile : ndarray, shape (n,)
    step, cutoff : float
        Spacing of the profile and cut-off wavelength, in one unit.
    """
    n = len(profile)
    reach = int(np.ceil(cutoff / step))
    x = np.arange(-reach, reach + 1) * step
    kernel = np.exp(-np.pi * (x / (ALPHA * cutoff)) ** 2)
    kernel /= kernel.sum()
    longer = profile
    while len(longer) < n + 2 * reach and n > 1:
        pad = min(n - 1, (n + 2 * reach - len(longer) + 1) // 2, len(longer) - 1)
        longer = np.concatenate([2 * longer[0] - longer[pad:0:-1], longer, 2 * longer[-1] - longer[-2 : -pad - 2 : -1]])
    over = (len(longer) - n) // 2
    full = np.convolve(longer, kernel, mode="same")
    return np.asarray(full[over : over + n], dtype=np.float64)


def wave_bands(profile: Array, step: float, *, ripple: float, wander: float) -> tuple[Array, Array, Array]:
    """A profile parted by wavelength: above ``wander``, between, below ``ripple``; the least-squares line is taken off first.

    Returns
    -------
    (slow, between, fine) : ndarrays, shape (n,)
    """
    x = np.arange(len(profile), dtype=np.float64)
    flat = profile - np.polyval(np.polyfit(x, profile, 1), x) if len(profile) > 2 else profile - profile.mean()
    slow = gaussian_filter(flat, step, wander)
    middle = gaussian_filter(flat, step, ripple)
    return slow, middle - slow, flat - middle


def root_mean_square(values: Array) -> float:
    """√(mean of squares)."""
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else 0.0


def straightness(along: Array, across: Array) -> float:
    """Peak-to-valley distance of a line from its least-squares straight line (STRt of ISO 12780-1, from memory)."""
    slope, offset = np.polyfit(along, across, 1)
    off = (across - (slope * along + offset)) / np.sqrt(1 + slope * slope)
    return float(off.max() - off.min())


def width_drift(along: Array, width: Array, independent: float) -> tuple[float, float]:
    """Change of width along the steady part by its least-squares slope, over the mean width, and its u [ratio].

    Own definition. u is the slope's standard error for ``independent`` stations instead of all.
    """
    centre = along - along.mean()
    slope = float(centre @ (width - width.mean()) / (centre @ centre))
    rest = width - width.mean() - slope * centre
    length = float(along[-1] - along[0])
    error = np.sqrt(float(rest @ rest) / max(independent - 2, 1) / len(width)) / np.sqrt(float(np.mean(centre * centre)))
    return slope * length / float(width.mean()), float(error) * length / float(width.mean())


def worst_stretch(along: Array, first: Array, second: Array, *, long: float = WORST_MM) -> tuple[float, float]:
    """Largest root mean square distance of both toes from their own straight lines over any stretch, and the stretch's middle.

    Own definition.

    Returns
    -------
    (rms, at) : float, float
        In the unit of ``along``.
    """
    square = np.zeros_like(along)
    for line in (first, second):
        square += np.square(line - np.polyval(np.polyfit(along, line, 1), along)) / 2
    step = float(np.median(np.diff(along)))
    n = min(len(along), max(1, round(long / step)))
    mean = np.convolve(square, np.ones(n) / n, mode="valid")
    at = int(np.argmax(mean))
    return float(np.sqrt(max(mean[at], 0.0))), float(along[at + n // 2])


def find_ripples(lanes: list[Array], step: float, *, shortest: float, longest: float) -> Ripples:
    """Ripple spacing from lightness along the face.

    A ripple crosses the face, lagging a little from lane to lane; noise and blotches do not. So neighbouring lanes' cross spectra are
    averaged over stretches, which keeps what both share and its lag, and their magnitudes are added. Energy in bands of one width in
    log wavelength, less a straight line through what most bands hold (its slope is that of blotches), has its peak at the spacing.
    u is the spread of the spacing between stretches over the root of their number, at least 3 %. All own definitions.

    Parameters
    ----------
    lanes : list of ndarray, shape (n_lanes, n)
        Lightness along each lane, one array a stretch of about equal length.
    step : float
        Spacing of the samples.
    shortest, longest : float
        Range of spacings looked for, in the unit of ``step``.
    """
    spectra = [spectrum for part in lanes if (spectrum := _shared_spectrum(part, step, 2.5 * longest)) is not None]
    spacings = np.geomspace(max(shortest, LEAST_SAMPLES * step), longest, N_SPACINGS)
    if not spectra or spacings[0] >= 0.5 * longest:
        return Ripples(float("nan"), float("nan"), 0.0)
    spacing, rise = _standing_out(np.abs(np.sum(spectra, axis=0)).sum(axis=0), step, spacings)
    if rise < RIPPLE_RISE:
        return Ripples(float("nan"), float("nan"), 0.0)
    near = spacings[np.abs(np.log(spacings / spacing)) < 0.4]
    each = np.array([_standing_out(np.abs(part).sum(axis=0), step, spacings, among=near)[0] for part in spectra])
    spread = float(np.std(each, ddof=1) / np.sqrt(len(each))) if len(each) > 1 else 0.1 * spacing
    return Ripples(spacing, float(np.hypot(spread, 0.03 * spacing)), _regularity(lanes, step, spacing))


def _shared_spectrum(lanes: Array, step: float, window: float) -> NDArray[np.complex128] | None:
    """Cross spectra of neighbouring lanes, summed over half-overlapping windows, shape (n_lanes − 1, n); None where too short or flat."""
    n = int(window / step)
    if lanes.shape[1] < n or n < 8:
        return None
    fine = np.stack([lane - gaussian_filter(lane, step, 0.8 * window) for lane in lanes])
    limit = 3 * np.median(np.abs(fine))
    if limit < 1e-6:
        return None
    fine = np.clip(fine, -limit, limit)
    taper = np.hanning(n)
    total = np.zeros((len(lanes) - 1, 2 * n + 1), dtype=np.complex128)
    for start in range(0, fine.shape[1] - n + 1, n // 2):
        waves = np.fft.rfft(fine[:, start : start + n] * taper, 4 * n, axis=1)
        total += waves[:-1] * waves[1:].conj()
    return total


def _standing_out(energy: Array, step: float, spacings: Array, *, among: Array | None = None) -> tuple[float, float]:
    """The spacing whose band's energy stands out most from the others', and by how much, in logs."""
    frequency = np.arange(len(energy)) / (2 * (len(energy) - 1) * step)
    sums = np.concatenate([[0.0], np.cumsum(energy)])
    high, low = (np.searchsorted(frequency, factor / spacings) for factor in (BAND, 1 / BAND))
    band = np.log(np.maximum(sums[high] - sums[low], 1e-12))
    x = np.log(spacings)
    weight = np.ones_like(x)
    rise = np.zeros_like(x)
    for _ in range(4):
        rise = band - np.polyval(np.polyfit(x, band, 1, w=weight), x)
        weight = np.where(rise > 0, 0.3, 1.0)
    inner = slice(2, -2)
    chosen = rise[inner] if among is None else np.where(np.isin(spacings[inner], among), rise[inner], -np.inf)
    best = int(np.argmax(chosen)) + 2
    a, b, c = (float(v) for v in rise[best - 1 : best + 2])
    shift = float(np.clip(0.5 * (a - c) / (a - 2 * b + c), -0.5, 0.5)) if a - 2 * b + c < 0 else 0.0
    return float(np.exp(x[best] + shift * (x[1] - x[0]))), b


def _regularity(lanes: list[Array], step: float, spacing: float) -> float:
    """Height of the lanes' mean autocorrelation one spacing on, above half a spacing on: over 1 for a sine, 0 for noise, cut to [0, 1]."""
    n_lag = int(1.3 * spacing / step) + 3
    curves = [curve for part in lanes if (curve := _autocorrelation(part, step, n_lag, 2.2 * spacing)) is not None]
    if not curves:
        return 0.0
    curve = np.mean(curves, axis=0)
    lag = np.arange(n_lag) * step
    near = np.abs(lag - spacing) <= 0.15 * spacing
    return float(np.clip(curve[near].max() - np.interp(spacing / 2, lag, curve) - NOISE_HEIGHT, 0.0, 1.0))


def _autocorrelation(lanes: Array, step: float, n_lag: int, cutoff: float) -> Array | None:
    """Mean autocorrelation of high-passed lanes, lags 0 … n_lag − 1; None where too short or flat."""
    if lanes.shape[1] < 2 * n_lag:
        return None
    fine = np.stack([lane - gaussian_filter(lane, step, cutoff) for lane in lanes])
    fine -= fine.mean(axis=1, keepdims=True)
    limit = 3 * np.median(np.abs(fine)) + 1e-9
    fine = np.clip(fine, -limit, limit)
    n = fine.shape[1]
    power = np.abs(np.fft.rfft(fine, 2 * n, axis=1)) ** 2
    curve = np.fft.irfft(power, axis=1)[:, :n_lag].sum(0) / (n - np.arange(n_lag))
    return np.asarray(curve / curve[0], dtype=np.float64) if curve[0] > 1e-6 else None


def _toe_offsets(bead: Bead) -> tuple[Array, Array]:
    """Both toes' distances across from one straight line, first toe positive up: shape (n,) each.

    Tee: from the root, base plate counted down. Flat: from the least-squares line through the middle of both toes.
    """
    names = tuple(bead.toes)
    if "standing" in names:
        return bead.toes["standing"].across_mm, -bead.toes["base"].across_mm
    points = [bead.plate_points_mm[name] for name in names]
    middle = (points[0] + points[1]) / 2
    centre = middle.mean(axis=0)
    _, _, axes = np.linalg.svd(middle - centre, full_matrices=False)
    normal = axes[1]
    if normal @ (points[0] - points[1]).mean(axis=0) < 0:
        normal = -normal
    return (points[0] - centre) @ normal, (points[1] - centre) @ normal


def _stretches(steady: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of steady stations, the longest alone when others are short."""
    spans = runs(steady)
    longest = max(b - a for a, b in spans)
    return [(a, b) for a, b in spans if b - a >= max(8, 0.25 * longest)] or [(a, b) for a, b in spans if b - a == longest]


def _lanes(bead: Bead, view: CouponView, stretches: list[tuple[int, int]], width: float) -> tuple[list[Array], float]:
    """Lightness along lanes of the face's middle three fifths, in pieces of about four widths, and their step [mm]."""
    first, second = (plate_to_view(view, bead.toes[n].plate, bead.plate_points_mm[n]) for n in tuple(bead.toes)[:2])
    step = 1.0 / view.px_per_mm
    grey = cv2.cvtColor(view.image, cv2.COLOR_RGB2GRAY)
    shares = np.linspace(0.2, 0.8, N_LANES)
    pieces: list[Array] = []
    for a, b in stretches:
        along = np.arange(bead.along_mm[a], bead.along_mm[b], step)
        ends = [np.stack([np.interp(along, bead.along_mm, line[:, i]) for i in (0, 1)], axis=-1) for line in (first, second)]
        at = ((1 - shares)[:, None, None] * ends[0][None] + shares[:, None, None] * ends[1][None]).astype(np.float32)
        if at.shape[1] < 4:
            continue
        face = np.vstack(
            [
                cv2.remap(grey, part[None, ..., 0], part[None, ..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
                for part in at
            ]
        ).astype(np.float64)
        n = max(1, round(len(along) * step / (4 * width)))
        pieces.extend(np.array_split(face, n, axis=1))
    return pieces, step


def _scale_shares(size: BeadSize) -> Mapping[str, float]:
    """What one sd of every shared source does to a length across, as a share of it: that of the mean width [ratio]."""
    mean = size.measures.get("width_mean_mm")
    if mean is None or mean.value <= 0:
        return MappingProxyType({})
    return MappingProxyType({source: effect / mean.value for source, effect in mean.shared.items()})
