"""A record's numbers as rows of plain text, the same on the command line, on the pages and on paper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toeline.flags import registry
from toeline.quantity import format_pm
from toeline.spatter.catalogue import LEAST_AREA_CM2
from toeline.spatter.rates import Tally, count_interval, scatter_test

Record = Mapping[str, Any]

#: Order and words of the measures: what a welder looks at first comes first.
TITLES: Mapping[str, str] = {
    "leg_base_min_mm": "base leg, shortest",
    "leg_standing_min_mm": "standing leg, shortest",
    "leg_base_mean_mm": "base leg, mean",
    "leg_standing_mean_mm": "standing leg, mean",
    "leg_base_sd_mm": "base leg, spread (sd)",
    "leg_standing_sd_mm": "standing leg, spread (sd)",
    "leg_difference_mm": "base leg − standing leg",
    "width_mean_mm": "width, mean",
    "width_min_mm": "width, narrowest",
    "width_max_mm": "width, widest",
    "width_sd_mm": "width, spread (sd)",
    "width_cv_ratio": "width, spread over mean",
    "width_drift_ratio": "width, drift over length",
    "length_mm": "bead length",
    "straightness_mm": "straightness of the middle line",
    "wander_mm": "slow wander from side to side (rms)",
    "waviness_mm": "waviness of the toes (rms)",
    "toe_roughness_mm": "toe roughness (rms)",
    "worst_stretch_mm": "toes off straight where it is worst (rms)",
    "ripple_spacing_mm": "ripple spacing",
    "ripple_regularity_ratio": "ripple regularity",
}

#: Ratios that a person reads as per cent.
PERCENT = frozenset({"width_cv_ratio", "width_drift_ratio", "undersize_share_ratio"})

#: Fewer droplets say nothing of how they are spread (common practice, no source).
LEAST_SPREAD_N = 10
#: Thirds of the bead are called uneven below this probability of chance alone: spatter comes in bursts, so a small one (own judgement).
UNEVEN_P = 0.01

#: How far a measure misses its limit, in the measure's own word: (start of its key, under, over).
_MISSES = (("leg_base", "too short", "too long"), ("leg_standing", "too short", "too long"), ("width", "too narrow", "too wide"))
#: Words that say that something is beyond its limit.
BEYOND = frozenset({"beyond", *(word for _, *both in _MISSES for word in both)})

_OUTCOMES = ("beyond", "too close to call", "within", "not measurable from a photo")


def title(key: str) -> str:
    """A measure's key in words; without a scale the same measure is in pixels, or over the width."""
    if key in TITLES:
        return TITLES[key]
    stem, _, unit = key.rpartition("_")
    if f"{stem}_mm" in TITLES:
        return TITLES[f"{stem}_mm"] + (", over the width" if unit == "ratio" else "")
    return stem.replace("_", " ")


def place(key: str) -> int:
    """Where a measure stands in reading order, in whatever unit."""
    listed = list(TITLES)
    return next((listed.index(k) for k in (key, f"{key.rpartition('_')[0]}_mm") if k in TITLES), len(listed))


def unit_of(key: str) -> str:
    """The unit at a key's end; empty for ratios."""
    last = key.rsplit("_", 1)[-1]
    return {"mm": "mm", "px": "px", "deg": "°", "mm2": "mm²"}.get(last, "")


def pm_words(key: str, row: Mapping[str, Any]) -> str:
    """Value ± at k = 2 of a measure in its unit; shares and spreads in %."""
    value, u = row["value"], row["u"] or 0.0
    return format_pm(100 * value, 100 * u, unit="%") if key in PERCENT else format_pm(value, u, unit=unit_of(key))


def measure_rows(record: Record) -> list[tuple[str, str]]:
    """(title, value ± at k = 2) in reading order; spatter last."""
    measures = record["measures"]
    order = sorted(measures, key=place)
    rows = [(title(key), pm_words(key, measures[key])) for key in order if measures[key]["value"] is not None]
    spatter = record["spatter"]
    if spatter is not None:
        rows.append(("spatter", spatter_words(spatter)))
        rows += [*spatter_rates(spatter), *spatter_spread(spatter)]
    return rows


def spatter_words(spatter: Mapping[str, Any]) -> str:
    """Count, area and density in words."""
    at_least = spatter.get("at_least")
    count = f"at least {spatter['n']}" if at_least and spatter["n"] else "none seen" if at_least else f"{spatter['n']}"
    words = f"{count} on {spatter['area_cm2']:.0f} cm² of plate in view"
    if at_least:
        words += f"; not all can be told in this photo ({at_least})"
    on_plate = spatter.get("n_on_plate")
    if on_plate is not None:
        words += f" (probably {on_plate['low']:.0f} to {on_plate['high']:.0f})"
    density = spatter["density_per_cm2"]
    if density is not None:
        words += f": {density['value']:.2f} per cm² ({density['low']:.2f} to {density['high']:.2f})"
    before = spatter.get("before")
    if before is not None:
        words += f"; {before['n']} that were there before are not counted" if before["n"] else "; none of it was there before"
    corrected = len(spatter.get("corrections") or ())
    if corrected:
        words += f"; {corrected} corrected by hand"
    if spatter.get("n_photos", 1) > 1:
        words += f"; from {spatter['n_photos']} photos"
    return words


