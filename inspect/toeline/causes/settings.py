"""Machine settings as a person enters them, and whether they fit each other, the process and the wire. All are optional."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from math import hypot, log
from pathlib import Path
from statistics import NormalDist
from types import MappingProxyType
from typing import Literal

import numpy as np

from toeline.errors import BadUsage
from toeline.processes import Process
from toeline.quantity import Measured

__all__ = [
    "SettingCheck",
    "SprayCheck",
    "can_spray",
    "check_settings",
    "current_from_feed",
    "normalised",
    "read_settings",
]

Settings = Mapping[str, float | str]

MM_PER_INCH = 25.4

_NUMBERS: dict[str, tuple[float, float]] = {  # name: what can be right
    "voltage_v": (8, 60),
    "current_a": (10, 800),
    "wire_feed_mm_per_min": (500, 40_000),
    "wire_diameter_mm": (0.5, 4.0),
    "travel_speed_mm_per_min": (20, 3000),
    "ctwd_mm": (2, 120),
    "gas_flow_l_per_min": (0, 80),
    "argon_percent": (0, 100),
    "deposition_ratio": (0.5, 1.0),
    "trim": (-50, 300),
    "tap": (1, 60),
    "voltage_dial": (0, 100),
    "wire_feed_dial": (0, 100),
    "inductance": (-50, 100),
}
_CONVERTED: dict[str, tuple[str, float]] = {
    "wire_feed_in_per_min": ("wire_feed_mm_per_min", MM_PER_INCH),
    "wire_feed_m_per_min": ("wire_feed_mm_per_min", 1000.0),
    "wire_diameter_in": ("wire_diameter_mm", MM_PER_INCH),
    "travel_speed_in_per_min": ("travel_speed_mm_per_min", MM_PER_INCH),
    "travel_speed_cm_per_min": ("travel_speed_mm_per_min", 10.0),
    "travel_speed_mm_per_s": ("travel_speed_mm_per_min", 60.0),
    "ctwd_in": ("ctwd_mm", MM_PER_INCH),
    "gas_flow_cfh": ("gas_flow_l_per_min", 28.316847 / 60),
    "wire_in_6_s_mm": ("wire_feed_mm_per_min", 10.0),
}
_TIMED: dict[str, tuple[str, float]] = {  # a time that a stopwatch gives → length [mm] in it
    "seconds_for_100_mm": ("travel_speed_mm_per_min", 100.0),
}
_WORDS: dict[str, tuple[str, ...] | None] = {  # None: any text
    "gas": None,
    "polarity": ("DCEP", "DCEN"),
    "wire_class": None,
    "machine": None,
}


def read_settings(path: Path) -> Settings:
    """Settings from a TOML file of ``name_unit = value`` lines; inches and feet are turned into millimetres and litres.

    Raises
    ------
    BadUsage
        The file is not TOML, or has a key nobody reads (the valid ones are named), or a value that can't be right.
    """
    try:
        table = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise BadUsage(f"The settings file {path} can't be read ({error.strerror or error}).", advice="Check its path.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadUsage(
            f"The settings file {path} is not valid TOML: {error}.", advice="Write lines like voltage_v = 18.5."
        ) from None
    return normalised(table)


def normalised(table: Mapping[str, object]) -> Settings:
    """The same settings in the package's own units, checked; see :func:`read_settings`."""
    made: dict[str, float | str] = {}
    for key, value in table.items():
        if key in _TIMED:
            name, length_mm = _TIMED[key]
            if name in made:
                raise BadUsage(f"The settings give {name} twice.", advice="Keep one of the two.")
            made[name] = 60.0 * length_mm / _number(key, value, 1.0, (2.0, 300.0))
            continue
        name, factor = _CONVERTED.get(key, (key, 1.0))
        if name in made:
            raise BadUsage(f"The settings give {name} twice.", advice="Keep one of the two units.")
        if name in _NUMBERS:
            made[name] = _number(key, value, factor, _NUMBERS[name])
        elif key in _WORDS:
            made[key] = _word(key, value, _WORDS[key])
        else:
            raise BadUsage(f"The setting {key!r} is not known.", advice=_meant(key))
    if "argon_percent" not in made and isinstance(made.get("gas"), str):
        share = argon_share(str(made["gas"]))
        if share is not None:
            made["argon_percent"] = share
    return MappingProxyType(made)


