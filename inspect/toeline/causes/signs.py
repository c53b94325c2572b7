"""Each measured quantity becomes a soft sign: the probability that it is truly there, given value, u and what is normal here.

Unknown stays unknown: a quantity that was not measured gives no sign at all, neither for nor against.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import hypot, log, sqrt
from statistics import NormalDist, median

from toeline.causes.balance import implied_travel_mm_per_min
from toeline.causes.settings import SettingCheck, check_settings
from toeline.coupon import Coupon
from toeline.errors import BadUsage
from toeline.measure.result import BeadSize
from toeline.processes import Norm, Process
from toeline.quantity import Measured, linear
from toeline.spatter.result import Spatter
from toeline.surface.result import SurfaceSign

__all__ = ["WHOLE", "Reading", "Sign", "all_signs", "implied_travel", "quantities", "read_signs", "spot_words"]

SURE = 0.97  # no photo makes a sign surer than this, nor its absence
TOLD = 0.97  # what a person says they saw
USUAL = 0.2  # share of practice coupons that have a given surface sign, as the finder reckons with it (judgement, no source)
WHOLE = frozenset({"ripple pointed", "dull face", "convex face", "flat face", "soot", "heat tint"})  # of all the face or plate
_FEW_PARTICLES = 8
_COARSE_MM = 1.0


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign as ``signs.toml`` describes it."""

    key: str
    title: str
    quantity: tuple[str, ...]
    side: str
    surface: str
    absent: str
    missed: float | None
    ask: str
    severity: float


@dataclass(frozen=True, slots=True)
class Reading:
    """How surely a sign is there.

    Attributes
    ----------
    sign : str
    probability : float
        That it is truly there.
    words : str
        What was seen, with the number, for a person.
    alone : float or None
        The same were it as likely as not beforehand: what the reading alone says, without how common the sign is. None: no other.
    """

    sign: str
    probability: float
    words: str
    alone: float | None = None

    @property
    def speaks(self) -> float:
        """What the causes are judged by: how common a sign is, they bring in themselves."""
        return self.probability if self.alone is None else self.alone


@cache
def all_signs() -> Mapping[str, Sign]:
    """All signs by name, from ``signs.toml``."""
    table = tomllib.loads(files("toeline").joinpath("causes/signs.toml").read_text(encoding="utf-8"))
    fields = ("title", "quantity", "side", "surface", "absent", "missed", "ask", "severity")
    made = {}
    for key, row in table.items():
        for name in row:
            if name not in fields:
                raise BadUsage(f"The sign {key} has the key {name!r}, which nobody reads.", advice=f"Valid: {', '.join(fields)}.")
        made[key] = Sign(
            key,
            row["title"],
            tuple(row.get("quantity", ())),
            row.get("side", ""),
            row.get("surface", ""),
            row.get("absent", row.get("surface", "")),
            row.get("missed"),
            row.get("ask", ""),
            row.get("severity", 0.0),
        )
    return made


def read_signs(
    size: BeadSize | None,
    *,
    surface: Iterable[SurfaceSign] | None,
    spatter: Spatter | None,
    coupon: Coupon,
    process: Process,
) -> dict[str, Reading]:
    """All signs that can be read from this coupon; what is not known is not in the result."""
    readings: dict[str, Reading] = {}
    known = quantities(size, surface=surface, spatter=spatter, coupon=coupon, process=process)
    for sign in all_signs().values():
        for name in sign.quantity:
            norm = process.norm(name, coupon.position)
            if name == "spatter_log":
                norm = Norm(None, 0.0, log(process.spatter.soft_ratio), process.spatter.source)
            if name in known and norm is not None:
                reading = _from_quantity(sign, name, known[name], norm, process)
                if reading is not None:
                    readings[sign.key] = reading
                break
    readings = _from_surface(surface) | readings  # a gauge outranks a look
    for name in (*coupon.observed, *coupon.not_observed):
        if name not in all_signs():
            raise BadUsage(f"{name!r} is not a sign that is known here.", advice=f"Use one of: {', '.join(all_signs())}.")
        seen, title = name in coupon.observed, all_signs()[name].title
        readings[name] = Reading(
            name, TOLD if seen else 1 - TOLD, f"you saw: {title}" if seen else f"you looked, and it is not so that {title}"
        )
    if coupon.test and coupon.test_result:
        p = SURE if coupon.test_result == "failed" else 1 - SURE
        readings["poor-fusion"] = Reading("poor-fusion", p, f"the {coupon.test} test {coupon.test_result}")
    readings |= _from_settings(size, coupon, process)
    return readings


