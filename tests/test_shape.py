"""Shape measures on lines and faces of known spectra."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from toeline.measure import shape

Array = NDArray[np.float64]
STEP_MM = 0.5


def stations(length_mm: float = 150.0) -> Array:
    return np.arange(0.0, length_mm + STEP_MM / 2, STEP_MM)


@pytest.mark.parametrize("wavelength_mm", [12.0, 25.0, 40.0])
def test_gaussian_filter_passes_what_the_standard_says(wavelength_mm: float) -> None:
    """Transmission exp(-pi (alpha lc / l)^2), one half at the cut-off: ISO 16610-21:2011, 4.3 (formula from memory)."""
    x = np.arange(0.0, 400.0, STEP_MM)
    wave = np.sin(2 * np.pi * x / wavelength_mm)
    slow = shape.gaussian_filter(wave, STEP_MM, 25.0)
    inner = slice(150, -150)
    kept = np.std(slow[inner]) / np.std(wave[inner])
    expected = np.exp(-np.pi * (np.sqrt(np.log(2) / np.pi) * 25.0 / wavelength_mm) ** 2)
    assert kept == pytest.approx(expected, abs=0.01)
    if wavelength_mm == 25.0:
        assert kept == pytest.approx(0.5, abs=0.01)


def test_straight_profile_passes_unchanged_to_its_ends() -> None:
    x = stations()
    np.testing.assert_allclose(shape.gaussian_filter(0.3 * x - 2.0, STEP_MM, 25.0), 0.3 * x - 2.0, atol=1e-9)


@pytest.mark.parametrize(("wavelength_mm", "band"), [(90.0, 0), (8.0, 1), (1.5, 2)])
def test_each_wavelength_falls_into_its_band(wavelength_mm: float, band: int) -> None:
    """A sine of amplitude a has the root mean square a / sqrt 2; at least four fifths of it land in its own band."""
    x = stations(180.0)
    parts = shape.wave_bands(0.4 * np.sin(2 * np.pi * x / wavelength_mm), STEP_MM, ripple=3.0, wander=25.0)
    rms = [shape.root_mean_square(part) for part in parts]
    assert rms[band] == pytest.approx(0.4 / np.sqrt(2), rel=0.2)
    assert max(rms[i] for i in range(3) if i != band) < 0.35 * rms[band]
    np.testing.assert_allclose(sum(parts), parts[0] + parts[1] + parts[2])


def test_straightness_of_a_parabola_is_its_sag() -> None:
    """The least-squares line of a symmetric parabola is level, so peak to valley equals the sag (hand calculation)."""
    x = stations()
    sag = 1.2 * (2 * x / x[-1] - 1) ** 2
    assert shape.straightness(x, sag) == pytest.approx(1.2, rel=1e-6)
    assert shape.straightness(x, 0.05 * x + 3.0) == pytest.approx(0.0, abs=1e-9)


def test_drift_is_slope_times_length_over_mean() -> None:
    """8 mm growing by 0.01 mm a millimetre over 150 mm: 1.5 mm on a mean of 8.75 mm (hand calculation)."""
    x = stations()
    drift, _ = shape.width_drift(x, 8.0 + 0.01 * x, 100.0)
    assert drift == pytest.approx(1.5 / 8.75, rel=1e-9)


def test_drift_uncertainty_covers_noise() -> None:
    rng = np.random.default_rng(4)
    x = stations()
    pairs = [shape.width_drift(x, 8.0 + rng.normal(0, 0.2, len(x)), float(len(x))) for _ in range(300)]
    z = np.array([drift / u for drift, u in pairs])
    assert 0.85 < np.std(z) < 1.15


def test_worst_stretch_finds_the_bump() -> None:
    x = stations()
    bump = np.where(np.abs(x - 100.0) < 5.0, 1.0, 0.0)
    rms, at = shape.worst_stretch(x, bump, np.zeros_like(x))
    assert at == pytest.approx(100.0, abs=1.5)
    assert rms == pytest.approx(1 / np.sqrt(2), rel=0.15)


def face(spacing_mm: float, jitter: float, seed: int, n_mm: float = 60.0, step: float = 0.05) -> Array:
    """Lightness of curved ripples: nine lanes, arcs that lag by half a spacing at the sides, noise besides."""
    rng = np.random.default_rng(seed)
    x = np.arange(0.0, n_mm, step)
    edges = np.cumsum(spacing_mm * (1 + jitter * rng.normal(size=int(2 * n_mm / spacing_mm))))
    phase = np.interp(x, edges, np.arange(len(edges)))
    lanes = [np.abs(np.sin(np.pi * (phase + 0.5 * s * s))) for s in np.linspace(-1, 1, 9)]
    return 100 + 40 * np.array(lanes) + rng.normal(0, 8, (9, len(x)))


@pytest.mark.parametrize("spacing_mm", [0.7, 1.3, 2.4])
def test_ripple_spacing_of_a_drawn_face(spacing_mm: float) -> None:
    pieces = np.array_split(face(spacing_mm, 0.05, 1), 3, axis=1)
    ripples = shape.find_ripples(pieces, 0.05, shortest=0.35, longest=4.0)
    assert ripples.spacing == pytest.approx(spacing_mm, rel=0.06)
    assert abs(ripples.spacing - spacing_mm) < 4 * ripples.spacing_u + 0.03


def test_regular_ripples_score_above_irregular_ones_and_none_is_none() -> None:
    even = shape.find_ripples([face(1.3, 0.02, 2)], 0.05, shortest=0.35, longest=4.0)
    uneven = shape.find_ripples([face(1.3, 0.25, 2)], 0.05, shortest=0.35, longest=4.0)
    noise = np.random.default_rng(3).normal(100, 8, (9, 1200))
    nothing = shape.find_ripples([noise], 0.05, shortest=0.35, longest=4.0)
    assert even.regularity_ratio > uneven.regularity_ratio + 0.1
    assert np.isnan(nothing.spacing)