def _meant(key: str) -> str:
    """The names that are nearest to a key nobody reads; where none is near, those in the package's own units."""
    names = (*_NUMBERS, *_CONVERTED, *_TIMED, *_WORDS)
    word = key.lower()
    alike = [name for name in names if len(word) > 2 and word[:4] in name] or get_close_matches(word, names, cutoff=0.5)
    return f"Did you mean {' or '.join(alike[:3])}?" if alike else f"Valid names: {', '.join((*_NUMBERS, *_WORDS))}."


def _number(key: str, value: object, factor: float, right: tuple[float, float]) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadUsage(f"The setting {key} must be a number, got {value!r}.", advice="Write it without quotes.")
    if not right[0] <= value * factor <= right[1]:
        low, high = right[0] / factor, right[1] / factor
        raise BadUsage(f"The setting {key} of {value} can't be right.", advice=f"It should lie between {low:g} and {high:g}.")
    return float(value) * factor


def _word(key: str, value: object, allowed: tuple[str, ...] | None) -> str:
    if not isinstance(value, str):
        raise BadUsage(f"The setting {key} must be text, got {value!r}.", advice='Write it in quotes, like gas = "90 Ar 10 CO2".')
    if allowed and value.upper() not in allowed:
        raise BadUsage(f"The setting {key} is {value!r}.", advice=f"Use one of: {', '.join(allowed)}.")
    return value.upper() if allowed else value


def argon_share(gas: str) -> float | None:
    """Argon share [%] of a gas written like ``90 Ar 10 CO2``, ``Ar/CO2 75/25``, ``75/25``, ``C25``, ``CO2``; None where
    it can't be read.
    """
    text = gas.lower().replace("%", " ").replace(",", " ").replace("+", " ")
    numbers = [
        float(t)
        for t in "".join(c if c.isdigit() or c == "." else " " for c in text.replace("co2", "").replace("o2", "")).split()
    ]
    if "ar" not in text and not numbers and "co2" in text:
        return 0.0
    if text.strip().startswith("c") and len(numbers) == 1 and "co" not in text:
        return 100.0 - numbers[0]
    if len(numbers) >= 2 and abs(sum(numbers) - 100) < 1.5:
        co2_first = "co2" in text and "ar" in text and text.index("co2") < text.index("ar")
        return numbers[-1] if co2_first else numbers[0]
    if len(numbers) == 1 and "co2" in text and ("ar" in text or numbers[0] < 100):
        return 100.0 - numbers[0]
    if "ar" in text and not numbers and "co2" not in text:
        return 100.0
    return 0.0 if "co2" in text and numbers == [100.0] else None


def _get(settings: Settings, key: str) -> float | None:
    value = settings.get(key)
    return float(value) if isinstance(value, int | float) else None


# in/min per ampere by wire diameter [mm]; a machine maker's settings page (2.0, 1.6, 1.0, 3.5), the rest between
_FEED_PER_AMP = ((0.6, 3.5), (0.76, 2.0), (0.89, 1.6), (1.14, 1.0))


# Beyond the rule's amps the wire's own resistance melts part of it. Fitted to a wire maker's typical procedures, 0.045 in at 19–25 mm
# (180 A at 250, 275 A at 450, 340 A at 650 in/min); electrical extension about CTWD − 6 mm (a wire maker's question-and-answer page).
_RESISTIVE = 7.1e-6 / 16.0
_TIP_TO_ARC_MM = 6.0


def current_from_feed(wire_diameter_mm: float, wire_feed_mm_per_min: float, *, ctwd_mm: float = 9.5) -> Measured:
    """Amps that a solid wire draws at this feed, by rule of thumb, u about 12 % [A].

    Feed per ampere is interpolated in log–log by diameter between 0.6 and 1.14 mm and extended with the same slope; it grows with the
    square of the current density and with the stick-out (form of W. Lesnewich's melting rate, Welding Journal 37, 1958).
    """
    d = np.log([row[0] for row in _FEED_PER_AMP])
    f = np.log([row[1] for row in _FEED_PER_AMP])
    x = log(wire_diameter_mm)
    if x > d[-1]:
        y = f[-1] + (x - d[-1]) * (f[-1] - f[-2]) / (d[-1] - d[-2])
    else:
        y = float(np.interp(x, d, f))
    amps = plain = wire_feed_mm_per_min / MM_PER_INCH / float(np.exp(y))
    section = np.pi * wire_diameter_mm**2 / 4
    rise = _RESISTIVE * max(ctwd_mm - _TIP_TO_ARC_MM, 0.0) / section**2
    for _ in range(40):  # plain = amps (1 + rise amps²), by halved steps
        amps = 0.5 * (amps + plain / (1 + rise * amps * amps))
    return Measured(amps, 0.12 * amps)


