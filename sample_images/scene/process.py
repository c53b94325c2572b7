"""From a cause to a bead: how process, settings and a planted fault become shape and look.

The chain is cause -> settings -> bead. Only the settings know the fault; the bead is computed from settings:

* Metal: wire fed = metal laid, `area = yield * wire section * wire feed / travel` (conservation of mass).
* Current: the burn-off balance `feed = a I + b stickout I^2` solved for I (W. Lesnewich, "Control of melting rate
  and metal transfer", Welding Journal 37 (1958), form only; coefficients here are chosen to give usual currents).
* Arc length grows with volts above the process's own line `V = V0 + slope I`; the excess `volts_over` widens and
  flattens the bead, a deficit narrows and humps it (common practice, no source).
* Heat per length `H = V I / travel` sets the tint's width, the pool's length and so the ripples' sweep.
* A gun that leans pushes pool and heat to the side it points at: the freeze lines' foremost point and the crown
  of the face lie off the middle (common practice, no source).
* Pool speed: a fast pool is drawn to a V, lays a narrow humped bead and leaves the melted edge unfilled
  (undercut); a slow one rolls over its edge (lap) (common practice, no source).
* Shielding (gas flow, stick-out, dirt) sets pores, dullness, soot; transfer mode, volts and polarity set droplets.

Every relation without a source is common practice turned into a smooth curve; coefficients were chosen, once, so
that the beads of sound settings look like those of the process. They are a model of looks, not weld data.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, pi, sqrt

import numpy as np

PROCESSES: tuple[str, ...] = ("gmaw-s", "gmaw-spray", "gmaw-p", "fcaw-s", "fcaw-g")
JOINTS: tuple[str, ...] = ("tee", "butt", "plate")
FAULTS: tuple[str, ...] = (
    "travel too fast",
    "travel too slow",
    "travel unsteady",
    "work angle off",
    "volts low",
    "volts high",
    "ctwd long",
    "wrong polarity",
    "contaminated plate",
    "poor gas cover",
    "crater not filled",
)


@dataclass(frozen=True, slots=True)
class Settings:
    """What the welder set and did.

    Parameters
    ----------
    process : str
        One of `PROCESSES`.
    wire_mm, feed_m_per_min, volts, ctwd_mm : float
        Wire diameter [mm], wire feed [m/min], arc volts [V], contact tip to work distance [mm].
    travel_mm_per_min, travel_cv_ratio : float
        Mean travel speed [mm/min] and its coefficient of variation.
    work_angle_off_deg : float
        Torch turned from the bisector towards the base plate (positive) or the standing plate. [deg]
    gas_ratio : float
        Gas cover, 1 sound, 0 none; for self-shielded wire it is 1 unless the stick-out is short.
    electrode_positive : bool
        Polarity. Self-shielded wire runs negative, the others positive.
    dirt_ratio : float
        Paint, oil, rust under the arc, 0 clean to 1.
    crater_fill_ratio : float
        How much of the crater was filled before the arc was broken, 0 to 1.
    weave_mm : float
        Pitch of the hand's step or weave; 0 for a straight run. [mm]
    """

    process: str
    wire_mm: float
    feed_m_per_min: float
    volts: float
    ctwd_mm: float
    travel_mm_per_min: float
    travel_cv_ratio: float = 0.04
    work_angle_off_deg: float = 0.0
    gas_ratio: float = 1.0
    electrode_positive: bool = True
    dirt_ratio: float = 0.0
    crater_fill_ratio: float = 0.8
    weave_mm: float = 0.0

    @property
    def amps(self) -> float:
        """Current from the burn-off balance. [A]"""
        stickout_mm = max(self.ctwd_mm - 4.0, 5.0)
        section = pi * self.wire_mm**2 / 4.0
        a = 0.032 / section**0.65
        b = 4.2e-6 * stickout_mm / section**1.7
        return float((-a + sqrt(a * a + 4.0 * b * self.feed_m_per_min)) / (2.0 * b))

    @property
    def area_mm2(self) -> float:
        """Cross-section of the metal laid. [mm2]"""
        yields = {"gmaw-s": 0.96, "gmaw-spray": 0.97, "gmaw-p": 0.98, "fcaw-s": 0.80, "fcaw-g": 0.86}
        section = pi * self.wire_mm**2 / 4.0
        return yields[self.process] * section * self.feed_m_per_min * 1000.0 / self.travel_mm_per_min

    @property
    def heat_j_per_mm(self) -> float:
        """Arc energy per length. [J/mm]"""
        return 60.0 * self.volts * self.amps / self.travel_mm_per_min

    @property
    def volts_over(self) -> float:
        """Volts above the process's own line. [V]"""
        at, slope = {
            "gmaw-s": (13.8, 0.035),
            "gmaw-spray": (20.0, 0.027),
            "gmaw-p": (19.0, 0.025),
            "fcaw-s": (14.5, 0.024),
            "fcaw-g": (19.0, 0.032),
        }[self.process]
        return self.volts - (at + slope * self.amps)


