"""Wire-feed volume balance and heat input: what size the settings make, and what travel speed a bead's size implies.

Volume balance: what the wire brings in, less what is lost, is what the bead's section times the travel takes.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import asin, hypot, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from toeline.measure.result import BeadSize
from toeline.quantity import Measured, linear

__all__ = [
    "ASSUMED_FACE",
    "convex_segment_mm2",
    "deposition_kg_per_h",
    "expected_area_mm2",
    "expected_leg_mm",
    "fillet_area_mm2",
    "heat_input_kj_per_mm",
    "implied_travel_mm_per_min",
    "speed_along_bead",
    "wire_g_per_mm",
]

STEEL_G_PER_MM3 = 7.85e-3


def expected_area_mm2(
    wire_diameter_mm: float, wire_feed_mm_per_min: float, travel_mm_per_min: float, deposition_ratio: float
) -> float:
    """Section of the deposited metal [mm²] = η · (π/4) d² · feed / travel (conservation of volume)."""
    return deposition_ratio * pi / 4 * wire_diameter_mm**2 * wire_feed_mm_per_min / travel_mm_per_min


def convex_segment_mm2(chord_mm: float, convexity_mm: float) -> float:
    """Area between toe-to-toe chord and a circular-arc face [mm²]; negative for a hollow face.

    R = (W²/4 + C²) / (2 C), θ = 2 asin(W / 2R), S = R² (θ − sin θ) / 2 (circle geometry; valid for C ≤ W/2).
    """
    depth = abs(convexity_mm)
    if depth < 1e-9:
        return 0.0
    radius = (chord_mm**2 / 4 + depth**2) / (2 * depth)
    angle = 2 * asin(min(1.0, chord_mm / (2 * radius)))
    return (1 if convexity_mm > 0 else -1) * radius**2 * (angle - sin(angle)) / 2


def fillet_area_mm2(leg_base_mm: float, leg_standing_mm: float, *, convexity_mm: float = 0.0, gap_mm: float = 0.0) -> float:
    """Metal in a right-angled fillet [mm²]: flat triangle, the arc on its face, and the root gap filled along one leg."""
    flat = leg_base_mm * leg_standing_mm / 2
    return flat + convex_segment_mm2(hypot(leg_base_mm, leg_standing_mm), convexity_mm) + gap_mm * leg_base_mm


def expected_leg_mm(
    wire_diameter_mm: float,
    wire_feed_mm_per_min: float,
    travel_mm_per_min: float,
    deposition_ratio: float,
    *,
    convexity_mm: float = 0.0,
    gap_mm: float = 0.0,
) -> float:
    """Leg of the equal-leg fillet that the wire fills [mm].

    Flat and without gap z = √(2 A); otherwise the z whose area, arc and gap fit, by bisection.
    """
    area = expected_area_mm2(wire_diameter_mm, wire_feed_mm_per_min, travel_mm_per_min, deposition_ratio)
    low, high = 0.0, 2 * sqrt(2 * area) + 2 * abs(convexity_mm)
    if convexity_mm == 0 and gap_mm == 0:
        return sqrt(2 * area)
    for _ in range(60):
        middle = (low + high) / 2
        filled = fillet_area_mm2(middle, middle, convexity_mm=min(convexity_mm, middle / sqrt(2)), gap_mm=gap_mm)
        low, high = (middle, high) if filled < area else (low, middle)
    return (low + high) / 2


def deposition_kg_per_h(wire_diameter_mm: float, wire_feed_mm_per_min: float, deposition_ratio: float) -> float:
    """Deposited mass per hour of arc [kg/h], steel of 7.85 g/cm³."""
    return deposition_ratio * pi / 4 * wire_diameter_mm**2 * wire_feed_mm_per_min * 60 * STEEL_G_PER_MM3 / 1000


def wire_g_per_mm(settings: Mapping[str, float | str]) -> float | None:
    """Wire fed for each millimetre of bead [g/mm] = (π/4) d² · feed / travel · 7.85 g/cm³; None unless all three are known."""
    told = [settings.get(key) for key in ("wire_diameter_mm", "wire_feed_mm_per_min", "travel_speed_mm_per_min")]
    if not all(isinstance(value, int | float) and value > 0 for value in told):
        return None
    diameter, feed, travel = (float(value) for value in told if value is not None)
    return pi / 4 * diameter**2 * feed / travel * STEEL_G_PER_MM3


ASSUMED_FACE = (
    "assumes a nearly flat face (a photo shows neither hollow nor convexity; give a gauge reading to narrow it) and no root gap"
)


def implied_travel_mm_per_min(
    leg_base_mm: Measured,
    leg_standing_mm: Measured,
    *,
    wire_diameter_mm: float,
    wire_feed_mm_per_min: float,
    deposition_ratio: float,
    deposition_u_ratio: float = 0.02,
    wire_feed_u_ratio: float = 0.04,
    convexity_mm: Measured | None = None,
    gap_mm: float = 0.0,
) -> Measured:
    """Travel speed that a fillet of these legs implies [mm/min].

    Notes
    -----
    v = η (π/4) d² feed / A, A = fillet area. Unless a gauge says otherwise the face's convexity is taken as spread
    evenly from −1/12 to +1/6 of the leg (mean 1/24, u = leg/4/√12): 1 mm more on a 6 mm fillet adds a third to its
    area. Legs that share a scale are added with their signs. u is first order (GUM 5.1.2).
    """
    b, s = leg_base_mm.value, leg_standing_mm.value
    leg = (b + s) / 2
    face = convexity_mm or Measured(leg / 24, leg / 4 / sqrt(12))
    area = fillet_area_mm2(b, s, convexity_mm=face.value, gap_mm=gap_mm)
    speed = deposition_ratio * pi / 4 * wire_diameter_mm**2 * wire_feed_mm_per_min / area
    step = 0.01

    def slope(db: float, ds: float, dc: float) -> float:
        moved = fillet_area_mm2(b + db, s + ds, convexity_mm=face.value + dc, gap_mm=gap_mm)
        return -(moved - area) / step * speed / area

    own = (
        Measured(0.0, deposition_u_ratio / deposition_ratio),
        Measured(0.0, wire_feed_u_ratio),
        Measured(0.0, 2 * 0.01),  # wire diameter within 1 % (tolerance of drawn wire, common practice, no source)
    )
    terms = (leg_base_mm, leg_standing_mm, face, *own)
    return linear(speed, terms, (slope(step, 0, 0), slope(0, step, 0), slope(0, 0, step), speed, speed, speed))


def speed_along_bead(
    size: BeadSize, *, mean_mm_per_min: float | None = None, window_mm: float = 5.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the hand slowed down: local travel speed over the mean of the steady part, from local size.

    Fillets: speed ∝ 1 / (leg · leg). Flat beads: a width alone gives no area, so nothing is returned.

    Returns
    -------
    along_mm, speed : ndarray, shape (n,)
        Speed as a ratio to the mean, or in mm/min where the mean is given. Assumes the same face shape and feed all along.
    """
    st, steady = size.stations, size.steady
    if st.leg_base_mm.size == 0 or not steady.any():
        return np.empty(0), np.empty(0)
    along, area = st.along_mm[steady], (st.leg_base_mm * st.leg_standing_mm)[steady]
    good = np.isfinite(area) & (area > 0)
    along, area = along[good], area[good]
    if along.size < 3:
        return np.empty(0), np.empty(0)
    n = max(1, round(window_mm / float(np.median(np.diff(along)))))
    padded = np.pad(area, (n // 2, n - 1 - n // 2), mode="edge")
    smooth = np.convolve(padded, np.ones(n) / n, mode="valid")
    ratio = 1 / smooth
    ratio = ratio / (along.size / np.sum(1 / ratio))  # the mean speed is the harmonic one: same length, all the time it took
    return along, ratio * (mean_mm_per_min or 1.0)


def heat_input_kj_per_mm(
    voltage_v: float, current_a: float, travel_mm_per_min: float, *, arc_efficiency_ratio: float | None = None
) -> float:
    """Heat input per length [kJ/mm].

    Without an arc efficiency: H = 60 V I / (1000 S), the AWS convention. With one: Q = k V I / (1000 v), EN 1011-1 (k =
    0.8 for wire processes): a fifth less for the same weld, so always say which one.
    """
    return (arc_efficiency_ratio or 1.0) * 60 * voltage_v * current_a / (1000 * travel_mm_per_min)