@dataclass(frozen=True, slots=True)
class SprayCheck:
    """Can this gas and these amps spray at all?"""

    answer: Literal["yes", "marginal", "no", "not known"]
    current_a: float | None
    transition_a: float | None
    why: str
    source: str


def can_spray(process: Process, settings: Settings) -> SprayCheck:
    """Transition check: argon share first, then amps against the wire's transition current."""
    table = process.transition
    if table is None:
        return SprayCheck("not known", None, None, "This process does not live by spray transfer.", "")
    argon, wire = _get(settings, "argon_percent"), _get(settings, "wire_diameter_mm")
    amps = _amps(process, settings)
    transition = _transition_a(table.current_a_by_wire_mm, wire) if wire else None
    current = amps.value if amps else None
    if argon is not None and argon < table.argon_marginal_percent:
        why = f"{argon:.0f} % argon is too little: below {table.argon_marginal_percent:.0f} % the arc stays globular."
        return SprayCheck("no", current, transition, why, table.source)
    if amps is None or transition is None:
        answer: Literal["marginal", "not known"] = (
            "marginal" if argon is not None and argon < table.argon_possible_percent else "not known"
        )
        return SprayCheck(
            answer, current, transition, "Give wire diameter and amps (or wire feed) to check the transition.", table.source
        )
    u = hypot(amps.u, table.u_ratio * transition)
    if amps.value < transition - u:
        why = f"about {amps.value:.0f} A is below the {transition:.0f} A that this wire needs to spray."
        return SprayCheck("no", current, transition, why, table.source)
    marginal = amps.value < transition + u or (argon is not None and argon < table.argon_possible_percent)
    why = f"about {amps.value:.0f} A against {transition:.0f} A for this wire" + (
        "" if argon is None else f", {argon:.0f} % argon"
    )
    return SprayCheck("marginal" if marginal else "yes", current, transition, why + ".", table.source)


def _transition_a(table: Mapping[float, float], wire_mm: float) -> float | None:
    wires = sorted(table)
    if not 0.9 * wires[0] <= wire_mm <= 1.1 * wires[-1]:
        return None
    return float(np.interp(wire_mm, wires, [table[w] for w in wires]))


def _amps(process: Process, settings: Settings) -> Measured | None:
    amps = _get(settings, "current_a")
    if amps is not None:
        return Measured(amps, 0.04 * amps)
    wire, feed = _get(settings, "wire_diameter_mm"), _get(settings, "wire_feed_mm_per_min")
    ctwd = _get(settings, "ctwd_mm") or sum(process.ctwd_mm) / 2
    return current_from_feed(wire, feed, ctwd_mm=ctwd) if wire and feed else None


@dataclass(frozen=True, slots=True)
class SettingCheck:
    """One setting against what is usual.

    Attributes
    ----------
    sign : str
        The sign that it speaks for (``set-volts-low`` …).
    probability : float
        That the setting is truly off in that direction.
    words : str
        For a person, with the numbers.
    source : str
    """

    sign: str
    probability: float
    words: str
    source: str


def _beyond(value: float, edge: float, soft: float) -> float:
    return NormalDist().cdf((value - edge) / soft)


def _range_checks(
    name: str, value: float, low: float, high: float, soft: float, unit: str, label: str, source: str
) -> tuple[SettingCheck, ...]:
    words = f"{label} {value:.4g} {unit}; usual is {low:.4g}–{high:.4g} {unit}"
    return (
        SettingCheck(f"set-{name}-low" if name != "ctwd" else "set-ctwd-short", _beyond(low, value, soft), words, source),
        SettingCheck(f"set-{name}-high" if name != "ctwd" else "set-ctwd-long", _beyond(value, high, soft), words, source),
    )