@dataclass(frozen=True, slots=True)
class Look:
    """What the settings make of the bead; lengths in mm.

    Parameters
    ----------
    area_mm2 : float
        Mean cross-section. [mm2]
    leg_ratio : float
        Base leg over standing leg.
    hump_ratio : float
        Height of the bulge over half the toe-to-toe chord; negative is hollow.
    edge_power : float
        Shape of the bulge at the toes: 1 parabola, lower is steeper (rolled).
    spread_ratio : float
        Width of a flat bead over the square root of its area.
    drift_ratio, toe_rough_mm : float
        Slow change of size (as a share) and fine roughness of the toe line. [mm]
    ripple_mm, ripple_height_mm, ripple_jitter_ratio, ripple_sweep_ratio, ripple_power : float
        Ripple spacing [mm], height [mm], irregularity, sweep over chord, and shape (1 V, 2 C).
    lean_ratio : float
        How far the ripples' foremost point lies off the middle, over half the width; positive towards the lower toe's plate.
    lump_mm : float
        Height of coarse surface roughness. [mm]
    undercut_mm, undercut_share : float
        Depth [mm] and share of the length; on which toe the bead decides by angle and gravity.
    lap_share : float
        Share of the length with a rolled-over toe.
    n_pores_per_100mm : float
        Surface pores on 100 mm.
    crater_mm : float
        Depth of the crater. [mm]
    n_spatter_per_100mm, spatter_median_mm, spatter_sigma, spatter_reach_mm : float
        Droplets on 100 mm of bead, log-normal diameter [mm], and decay length of their density [mm].
    slag_share, silica_share : float
        Share of the face under slag, and of its seams under glassy silica.
    soot_ratio, fume_ratio : float
        Dark smoke and pale fume on the plates, 0 to 1.
    tint_mm : float
        Width of the heat tint. [mm]
    dull_ratio : float
        Oxidation of the face, 0 bright to 1 dull grey.
    """

    area_mm2: float
    leg_ratio: float
    hump_ratio: float
    edge_power: float
    spread_ratio: float
    drift_ratio: float
    toe_rough_mm: float
    ripple_mm: float
    ripple_height_mm: float
    ripple_jitter_ratio: float
    ripple_sweep_ratio: float
    ripple_power: float
    lean_ratio: float
    lump_mm: float
    undercut_mm: float
    undercut_share: float
    lap_share: float
    n_pores_per_100mm: float
    crater_mm: float
    n_spatter_per_100mm: float
    spatter_median_mm: float
    spatter_sigma: float
    spatter_reach_mm: float
    slag_share: float
    silica_share: float
    soot_ratio: float
    fume_ratio: float
    tint_mm: float
    dull_ratio: float


#            wire, feed lo-hi, ctwd, travel lo-hi
_WINDOWS: dict[str, tuple[float, float, float, float, float, float]] = {
    "gmaw-s": (0.9, 4.0, 7.0, 12.0, 180.0, 330.0),
    "gmaw-spray": (1.2, 8.0, 11.5, 18.0, 280.0, 480.0),
    "gmaw-p": (1.2, 5.0, 9.0, 17.0, 230.0, 420.0),
    "fcaw-s": (1.7, 2.4, 4.2, 22.0, 160.0, 300.0),
    "fcaw-g": (1.2, 7.0, 12.0, 19.0, 250.0, 450.0),
}
#          hump, edge, spread, toe rough, ripple, height, jitter, sweep, power, lump, spatter n, median, sigma,
#          reach, slag, silica, soot, fume
_LOOKS: dict[str, tuple[float, ...]] = {
    "gmaw-s": (
        0.24,
        0.85,
        2.3,
        0.07,
        1.25,
        0.075,
        0.14,
        0.35,
        1.9,
        0.020,
        22,
        0.50,
        0.45,
        14,
        0,
        0.07,
        0.12,
        0.05,
    ),
    "gmaw-spray": (
        0.10,
        1.0,
        2.9,
        0.04,
        0.55,
        0.022,
        0.25,
        0.75,
        1.5,
        0.010,
        7,
        0.36,
        0.40,
        12,
        0,
        0.10,
        0.22,
        0.15,
    ),
    "gmaw-p": (
        0.17,
        0.95,
        2.6,
        0.03,
        0.90,
        0.045,
        0.10,
        0.50,
        1.8,
        0.008,
        4,
        0.34,
        0.35,
        10,
        0,
        0.04,
        0.06,
        0.04,
    ),
    "fcaw-s": (
        0.22,
        0.85,
        2.5,
        0.14,
        1.60,
        0.10,
        0.40,
        0.45,
        1.7,
        0.085,
        75,
        0.60,
        0.55,
        20,
        0.20,
        0.0,
        0.75,
        0.6,
    ),
    "fcaw-g": (
        0.08,
        1.0,
        2.8,
        0.05,
        0.60,
        0.028,
        0.22,
        0.60,
        1.8,
        0.012,
        14,
        0.42,
        0.45,
        14,
        0.05,
        0.03,
        0.25,
        0.2,
    ),
}


