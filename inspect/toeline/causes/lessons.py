"""What the outcome of a change taught, in words: what was changed, what came of it, and what that says of the cause."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, hypot

from toeline.causes.reasoning import Lesson, Past
from toeline.causes.signs import all_signs
from toeline.coupon import Coupon
from toeline.processes import Process
from toeline.quantity import Measured

__all__ = ["lesson_words"]

_CLEAR = 2.0  # a difference of so many standard uncertainties is told
_SAYS_SOMETHING = 1.25  # odds that changed by less than this factor say little
_AT_MOST = 2
_THERE = 0.6

#: Quantity → what it is called, factor, unit, decimals.
_NAMES: Mapping[str, tuple[str, float, str, int]] = {
    "width_ratio": ("the width", 100, "% of the target", 0),
    "width_mm": ("the width", 1, "mm", 1),
    "leg_ratio": ("the mean leg", 100, "% of the target", 0),
    "leg_difference_ratio": ("standing less base leg", 100, "% of their mean", 0),
    "width_cv_ratio": ("the unevenness of the width", 100, "%", 0),
    "wander_mm": ("the wander", 1, "mm", 2),
    "waviness_mm": ("the waviness of the toes", 1, "mm", 2),
    "width_drift_ratio": ("the change of width along the bead", 100, "%", 0),
    "straightness_mm": ("the distance from a straight line", 1, "mm", 1),
    "ripple_spacing_mm": ("the ripple spacing", 1, "mm", 1),
    "spatter_log": ("spatter", 1, "per cm²", 2),
    "spatter_coarse_ratio": ("the share of coarse spatter", 100, "%", 0),
    "convexity_ratio": ("the convexity", 100, "% of the face width", 0),
}
_UNITS = {"v": "V", "a": "A", "mm": "mm", "percent": "%"}


def lesson_words(
    lessons: Sequence[Lesson],
    history: Sequence[Past],
    *,
    known: Mapping[str, Measured],
    signs: Mapping[str, float],
    coupon: Coupon,
    process: Process,
) -> tuple[str, ...]:
    """One short paragraph for every change that was made, the latest last.

    Parameters
    ----------
    lessons : sequence of Lesson
        What each change taught; ``lessons[i].after`` counts the coupons of ``history``.
    history : sequence of Past
        The coupons before this one, oldest first.
    known, signs : mappings of quantity to Measured, of sign to probability
        Of the coupon at hand.
    """
    told = []
    for lesson in lessons:
        past = history[lesson.after]
        last = lesson.after == len(history) - 1
        now = known if last else _exact(history[lesson.after + 1].quantities)
        settings = coupon.settings if last else history[lesson.after + 1].settings
        moved = _settings_moved(past.settings, settings)
        made = f" ({'; '.join(moved)})" if moved else ""
        shown = signs if last else history[lesson.after + 1].signs
        seen = [*_outcomes(lesson.cause, past, now, process), *_come_or_gone(lesson.cause, past, shown, process)][:_AT_MOST]
        since = f" Since then {' and '.join(seen)}." if seen else " Nothing that belongs to it has clearly moved since."
        text = f"You made the change for “{process.causes[lesson.cause].title}” after the coupon before{made}.{since} {_verdict(lesson)}"
        if len(moved) > 1:
            text += " More than one setting was changed, so this can't say which of them did it."
        told.append(text)
    return tuple(told)


def _verdict(lesson: Lesson) -> str:
    moved = _odds(lesson.now) / _odds(lesson.before)
    numbers = f"({100 * lesson.before:.0f} % before, {100 * lesson.now:.0f} % now)"
    if 1 / _SAYS_SOMETHING < moved < _SAYS_SOMETHING:
        return f"That says little: it looks about as likely to have been the cause {numbers}."
    if moved > 1:
        return f"That supports it: it looks more likely to have been the cause {numbers}."
    return f"That speaks against it: it looks less likely to have been the cause {numbers}."


def _odds(p: float) -> float:
    p = min(max(p, 1e-6), 1 - 1e-6)
    return p / (1 - p)


def _exact(values: Mapping[str, float]) -> dict[str, Measured]:
    return {name: Measured(value, 0.0) for name, value in values.items()}


def _outcomes(cause: str, past: Past, now: Mapping[str, Measured], process: Process) -> list[str]:
    """The quantities behind this cause's signs that clearly moved, strongest links first."""
    links = process.causes[cause].links
    told: dict[str, str] = {}
    for sign in sorted(links, key=lambda s: -abs(links[s][0])):
        for name in all_signs()[sign].quantity:
            norm = process.norm(name, None)
            if name in told or name not in _NAMES or name not in now or name not in past.quantities:
                continue
            before, after = past.quantities[name], now[name]
            blur = 0.25 if name == "spatter_log" else norm.soft / 2 if norm is not None else 0.0
            if abs(after.value - before) > _CLEAR * hypot(after.u, blur):
                told[name] = _moved(name, before, after.value, process)
    return list(told.values())


def _come_or_gone(cause: str, past: Past, now: Mapping[str, float], process: Process) -> list[str]:
    """Signs of this cause that have no number and that came or went."""
    told = []
    for sign in process.causes[cause].links:
        if all_signs()[sign].quantity or sign not in past.signs or sign not in now:
            continue
        before, after = past.signs[sign], now[sign]
        if before > _THERE and after < 1 - _THERE:
            told.append(f"it no longer holds that {all_signs()[sign].title}")
        elif after > _THERE and before < 1 - _THERE:
            told.append(f"it is new that {all_signs()[sign].title}")
    return told


def _moved(name: str, before: float, after: float, process: Process) -> str:
    called, factor, unit, n = _NAMES[name]
    if name == "spatter_log":
        factor = process.spatter.normal_density_per_cm2[1]
        before, after = exp(before), exp(after)
    verb = "fell" if after < before else "rose"
    return f"{called} {verb} from {before * factor:.{n}f} to {after * factor:.{n}f} {unit}"


def _settings_moved(before: Mapping[str, float | str], after: Mapping[str, float | str]) -> list[str]:
    """Settings that both coupons name and that differ."""
    told = []
    for key in after:
        a, b = before.get(key), after[key]
        if a is None or a == b:
            continue
        name, _, unit = key.rpartition("_")
        if key.endswith("_per_min"):
            name, _, unit = key.removesuffix("_per_min").rpartition("_")
            unit = f"{'L' if unit == 'l' else unit}/min"
        elif unit not in _UNITS:
            name, unit = key, ""
        told.append(f"{name.replace('_', ' ')} {_said(a)} → {_said(b)} {_UNITS.get(unit, unit)}".rstrip())
    return told


def _said(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"