def _clipped(p: float) -> float:
    return min(max(p, 1 - SURE), SURE)


def _from_quantity(sign: Sign, name: str, x: Measured, norm: Norm, process: Process) -> Reading | None:
    edge = norm.low if sign.side == "low" else norm.high
    if edge is None or (name != "spatter_log" and 2 * x.u > max(abs(x.value), abs(edge))):
        return None  # wider than both what it says and what is normal: it says nothing
    over = edge - x.value if sign.side == "low" else x.value - edge
    p = NormalDist().cdf(over / hypot(x.u, norm.soft))
    p = _clipped(p + (1 - p) * 0.5 * (sign.missed or 0.0))
    return Reading(sign.key, p, _quantity_words(sign, name, x, edge, process))


_SHOWN: dict[str, tuple[str, float, str, int]] = {  # quantity: what it is called, factor, unit, decimals
    "width_ratio": ("width is", 100, "% of the target", 0),
    "width_mm": ("width", 1, "mm", 1),
    "leg_ratio": ("legs are", 100, "% of the target", 0),
    "leg_difference_ratio": ("standing leg less base leg is", 100, "% of the mean leg", 0),
    "width_cv_ratio": ("width varies by", 100, "%", 0),
    "wander_mm": ("slow wander (rms)", 1, "mm", 2),
    "waviness_mm": ("waviness of the toes (rms)", 1, "mm", 2),
    "width_drift_ratio": ("along the bead the width changes by", 100, "%", 0),
    "straightness_mm": ("off a straight line by", 1, "mm", 1),
    "toe_roughness_mm": ("toe roughness", 1, "mm", 2),
    "ripple_spacing_mm": ("ripple spacing", 1, "mm", 1),
    "ripple_regularity_ratio": ("ripple regularity", 1, "", 2),
    "spatter_coarse_ratio": ("droplets of 1 mm and more:", 100, "%", 0),
    "spatter_side_ratio": ("on the busier side:", 100, "% of the spatter", 0),
    "tint_ratio": ("heat tint is", 1, "times the bead's width", 1),
    "convexity_ratio": ("convexity is", 100, "% of the face width", 0),
}


def _quantity_words(sign: Sign, name: str, x: Measured, edge: float, process: Process) -> str:
    side = "at least" if sign.side == "low" else "up to"
    if name == "spatter_log":
        limit = process.spatter.normal_density_per_cm2[1]
        return f"spatter {limit * 2.718281828**x.value:.2f} per cm²; up to about {limit:g} is normal for {process.title}"
    called, factor, unit, n = _SHOWN[name]
    spread = f" ± {2 * x.u * factor:.{n}f}" if x.u > 0 else ""
    return f"{called} {x.value * factor:.{n}f}{spread} {unit}".rstrip() + f"; {side} {edge * factor:.{n}f} is normal"


def _from_surface(surface: Iterable[SurfaceSign] | None) -> dict[str, Reading]:
    """Found signs, and for those a photo shows well also their absence; nothing where nobody looked."""
    if surface is None:
        return {}
    found: dict[str, list[SurfaceSign]] = {}
    for one in surface:
        found.setdefault(one.sign, []).append(one)
    readings = {}
    for sign in all_signs().values():
        if not sign.surface:
            continue
        here = found.get(sign.surface, found.get(sign.key, []))
        if here:
            where = max(here, key=lambda s: s.probability)  # many weak spots are no strong one
            words = f"{sign.title}{spot_words(where)} ({100 * where.probability:.0f} %)"
            p = where.probability
            readings[sign.key] = Reading(sign.key, _clipped(p), words, _clipped(_as_evidence(p)))
        elif sign.missed is not None:
            readings[sign.key] = Reading(sign.key, _clipped(sign.missed * 0.5), f"no {sign.absent} seen in the photo")
    return readings


def spot_words(sign: SurfaceSign) -> str:
    """`` at 34 mm, base toe`` of a sign that has a place; nothing for one of the whole face or plate."""
    if sign.sign in WHOLE:
        return ""
    return f" at {sign.along_mm:.0f} mm" + (f", {sign.toe} toe" if sign.toe else "")


def _as_evidence(p: float) -> float:
    """A finder's probability without how common the sign is, which the causes bring in themselves: Bayes' rule, odds over usual odds."""
    for_it, against = p * (1 - USUAL), (1 - p) * USUAL
    return for_it / (for_it + against)