def sound_settings(rng: np.random.Generator, process: str, *, area_mm2: float | None = None) -> Settings:
    """Settings within the process's usual window.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    process : str
        One of `PROCESSES`.
    area_mm2 : float, optional
        Metal wanted; the travel speed is set for it. [mm2]
    """
    wire, feed_low, feed_high, ctwd, slow, quick = _WINDOWS[process]
    draft = Settings(
        process,
        wire,
        float(rng.uniform(feed_low, feed_high)),
        0.0,
        ctwd + float(rng.normal(0.0, 1.0)),
        float(rng.uniform(slow, quick)),
        travel_cv_ratio=float(rng.uniform(0.02, 0.06)),
        work_angle_off_deg=float(rng.normal(0.0, 2.0)),
        electrode_positive=process != "fcaw-s",
        crater_fill_ratio=float(rng.uniform(0.6, 0.95)),
        weave_mm=float(rng.uniform(1.8, 3.2)) if process in ("gmaw-s", "gmaw-p") and rng.random() < 0.3 else 0.0,
    )
    if area_mm2 is not None:
        draft = replace(draft, travel_mm_per_min=draft.travel_mm_per_min * draft.area_mm2 / area_mm2)
    return replace(draft, volts=-draft.volts_over + float(rng.normal(0.0, 0.35)))


def faulty_settings(rng: np.random.Generator, sound: Settings, fault: str) -> Settings:
    """The same settings with one thing wrong.

    Raises
    ------
    ValueError
        A fault that does not exist, or that this process cannot have.
    """
    if not can_have(sound.process, fault):
        raise ValueError(f"{sound.process} cannot have the fault {fault!r}; faults are {', '.join(FAULTS)}")
    u = float(rng.uniform(0.0, 1.0))
    side = 1.0 if rng.random() < 0.5 else -1.0
    changes: dict[str, dict[str, float | bool]] = {
        "travel too fast": {"travel_mm_per_min": sound.travel_mm_per_min * (1.7 + 0.5 * u)},
        "travel too slow": {"travel_mm_per_min": sound.travel_mm_per_min * (0.48 + 0.12 * u)},
        "travel unsteady": {"travel_cv_ratio": 0.25 + 0.12 * u},
        "work angle off": {"work_angle_off_deg": side * (14.0 + 8.0 * u)},
        "volts low": {"volts": sound.volts - (2.8 + 1.4 * u)},
        "volts high": {"volts": sound.volts + (3.0 + 2.0 * u)},
        "ctwd long": {
            "ctwd_mm": sound.ctwd_mm * (1.8 + 0.5 * u),
            "gas_ratio": sound.gas_ratio if sound.process == "fcaw-s" else 0.8,
        },
        "wrong polarity": {"electrode_positive": not sound.electrode_positive},
        "contaminated plate": {"dirt_ratio": 0.6 + 0.4 * u},
        "poor gas cover": {"gas_ratio": 0.1 + 0.3 * u},
        "crater not filled": {"crater_fill_ratio": 0.0 + 0.1 * u},
    }
    return replace(sound, **changes[fault])  # type: ignore[arg-type]


def can_have(process: str, fault: str) -> bool:
    """Whether a process can have a fault: polarity is asked of self-shielded wire, gas of the others."""
    if fault not in FAULTS:
        return False
    if fault == "wrong polarity":
        return process == "fcaw-s"
    return not (fault == "poor gas cover" and process == "fcaw-s")


