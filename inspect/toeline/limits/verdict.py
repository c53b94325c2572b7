"""Within or beyond, by how much, and when it is too close to call.

Guard band by ISO 14253-1: conformity is shown only where the value lies inside the limit by 2 u or more, nonconformity
only where it lies outside by more than 2 u; between them it is too close to call.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import hypot, sqrt

import numpy as np

from toeline.coupon import Coupon
from toeline.errors import BadUsage
from toeline.limits.result import Outcome, Verdict
from toeline.limits.rules import LimitRule, LimitSet, load_limit_sets
from toeline.measure.result import BeadSize
from toeline.processes import load_process
from toeline.quantity import Measured
from toeline.spatter.result import Spatter
from toeline.surface.result import SurfaceSign

__all__ = ["ABOUT", "judge", "outcome"]

ABOUT = (
    "No verdict here says that a weld is acceptable: the code in force and its inspector decide, "
    "and a photo can't see fusion, cracks or what lies below the surface."
)
GUARD = 2.0  # standard uncertainties
GAUGE_U_MM = 0.3  # simple gauges read to 0.1–0.5 mm (ISO 17637 annex A, from memory)
_COUNTED_PORE_MM = 1.0  # D1.1 threshold, from memory
_SIGHT_MM = 0.15  # a pore's size in a photo, standard uncertainty (judgement, no source)
_SURE = 0.9  # what a look gives at most: only a surer sign puts anything beyond a limit
_HIDDEN = 0.5  # slag at least so likely hides pores
_ROUNDING = 1e-9


def judge(
    size: BeadSize | None,
    *,
    surface: Iterable[SurfaceSign] | None,
    spatter: Spatter | None,
    coupon: Coupon,
    limit_set: str = "teaching",
) -> tuple[Verdict, ...]:
    """Every limit of the set that concerns this coupon, in the set's order.

    Raises
    ------
    BadUsage
        There is no such limit set; the message names those there are.
    """
    sets = load_limit_sets()
    if limit_set not in sets:
        raise BadUsage(f"{limit_set!r} is not a limit set that is known here.", advice=f"Use one of: {', '.join(sets)}.")
    chosen = sets[limit_set]
    signs = None if surface is None else tuple(surface)
    values = _values(size, signs, spatter, coupon)
    variables = _variables(values, coupon)
    verdicts: list[Verdict] = []
    for rule in chosen.limits:
        if not rule.applies(coupon.joint, coupon.plate_thickness_mm):
            continue
        if rule.of.startswith("target_") and rule.of not in variables:
            continue  # no target was set, so there is nothing to judge against
        if rule.of == "process_spatter_per_cm2" and rule.of not in variables:
            continue
        verdicts += [
            _tested(chosen, rule, coupon)
            if measure == "fusion_lack_mm" and coupon.test_result
            else _missing(_verdict(chosen, rule, measure, values, variables, signs, size), size, spatter, coupon)
            for measure in rule.measure
        ]
    return tuple(verdicts)


def outcome(value: float, u: float, limit: float, side: str) -> Outcome:
    """Guard band of 2 u on either side of the limit (ISO 14253-1)."""
    margin = limit - value if side == "max" else value - limit
    if margin >= GUARD * u - _ROUNDING:
        return "within"
    return "beyond" if margin < -GUARD * u - _ROUNDING else "too close to call"


def _verdict(
    chosen: LimitSet,
    rule: LimitRule,
    measure: str,
    values: Mapping[str, Measured],
    variables: Mapping[str, float],
    signs: tuple[SurfaceSign, ...] | None,
    size: BeadSize | None,
) -> Verdict:
    source = chosen.source(rule)
    limit = 0.0 if rule.absent else rule.limit(variables)
    seen = [] if not rule.sign or signs is None else [s for s in signs if s.sign == rule.sign]
    notes = [rule.note] if rule.note else []
    x = values.get(measure)
    if limit is None:
        notes.append(f"Give the {rule.of.removesuffix('_mm').replace('_', ' ')} to get a limit.")
    if x is None and rule.absent and rule.sign:
        return _by_look(rule, measure, seen, signs is not None, source, notes)
    if x is None or limit is None:
        if seen:
            notes.insert(0, _hint(seen))
        elif x is None:
            notes.append(_ask(measure))
        value, u = (None, None) if x is None else (x.value, x.u)
        told: Outcome = "not measurable from a photo" if x is None else "too close to call"
        return Verdict(measure, rule.title, value, u, limit, None, None, told, source, " ".join(filter(None, notes)))
    value = abs(x.value) if rule.absolute else x.value
    made = outcome(value, x.u, limit, rule.side)
    if rule.absent and measure == "pore_max_mm":
        made, note = _pores(signs)
        notes.insert(0, note)
    if measure.startswith("pore_") and made == "beyond":
        if slagged := _slag_hides(signs):
            notes.insert(0, slagged)
        if slagged or not any(s.sign == "pores" and s.probability > _SURE for s in signs or ()):
            made = "too close to call"
    margin = limit - value if rule.side == "max" else value - limit
    share = _share(measure, limit, rule.side, size)
    return Verdict(measure, rule.title, value, x.u, limit, margin, share, made, source, " ".join(notes))


def _tested(chosen: LimitSet, rule: LimitRule, coupon: Coupon) -> Verdict:
    """Fusion by a test of this coupon, which outranks what the face looks like."""
    failed = coupon.test_result == "failed"
    told: Outcome = "beyond" if failed else "within"
    note = f"By the {coupon.test or 'recorded'} test, which {coupon.test_result}; it speaks for the piece that was tested."
    return Verdict(rule.measure[0], rule.title, None, None, 0.0, None, None, told, chosen.source(rule), note)


def _by_look(rule: LimitRule, measure: str, seen: list[SurfaceSign], looked: bool, source: str, notes: list[str]) -> Verdict:
    """A thing that must not be there and that a photo only hints at."""
    told: Outcome = "not measurable from a photo"
    p = max((s.probability for s in seen), default=0.0)
    if seen and p >= 0.2:
        told = "beyond" if p > _SURE else "too close to call"
        notes.insert(0, _hint(seen))
    elif looked:
        notes.insert(0, "None seen in the photo, which proves little: look closely yourself.")
    else:
        notes.append(_ask(measure))
    return Verdict(measure, rule.title, None, None, 0.0, None, None, told, source, " ".join(filter(None, notes)))


_ASKED = {"crater unfilled": "Open crater", "pores": "Pores", "undercut": "Undercut", "overlap": "Rolled-over toe"}


def _hint(seen: list[SurfaceSign]) -> str:
    top = max(seen, key=lambda s: s.probability)
    where = f", {top.toe} toe" if top.toe else ""
    name = _ASKED.get(top.sign, top.sign.capitalize())
    return f"{name}? {100 * top.probability:.0f} %, at {top.along_mm:.0f} mm{where}: check by eye."


def _slag_hides(signs: tuple[SurfaceSign, ...] | None) -> str:
    """A sentence where slag looks to cover the face, on which dark spots are no pores."""
    seen = max((s.probability for s in signs or () if s.sign == "slag left on"), default=0.0)
    return "Slag looks to be left on: chip it off and look again." if seen > _HIDDEN else ""


def _missing(verdict: Verdict, size: BeadSize | None, spatter: Spatter | None, coupon: Coupon) -> Verdict:
    """The same verdict with what an answer waits for, where a photo could give one."""
    if verdict.value is not None or verdict.outcome != "not measurable from a photo":
        return verdict
    unscaled = size is not None and any(key.endswith("_px") for key in size.measures)
    missing, ask = "", verdict.note
    if unscaled and verdict.measure not in _ASKS:
        missing, ask = "a scale", "Lay a printed strip beside the bead: without a scale nothing is in millimetres."
    elif verdict.measure == "spatter_density_per_cm2":
        if unscaled:
            missing, ask = "a scale", "Lay a printed strip beside the bead: without a scale no plate area is known."
        elif spatter is not None and spatter.at_least:
            missing, ask = (
                "a better photo",
                f"Not all droplets can be told ({spatter.at_least}), so the count is only a lower bound.",
            )
        elif coupon.plate_before == "unknown":
            missing = "word on the plate before this bead"
    return replace(verdict, missing=missing, note=ask)


def _pores(signs: tuple[SurfaceSign, ...] | None) -> tuple[Outcome, str]:
    pores = [s for s in signs or () if s.sign == "pores" and s.probability >= 0.2]
    if not pores:
        return "not measurable from a photo", "No open pore seen, which proves little: look closely yourself."
    p = max(s.probability for s in pores)
    return ("beyond" if p > _SURE else "too close to call"), _hint(pores)


_ASKS = {
    "convexity_mm": "A photo of the face shows neither hollow nor convexity: give a gauge reading or a section.",
    "throat_shortfall_mm": "Leg is not throat: give a gauge reading or a section of the throat.",
    "throat_excess_mm": "Leg is not throat: give a gauge reading or a section of the throat.",
    "reinforcement_mm": "A photo from above shows no height: give a gauge reading.",
    "undercut_mm": "A photo shows no depth: feel the toe and gauge it.",
    "crater_mm": "A photo shows no depth: look into the crater and gauge it.",
    "size_mm": "Leg is not size: give a gauge reading or a section.",
    "ripple_regularity_ratio": "The ripples can't be told from the face in this photo.",
    "crack_mm": "",
    "fusion_lack_mm": "Only a break, bend or macro test shows it.",
    "overlap_mm": "Look at the toes from the side.",
    "spatter_density_per_cm2": "Say that the plate was clean before this bead to get its spatter.",
}


def _ask(measure: str) -> str:
    return _ASKS.get(measure, "It could not be measured on this bead.")


# ------------------------------------------------------------------------------------------------- what is judged


def _values(
    size: BeadSize | None, signs: tuple[SurfaceSign, ...] | None, spatter: Spatter | None, coupon: Coupon
) -> dict[str, Measured]:
    """Everything that can be judged, by the name that limits use."""
    values: dict[str, Measured] = dict(size.measures) if size is not None else {}
    if "ripple_spacing_mm" not in values:
        values.pop("ripple_regularity_ratio", None)  # ripples that can't be told from the face are unknown, not irregular
    for name in ("convexity_mm", "reinforcement_mm", "size_mm", "undercut_mm", "crater_mm"):
        if name in coupon.gauge:
            values[name] = Measured(coupon.gauge[name], _gauge_u_mm(coupon, name))
    nominal = _nominal_throat_mm(coupon)
    if "throat_mm" in coupon.gauge and nominal is not None:
        u = _gauge_u_mm(coupon, "throat_mm")
        values["throat_shortfall_mm"] = Measured(nominal - coupon.gauge["throat_mm"], u)
        values["throat_excess_mm"] = Measured(coupon.gauge["throat_mm"] - nominal, u)
    if spatter is not None and spatter.density_per_cm2 is not None:
        d = spatter.density_per_cm2
        values["spatter_density_per_cm2"] = Measured(d.value, (d.high - d.low) / 4)
    if signs is not None:
        values |= _pore_values(signs, size)
    if size is not None and coupon.target_leg_mm is not None:
        short = _undersize_share(size, coupon.target_leg_mm)
        if short is not None:
            values["undersize_share_ratio"] = short
    return values


def _gauge_u_mm(coupon: Coupon, name: str) -> float:
    return coupon.gauge.get(name.removesuffix("_mm") + "_u_mm", GAUGE_U_MM)


def _nominal_throat_mm(coupon: Coupon) -> float | None:
    return None if coupon.target_leg_mm is None else coupon.target_leg_mm / sqrt(2)


def _variables(values: Mapping[str, Measured], coupon: Coupon) -> dict[str, float]:
    """What limits hang on. The throat is the target's; without a target that of a flat face on the measured legs,
    z₁z₂/√(z₁²+z₂²).
    """
    known: dict[str, float] = {}
    for name, value in (
        ("target_leg_mm", coupon.target_leg_mm),
        ("target_width_mm", coupon.target_width_mm),
        ("plate_thickness_mm", coupon.plate_thickness_mm),
        ("throat_mm", _nominal_throat_mm(coupon)),
    ):
        if value is not None:
            known[name] = value
    legs = [values[k].value for k in ("leg_base_mean_mm", "leg_standing_mean_mm") if k in values]
    if "throat_mm" not in known and len(legs) == 2 and min(legs) > 0:
        known["throat_mm"] = legs[0] * legs[1] / hypot(*legs)
    if "width_mean_mm" in values:
        known["width_mm"] = values["width_mean_mm"].value
    if coupon.process is not None:
        known["process_spatter_per_cm2"] = load_process(coupon.process).spatter.normal_density_per_cm2[1]
    return known


def _pore_values(signs: tuple[SurfaceSign, ...], size: BeadSize | None) -> dict[str, Measured]:
    pores = sorted((s.along_mm, s.size_mm) for s in signs if s.sign == "pores" and s.probability >= 0.5)
    if not pores:
        return {
            "pore_max_mm": Measured(0.0),
            "pore_sum_worst_25mm_mm": Measured(0.0),
            "pore_sum_worst_300mm_mm": Measured(0.0),
        }
    sized = [(at, d) for at, d in pores if d > 0]
    if len(sized) < len(pores):
        return {}  # some have no size, so neither the largest nor the sum is known
    made = {"pore_max_mm": Measured(max(d for _, d in sized), _SIGHT_MM)}
    for span in (25.0, 300.0):
        big = [(at, d) for at, d in sized if d >= _COUNTED_PORE_MM]
        sums = [sum(d for at, d in big if start <= at <= start + span) for start, _ in big]
        worst = max(sums, default=0.0)
        made[f"pore_sum_worst_{span:.0f}mm_mm"] = Measured(worst, _SIGHT_MM * sqrt(max(1, len(big))))
    return made


def _undersize_share(size: BeadSize, target_leg_mm: float) -> Measured | None:
    """Share of the steady length where the shorter leg is below the target; u from moving all legs by their shared u."""
    st = size.stations
    if st.leg_base_mm.size == 0 or not size.steady.any():
        return None
    legs = np.minimum(st.leg_base_mm, st.leg_standing_mm)[size.steady]
    legs = legs[np.isfinite(legs)]
    if legs.size == 0:
        return None
    mean = [size.measures[k].u for k in ("leg_base_mean_mm", "leg_standing_mean_mm") if k in size.measures]
    u = max(mean, default=0.1)
    share = [float(np.mean(legs + move < target_leg_mm)) for move in (-u, 0.0, u)]
    return Measured(share[1], (share[0] - share[2]) / 2)


def _share(measure: str, limit: float, side: str, size: BeadSize | None) -> float | None:
    """Share of the steady part's length where the station's own value lies beyond the limit [ratio]."""
    if size is None or not size.steady.any():
        return None
    st = size.stations
    lines = {"leg_base": st.leg_base_mm, "leg_standing": st.leg_standing_mm, "width": st.width_mm}
    line = next((lines[k] for k in lines if measure in (f"{k}_mean_mm", f"{k}_min_mm", f"{k}_max_mm")), None)
    if line is None or line.size == 0:
        return None
    here = line[size.steady]
    here = here[np.isfinite(here)]
    if here.size == 0:
        return None
    return float(np.mean(here < limit if side == "min" else here > limit))
