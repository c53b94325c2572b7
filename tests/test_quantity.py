"""Numbers with uncertainty: the package `uncertainties`, Monte Carlo and the GUM's own examples are the referees."""

from __future__ import annotations

from math import cos, sin, sqrt

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat, umath

from toeline.quantity import Measured, combine, format_pm, linear, mean


def test_shared_parts_agree_with_uncertainties() -> None:
    """Referee: the package `uncertainties`, where each named source is one ufloat used in many numbers."""
    rng = np.random.default_rng(0)
    names = ("focal", "stand-off A", "corners 1")
    sources = {name: ufloat(0.0, 1.0) for name in names}
    mine, theirs = [], []
    for _ in range(25):
        value, noise, effects = rng.normal(8.0, 0.3), rng.uniform(0.02, 0.2), rng.normal(0.0, 0.1, 3)
        mine.append(Measured(value, noise, dict(zip(names, effects, strict=True))))
        theirs.append(ufloat(value, noise) + sum(float(e) * sources[n] for n, e in zip(names, effects, strict=True)))
    their_mean = sum(theirs) / len(theirs)
    assert mean(mine).value == pytest.approx(their_mean.nominal_value, rel=1e-12)
    assert mean(mine).u == pytest.approx(their_mean.std_dev, rel=1e-9)
    weights = rng.normal(size=25)
    their_sum = sum(float(w) * t for w, t in zip(weights, theirs, strict=True))
    assert combine(mine, list(weights)).u == pytest.approx(their_sum.std_dev, rel=1e-9)
    assert (mine[0] - mine[1]).u == pytest.approx((theirs[0] - theirs[1]).std_dev, rel=1e-9)
    assert (mine[0] + mine[1]).scaled(-3.0).u == pytest.approx((-3 * (theirs[0] + theirs[1])).std_dev, rel=1e-9)


def test_functions_agree_with_uncertainties() -> None:
    """Chord of two legs that share their scale: √(a² + b²). Referee: `uncertainties`."""
    scale = ufloat(0.0, 1.0)
    a, b = ufloat(6.0, 0.1) + 0.2 * scale, ufloat(8.0, 0.15) - 0.1 * scale
    chord = umath.sqrt(a**2 + b**2)
    mine = linear(10.0, (Measured(6.0, 0.1, {"scale": 0.2}), Measured(8.0, 0.15, {"scale": -0.1})), (0.6, 0.8))
    assert (mine.value, mine.u) == pytest.approx((chord.nominal_value, chord.std_dev), rel=1e-9)


READINGS = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)
"""Voltage [V], current [A] and phase [rad] read five times together: JCGM 100:2008 (GUM), table H.2."""


def test_gum_h2_correlated_inputs() -> None:
    """JCGM 100:2008, H.2, tables H.3 and H.4: resistance, reactance, impedance from inputs read together."""
    n = READINGS.shape[1]
    means = READINGS.mean(axis=1)
    # five sets of readings are five independent sources: their shares give exactly the covariance of the means
    parts = (READINGS - means[:, None]) / sqrt(n * (n - 1))
    voltage, current, phase = (
        Measured(m, 0.0, {f"set {k}": p for k, p in enumerate(row)}) for m, row in zip(means, parts, strict=True)
    )
    assert (voltage.u, current.u, phase.u) == pytest.approx((0.0032, 0.0095e-3, 0.00075), rel=0.02)
    correlation = sum(voltage.shared[k] * current.shared[k] for k in voltage.shared) / (voltage.u * current.u)
    assert correlation == pytest.approx(-0.36, abs=0.006)
    v, i, p = means
    impedance = v / i
    inputs = (voltage, current, phase)
    r = linear(impedance * cos(p), inputs, (cos(p) / i, -impedance * cos(p) / i, -impedance * sin(p)))
    x = linear(impedance * sin(p), inputs, (sin(p) / i, -impedance * sin(p) / i, impedance * cos(p)))
    z = linear(impedance, inputs, (1 / i, -impedance / i, 0.0))
    assert (r.value, x.value, z.value) == pytest.approx((127.732, 219.847, 254.260), abs=1e-3)
    assert (r.u, x.u, z.u) == pytest.approx((0.071, 0.295, 0.236), abs=6e-4)
    their_v, their_i, their_p = correlated_values(means, np.cov(READINGS) / n)
    assert z.u == pytest.approx((their_v / their_i).std_dev, rel=1e-9)
    assert r.u == pytest.approx((their_v / their_i * umath.cos(their_p)).std_dev, rel=1e-9)


def test_sum_of_four_normals() -> None:
    """JCGM 101:2008 (GUM Supplement 1), 9.2.2: four unit normals sum to a 95 % interval of ± 3.92."""
    total = combine([Measured(0.0, 1.0)] * 4, [1.0] * 4)
    assert 1.959964 * total.u == pytest.approx(3.92, abs=0.005)


def test_monte_carlo_agrees_on_shared_parts() -> None:
    """Referee: Monte Carlo after GUM Supplement 1, sampling every source once a trial and every noise on its own."""
    terms = [
        Measured(8.0, 0.1, {"a": 0.2, "b": -0.05}),
        Measured(7.0, 0.2, {"a": -0.1, "c": 0.1}),
        Measured(6.5, 0.05, {"b": 0.3}),
    ]
    rng = np.random.default_rng(1)
    drawn = {name: rng.standard_normal(200_000) for name in "abc"}
    sampled = [t.value + t.noise * rng.standard_normal(200_000) + sum(e * drawn[k] for k, e in t.shared.items()) for t in terms]
    weights = (0.5, -1.0, 0.25)
    assert combine(terms, weights).u == pytest.approx(np.std(sum(w * s for w, s in zip(weights, sampled, strict=True))), rel=0.01)


def test_noise_shrinks_in_averages_but_shared_parts_do_not() -> None:
    """Plain arithmetic: 100 numbers with noise 0.1 and a shared 0.05."""
    average = mean([Measured(5.0, 0.1, {"scale": 0.05})] * 100)
    assert average.noise == pytest.approx(0.01) and average.shared["scale"] == pytest.approx(0.05)
    difference = Measured(5.0, 0.1, {"scale": 0.05}) - Measured(4.0, 0.1, {"scale": 0.05})
    assert difference.shared["scale"] == 0.0 and difference.u == pytest.approx(0.1 * sqrt(2))


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="noise must not be negative"):
        Measured(1.0, -0.1)
    with pytest.raises(ValueError, match="as many weights"):
        combine([Measured(1.0)], [1.0, 2.0])
    with pytest.raises(ValueError, match="no numbers"):
        mean([])


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (8.034, 0.041, "8.03 ± 0.08 mm"),
        (8.034, 0.0705, "8.03 ± 0.14 mm"),
        (8.034, 0.6, "8.0 ± 1.2 mm"),
        (8.034, 1.6, "8 ± 3 mm"),
        (8.034, 0.0, "8.03 mm"),
        (float("nan"), 0.1, "not known mm"),
    ],
)
def test_value_and_uncertainty_end_on_the_same_digit(value: float, u: float, text: str) -> None:
    """Rounding by hand: two digits of ± (k = 2) when it starts with 1, else one (common practice, no source)."""
    assert format_pm(value, u, unit="mm") == text


def test_nought_has_no_sign() -> None:
    assert format_pm(-0.001, 0.1) == "0.0 ± 0.2" and format_pm(-0.0001, 0.0) == "0.00" and format_pm(-0.3, 0.1) == "−0.3 ± 0.2"