def check_settings(process: Process, settings: Settings, *, position: str | None = None) -> tuple[SettingCheck, ...]:
    """Every entered setting against the process's windows; settings that were not entered say nothing."""
    checks: list[SettingCheck] = []
    wire_class = process.wire_classes.get(str(settings.get("wire_class", "")))
    checks += _window_checks(process, settings)
    ctwd = _get(settings, "ctwd_mm")
    if ctwd is not None:
        low, high = wire_class.ctwd_mm if wire_class else process.ctwd_mm
        checks += _range_checks("ctwd", ctwd, low, high, 0.15 * high, "mm", "contact-tip distance", "operating manuals")
    flow = _get(settings, "gas_flow_l_per_min")
    if flow is not None and process.gas_shielded:
        low, high = process.gas_flow_l_per_min
        checks += _range_checks("gas-flow", flow, low, high, 1.5, "L/min", "gas flow", "a course page: 25–45 cfh by wire")
    argon = _get(settings, "argon_percent")
    if argon is not None and process.argon_percent is not None:
        low, high = process.argon_percent
        p = max(_beyond(low, argon, 3.0), _beyond(argon, high, 2.0))
        checks.append(SettingCheck("set-gas-wrong", p, f"{argon:.0f} % argon; usual is {low:.0f}–{high:.0f} %", "process table"))
    if process.transition is not None:
        spray = can_spray(process, settings)
        p_no = {"yes": 0.05, "marginal": 0.5, "no": 0.95}.get(spray.answer)
        if p_no is not None:
            checks.append(SettingCheck("set-no-spray", p_no, spray.why, spray.source))
    polarity = settings.get("polarity")
    if polarity:
        usual = wire_class.polarity if wire_class else process.polarity
        p = 0.02 if polarity in usual else (0.97 if wire_class or len(process.wire_classes) == 0 else 0.85)
        checks.append(SettingCheck("set-polarity-wrong", p, f"{polarity}; usual is {' or '.join(usual)}", "process table"))
    if position:
        fits = position in (wire_class.positions if wire_class else process.positions)
        checks.append(SettingCheck("position-unsuited", 0.03 if fits else 0.95, f"position {position}", "process table"))
    return tuple(checks)


def _window_checks(process: Process, settings: Settings) -> list[SettingCheck]:
    """Volts, amps and feed against the row of the nearest wire; volts against amps where the process has that rule."""
    wire = _get(settings, "wire_diameter_mm")
    volts, feed = _get(settings, "voltage_v"), _get(settings, "wire_feed_mm_per_min")
    amps = _amps(process, settings)
    checks: list[SettingCheck] = []
    window = min(process.windows, key=lambda w: abs(w.wire_diameter_mm - (wire or 0)), default=None) if wire else None
    if window is not None and wire is not None and abs(window.wire_diameter_mm - wire) > 0.12:
        window = None
    rule = process.volts_for_amps
    if volts is not None and amps is not None and rule is not None:
        fit = rule.constant_v + rule.per_amp_v * amps.value
        soft = hypot(rule.u_v, rule.per_amp_v * amps.u)
        checks += _range_checks(
            "volts", volts, fit - rule.below_v, fit + rule.above_v, soft, "V", f"at about {amps.value:.0f} A,", rule.source
        )
    elif volts is not None and window is not None and window.voltage_v is not None:
        checks += _range_checks("volts", volts, *window.voltage_v, 0.8, "V", "volts", window.source)
    if window is not None and feed is not None and window.wire_feed_mm_per_min is not None:
        low, high = window.wire_feed_mm_per_min
        checks += _range_checks("feed", feed, low, high, 0.08 * high, "mm/min", "wire feed", window.source)
    elif window is not None and amps is not None and window.current_a is not None and not process.slag:
        low, high = window.current_a
        checks += _range_checks("feed", amps.value, low, high, hypot(0.05 * high, amps.u), "A", "about", window.source)
    elif window is not None and window.current_a is not None and (entered := _get(settings, "current_a")) is not None:
        checks += _range_checks("feed", entered, *window.current_a, 0.06 * window.current_a[1], "A", "amps", window.source)
    return checks