def spatter_rates(spatter: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(title, rate with its interval) of the process: near the toes per 100 mm of bead, and per gram of wire where that is known."""
    rows = []
    for key, name, digits in (
        ("per_100mm", "spatter per 100 mm of bead, within 10 mm of the toes", 1),
        ("per_gram", "spatter per gram of wire", 2),
    ):
        rate = spatter.get(key)
        if rate is not None:
            rows.append((name, f"{rate['value']:.{digits}f} ({rate['low']:.{digits}f} to {rate['high']:.{digits}f})"))
    return rows


def spatter_spread(spatter: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(title, words) of how droplets are spread: over sizes, over the two plates, along the bead; nothing where there are hardly any."""
    if spatter["n"] < LEAST_SPREAD_N:
        return []
    rows = []
    sizes = [row for row in spatter.get("sizes") or () if row["n"]]
    if sizes:
        words = " · ".join(f"{row['n']} of {row['from_mm']:g} to {row['to_mm']:g} mm" for row in sizes)
        rows.append(("spatter by size", words))
    told = spatter["density_per_cm2"] is not None  # else some of it may be older than this bead
    sides = spatter.get("sides") if told else None
    if sides is not None:
        rows.append((f"spatter, {sides['first']} against {sides['second']} {_side(sides['second'])}", _sides_words(sides)))
    thirds = spatter.get("thirds") or []
    if told and thirds and min(third["area_cm2"] for third in thirds) >= LEAST_AREA_CM2:
        even = scatter_test(Tally(tuple(t["n"] for t in thirds), tuple(t["area_cm2"] for t in thirds)))[2] > UNEVEN_P
        each = ", ".join(_density_words(third["n"], third["area_cm2"]) for third in thirds)
        rows.append(
            (
                "spatter by thirds of the bead, left to right",
                f"{each} per cm²; {'even' if even else 'uneven, more than chance'}",
            )
        )
    return rows


def _density_words(n: int, area_cm2: float) -> str:
    low, high = count_interval(n)
    return f"{n / area_cm2:.2g} ({low / area_cm2:.2g} to {high / area_cm2:.2g})"


def _side(name: str) -> str:
    return "plate" if name in ("base", "standing") else "side"


def _sides_words(sides: Mapping[str, float]) -> str:
    span = f"{sides['low']:.2g} to {sides['high']:.2g} times"
    if sides["low"] <= 1.0 <= sides["high"]:
        return f"can't be told apart ({span} as dense)"
    return f"{sides['value']:.2g} times as dense ({span})"


def verdict_lines(record: Record) -> list[tuple[str, str, str, str]]:
    """(outcome in words, what was judged, numbers, source and note), what is beyond first."""
    lines = []
    for verdict in sorted(record["verdicts"], key=lambda v: _OUTCOMES.index(v["outcome"])):
        told = outcome_words(verdict)
        doubled = sum(v["title"] == verdict["title"] for v in record["verdicts"]) > 1
        what = f"{verdict['title']} ({title(verdict['measure'])})" if doubled else verdict["title"]
        numbers = ""
        value, limit = verdict["value"], verdict["limit"]
        if value is not None and limit is not None and (value or limit):  # none seen of what must not be there is no length
            unit, times = ("%", 100.0) if verdict["measure"] in PERCENT else (unit_of(verdict["measure"]), 1.0)
            numbers = f"{pm_words(verdict['measure'], verdict)} against {times * limit:.3g} {unit}".strip()
        if verdict["length_share"]:
            numbers += f", {100 * verdict['length_share']:.0f} % of the length {_miss(verdict)}"
        lines.append((told, what, numbers, ". ".join(part for part in (verdict["source"], verdict["note"]) if part)))
    return lines


def outcome_words(verdict: Mapping[str, Any]) -> str:
    """An outcome for a person: which way it misses its limit, and what is missing where an answer only waits for that."""
    if verdict["outcome"] == "beyond":
        return _miss(verdict)
    if verdict.get("missing"):
        return f"not told without {verdict['missing']}"
    return str(verdict["outcome"])


def _miss(verdict: Mapping[str, Any]) -> str:
    """Too short, too wide …, where the measure has such a word; else beyond.

    Which side is the bad one shows in the margin, which is positive on the good side, whether or not the value itself misses the limit.
    """
    measure, value, limit, margin = (verdict[name] for name in ("measure", "value", "limit", "margin"))
    if not margin or value is None or limit is None or not measure.endswith(("_mean_mm", "_min_mm", "_max_mm")):
        return "beyond"
    at_least = (value > limit) == (margin > 0)
    return next((under if at_least else over for name, under, over in _MISSES if measure.startswith(name)), "beyond")


def flag_lines(record: Record) -> list[str]:
    """Every kind of doubt once, with its meaning, what it was told of, and its advice."""
    places: dict[str, list[str]] = {}
    for flag in record["flags"]:
        places.setdefault(flag["name"], []).append(flag["where"])
    lines = []
    for name, where in places.items():
        kind = registry().get(name)
        listed = "; ".join(dict.fromkeys(place for place in where if place))
        meaning = (kind.meaning if kind else name).removesuffix(".") + (f" ({listed})" if listed else "")
        lines.append(f"{meaning}. {kind.advice if kind else ''}".strip())
    return lines


def _length_unit(record: Record) -> str:
    return "px" if (record["scale"] or {}).get("source") == "none" else "mm"


def part_lines(record: Record) -> list[str]:
    """Restarts and tacks, which are not in the steady part, each with what it does to the width."""
    bead = record["bead"]
    if bead is None:
        return []
    unit = _length_unit(record)
    lines = []
    for part in bead["parts"]:
        if part["kind"] not in ("restart", "tack"):
            continue
        hump, dip, gap = (part.get(f"{name}_mm") for name in ("hump", "dip", "gap"))
        told = [f"no weld metal for {gap:.1f} {unit}"] if gap else []
        steps = [f"{by:.1f} {unit} {way}" for by, way in ((hump, "wider"), (dip, "narrower")) if by is not None and by >= 0.05]
        if steps:
            told.append(f"up to {' and '.join(steps)} than its neighbours")
        words = f"{part['kind'].capitalize()} at {part['from_mm']:.0f}–{part['to_mm']:.0f} {unit}"
        lines.append(f"{words}: {', '.join(told)}; not in the steady part" if told else f"{words}; not in the steady part")
    return lines


def moved_words(record: Record) -> str:
    """By how much a hand moved toes and mean width; empty where none did."""
    moved = (record["bead"] or {}).get("moved_mm") or {}
    if not moved:
        return ""
    unit = _length_unit(record)
    if all(by is None for by in moved.values()):
        return "Corrected by hand; without that nothing was found."
    told = [
        f"the {'mean width' if name == 'width' else name + ' toe'} by {by:{'+' if name == 'width' else ''}.2f} {unit}"
        for name, by in moved.items()
        if by is not None
    ]
    return f"Corrected by hand; that moved {', '.join(told)}."


def cause_lines(record: Record, *, most: int = 3) -> list[str]:
    """The likeliest causes in plain sentences."""
    advice = record.get("advice") or {}
    lines = list(advice.get("lessons") or ())
    if advice.get("first"):
        lines.append(f"Do this first: {advice['first']}")
    for cause in record["causes"][:most]:
        if cause["probability"] < 0.1:
            continue
        lines.append(f"{cause['cause']} ({100 * cause['probability']:.0f} %): {'; '.join(cause['evidence_for'][:3])}")
    chosen = next((c for c in record["causes"] if c["cause"] == advice.get("next_change")), None)
    if chosen:
        lines.append(f"Change one thing: {chosen['change']} Expect: {chosen['expect']}")
    if advice.get("tell_apart"):
        lines.append(advice["tell_apart"])
    likely = any(cause["probability"] >= 0.1 for cause in record["causes"][:most])
    told = record["process"] is None or bool(advice.get("first"))  # without a process the notes ask for it
    if not likely and not told:
        beyond = any(verdict["outcome"] == "beyond" for verdict in record["verdicts"])
        lines.append(
            "No cause stands out, though something is beyond a limit: machine settings, or what you saw (--saw), would help."
            if beyond
            else "Nothing stands out: what the photo shows is usual for this process. Change nothing yet."
        )
    return [*lines, *(advice.get("notes") or ())]


def photo_rows(record: Record) -> list[tuple[str, str, str]]:
    """(photo, its own mean lengths, whether they are in the result) of several photos of one coupon."""
    keys = ("leg_base_mean_mm", "leg_standing_mean_mm", "width_mean_mm")
    rows = []
    for photo in record["same_coupon"]["photos"]:
        own = [
            f"{title(key)} {format_pm(photo['measures'][key]['value'], photo['measures'][key]['u'], unit='mm')}"
            for key in keys
            if key in photo["measures"]
        ]
        told = ", ".join(own) if photo["refused"] is None else photo["refused"]["message"]
        rows.append((photo["name"], told, "yes" if photo["used"] else "no"))
    return rows