def look_of(settings: Settings, sound: Settings) -> Look:
    """What the settings make of the bead, relative to the process's sound settings.

    Parameters
    ----------
    settings, sound : Settings
        What was done, and the sound settings it departs from (for speed and heat ratios).
    """
    (hump, edge, spread, rough, ripple, height, jitter, sweep, power, lump, n_spatter, median, sigma,
     reach, slag, silica, soot, fume) = _LOOKS[settings.process]  # fmt: skip
    speed = settings.travel_mm_per_min / sound.travel_mm_per_min
    over = settings.volts_over
    cold = max(0.0, sound.amps / settings.amps - 1.0)  # long stick-out takes current away
    fast, slow = max(0.0, speed - 1.25), max(0.0, 0.8 / speed - 1.0)
    low, high = max(0.0, -over - 0.7), max(0.0, over - 0.9)
    gas_lack = 1.0 - settings.gas_ratio
    dirt = settings.dirt_ratio
    own_polarity = settings.electrode_positive == (settings.process != "fcaw-s")
    wrong = 0.0 if own_polarity else 1.0
    angle = settings.work_angle_off_deg
    weave = settings.weave_mm
    disorder = 1.0 + 0.5 * low + 3.0 * cold + 1.2 * wrong + 0.8 * gas_lack + 0.8 * dirt
    return Look(
        area_mm2=settings.area_mm2,
        leg_ratio=exp(0.030 * angle + 0.04),
        hump_ratio=hump + 0.11 * low - 0.045 * high + 0.16 * fast + 0.10 * slow + 0.5 * cold + 0.12 * wrong,
        edge_power=max(0.5, edge - 0.11 * low - 0.12 * fast - 0.18 * slow - 0.5 * cold + 0.05 * high),
        spread_ratio=spread * (1.0 - 0.07 * low + 0.055 * high - 0.5 * cold - 0.10 * fast - 0.1 * wrong),
        drift_ratio=0.02 + 0.75 * settings.travel_cv_ratio,
        toe_rough_mm=rough * disorder,
        ripple_mm=weave if weave > 0.0 else ripple * (1.0 + 0.5 * fast + 0.5 * slow),
        ripple_height_mm=(1.5 * height if weave > 0.0 else height) * (1.0 + 0.8 * slow + 0.3 * low),
        ripple_jitter_ratio=min(0.6, jitter * disorder),
        ripple_sweep_ratio=sweep * (1.0 + 1.6 * fast - 0.3 * min(slow, 1.0)),
        ripple_power=max(1.0, power - 0.8 * fast),
        lean_ratio=max(-0.5, min(0.5, 0.018 * angle)),
        lump_mm=lump * disorder**1.5,
        undercut_mm=min(0.9, 0.05 + 0.45 * fast + 0.13 * high + 0.014 * max(0.0, abs(angle) - 8.0)),
        undercut_share=min(0.85, 0.65 * fast + 0.16 * high + 0.04 * max(0.0, abs(angle) - 8.0)),
        lap_share=min(0.8, 0.55 * slow + 0.12 * low + 0.3 * cold),
        n_pores_per_100mm=14.0 * gas_lack**1.3 + 7.0 * dirt + 4.0 * wrong + 1.5 * cold,
        crater_mm=0.15 + 1.35 * (1.0 - settings.crater_fill_ratio),
        n_spatter_per_100mm=n_spatter
        * (1.0 + 1.1 * low + 0.7 * high + 4.0 * cold + 1.8 * wrong + 2.0 * gas_lack + 1.5 * dirt),  # fmt: skip
        spatter_median_mm=median * (1.0 + 0.22 * low + 0.02 * high + 0.9 * cold + 0.35 * wrong),
        spatter_sigma=sigma + 0.05 * low,
        spatter_reach_mm=reach * (1.0 + 0.12 * high),
        slag_share=slag * (1.0 + 0.5 * wrong),
        silica_share=silica * (1.0 + 0.5 * dirt),
        soot_ratio=min(1.0, soot * (1.0 + 0.35 * high) + 0.35 * dirt + 0.35 * gas_lack + 0.15 * wrong),
        fume_ratio=min(1.0, fume + 0.1 * high),
        tint_mm=9.0 * (settings.heat_j_per_mm / 600.0) ** 0.6,
        dull_ratio=min(1.0, 0.15 + 0.75 * gas_lack + 0.25 * dirt + (0.35 if settings.process == "fcaw-s" else 0.0)),
    )