# ------------------------------------------------------------------------------------------------- quantities


def quantities(
    size: BeadSize | None,
    *,
    surface: Iterable[SurfaceSign] | None,
    spatter: Spatter | None,
    coupon: Coupon,
    process: Process,
) -> dict[str, Measured]:
    """Everything that signs are read from, by name; only what is known."""
    m: Mapping[str, Measured] = size.measures if size is not None else {}
    known = {
        name: m[name]
        for name in (
            *("width_cv_ratio", "wander_mm", "waviness_mm", "width_drift_ratio", "straightness_mm"),
            *("toe_roughness_mm", "ripple_spacing_mm", "ripple_regularity_ratio"),
        )
        if name in m
    }
    if "ripple_spacing_mm" not in known:
        known.pop("ripple_regularity_ratio", None)  # ripples that can't be told from the face are unknown, not irregular
    if "width_cv_ratio" not in known and "width_sd_mm" in m and "width_mean_mm" in m and m["width_mean_mm"].value > 0:
        known["width_cv_ratio"] = _ratio(m["width_sd_mm"], m["width_mean_mm"])
    known |= _size_quantities(m, coupon)
    known |= _spatter_quantities(spatter, process)
    known |= _tint(surface, m)
    convexity = coupon.gauge.get("convexity_mm")
    if convexity is not None and "width_mean_mm" in m:
        reading = Measured(convexity, coupon.gauge.get("convexity_u_mm", 0.3))
        known["convexity_ratio"] = _ratio(reading, m["width_mean_mm"])
    return {name: x for name, x in known.items() if x.value == x.value}


def _ratio(top: Measured, bottom: Measured) -> Measured:
    q = top.value / bottom.value
    return linear(q, (top, bottom), (1 / bottom.value, -q / bottom.value))


def _size_quantities(m: Mapping[str, Measured], coupon: Coupon) -> dict[str, Measured]:
    known: dict[str, Measured] = {}
    base, standing, width = m.get("leg_base_mean_mm"), m.get("leg_standing_mean_mm"), m.get("width_mean_mm")
    if base is not None and standing is not None and base.value > 0 and standing.value > 0:
        total = base + standing
        difference = standing - base
        known["leg_difference_ratio"] = linear(
            2 * difference.value / total.value,
            (standing, base),
            (4 * base.value / total.value**2, -4 * standing.value / total.value**2),
        )
        if coupon.target_leg_mm is not None:
            known["leg_ratio"] = total.scaled(0.5 / coupon.target_leg_mm)
    if width is None:
        return known
    if coupon.target_width_mm is not None:
        known["width_ratio"] = width.scaled(1 / coupon.target_width_mm)
    elif "leg_ratio" not in known:  # with a target leg the chord says nothing that the legs did not
        if coupon.joint == "tee" and coupon.target_leg_mm is not None:
            known["width_ratio"] = width.scaled(1 / (coupon.target_leg_mm * sqrt(2)))
        else:
            known["width_mm"] = width
    return known


def _spatter_quantities(spatter: Spatter | None, process: Process) -> dict[str, Measured]:
    known: dict[str, Measured] = {}
    if spatter is None:
        return known
    if spatter.at_least:  # what the photo can't show is no evidence
        return known
    density, limit = spatter.density_per_cm2, process.spatter.normal_density_per_cm2[1]
    if density is not None and limit > 0:
        low, high = max(density.low, 1e-3), max(density.high, 2e-3)
        u = max(log(high / low) / 4, 0.05) if density.value > 0 else 0.5
        known["spatter_log"] = Measured(log(max(density.value, 2e-3) / limit), min(u, 1.0))
    weights = [p.probability for p in spatter.particles]
    total = sum(weights)
    if total < _FEW_PARTICLES:
        return known
    coarse = sum(w for w, p in zip(weights, spatter.particles, strict=True) if p.diameter_mm >= _COARSE_MM) / total
    known["spatter_coarse_ratio"] = Measured(coarse, sqrt((coarse * (1 - coarse) + 0.1 / total) / total))
    plates = {p.plate for p in spatter.particles}
    sides: dict[str, float] = {}
    for w, p in zip(weights, spatter.particles, strict=True):
        side = p.plate if len(plates) > 1 or p.plate in ("base", "standing") else str(p.across_mm > 0)
        sides[side] = sides.get(side, 0.0) + w
    areas = {name: sum(b.area_cm2 for b in spatter.bands if b.plate == name) for name in sides}
    if all(a > 0 for a in areas.values()) and len(sides) == 2:
        rates = {name: sides[name] / areas[name] for name in sides}
        share = max(rates.values()) / sum(rates.values())
        known["spatter_side_ratio"] = Measured(share, sqrt(share * (1 - share) / total))
    elif spatter.bands == () or plates == {"plate"}:
        share = max(sides.values()) / total
        known["spatter_side_ratio"] = Measured(share, sqrt((share * (1 - share) + 0.1 / total) / total))
    return known


def _tint(surface: Iterable[SurfaceSign] | None, m: Mapping[str, Measured]) -> dict[str, Measured]:
    width = m.get("width_mean_mm")
    sizes = [s.size_mm for s in surface or () if s.sign == "heat tint" and s.size_mm > 0 and s.probability > 0.5]
    if not sizes or width is None or width.value <= 0:
        return {}
    return {"tint_ratio": Measured(median(sizes) / width.value, 0.15 * median(sizes) / width.value)}


# ------------------------------------------------------------------------------------------------- settings


def _from_settings(size: BeadSize | None, coupon: Coupon, process: Process) -> dict[str, Reading]:
    checks = [*check_settings(process, coupon.settings, position=coupon.position), *_coupon_checks(coupon, process)]
    checks += _travel_checks(implied_travel(size, coupon, process), coupon)
    readings = {}
    for check in checks:
        title = all_signs()[check.sign].title
        readings[check.sign] = Reading(check.sign, _clipped(check.probability), f"{title} ({check.words})")
    return readings


def _coupon_checks(coupon: Coupon, process: Process) -> list[SettingCheck]:
    checks = []
    thin, thick = process.plate_thickness_mm
    cdf = NormalDist().cdf
    if coupon.plate_thickness_mm is not None:
        t = coupon.plate_thickness_mm
        words = f"{t:g} mm plate; this process suits {thin:g}–{thick:g} mm"
        checks.append(SettingCheck("plate-thick", cdf((t - thick) / (0.15 * thick)), words, "common practice, no source"))
        checks.append(SettingCheck("plate-thin", cdf((thin - t) / (0.15 * thin)), words, "common practice, no source"))
    if coupon.root_gap_mm is not None:
        words = f"a root gap of {coupon.root_gap_mm:g} mm"
        checks.append(SettingCheck("gap-wide", cdf((coupon.root_gap_mm - 1.2) / 0.3), words, "common practice, no source"))
    return checks


def _travel_checks(implied: Measured | None, coupon: Coupon) -> list[SettingCheck]:
    """The travel that the fillet implies against the plan, where feed, wire and plan are known."""
    plan = coupon.settings.get("travel_speed_mm_per_min")
    if implied is None or not isinstance(plan, int | float) or implied.value <= 0:
        return []
    z = log(implied.value / plan)
    u = hypot(implied.u / implied.value, 0.08)
    words = f"the legs say about {implied.value:.0f} ± {2 * implied.u:.0f} mm/min, the plan was {plan:.0f}"
    cdf = NormalDist().cdf
    return [
        SettingCheck("set-travel-slow", cdf((-z - 0.15) / u), words, "wire volume balance"),
        SettingCheck("set-travel-fast", cdf((z - 0.15) / u), words, "wire volume balance"),
    ]


def implied_travel(size: BeadSize | None, coupon: Coupon, process: Process) -> Measured | None:
    """Travel speed that the measured fillet implies [mm/min]; None without legs, wire diameter or wire feed."""
    m = size.measures if size is not None else {}
    wire, feed = coupon.settings.get("wire_diameter_mm"), coupon.settings.get("wire_feed_mm_per_min")
    if "leg_base_mean_mm" not in m or "leg_standing_mean_mm" not in m:
        return None
    if not isinstance(wire, int | float) or not isinstance(feed, int | float):
        return None
    given = coupon.settings.get("deposition_ratio")
    convexity = coupon.gauge.get("convexity_mm")
    return implied_travel_mm_per_min(
        m["leg_base_mean_mm"],
        m["leg_standing_mean_mm"],
        wire_diameter_mm=wire,
        wire_feed_mm_per_min=feed,
        deposition_ratio=given if isinstance(given, float) else process.deposition_ratio,
        deposition_u_ratio=process.deposition_u_ratio,
        convexity_mm=None if convexity is None else Measured(convexity, coupon.gauge.get("convexity_u_mm", 0.3)),
        gap_mm=coupon.root_gap_mm or 0.0,
    )
