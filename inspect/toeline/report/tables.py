"""A record's numbers as rows of plain text, the same on the command line, on the pages and on paper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toeline.quantity import format_pm

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
    "waviness_mm": "waviness",
    "toe_roughness_mm": "toe roughness",
    "ripple_spacing_mm": "ripple spacing",
    "ripple_regularity_ratio": "ripple regularity",
}


def title(key: str) -> str:
    """A measure's key in words."""
    return TITLES.get(key, key.rsplit("_", 1)[0].replace("_", " "))


def unit_of(key: str) -> str:
    """The unit at a key's end; empty for ratios."""
    last = key.rsplit("_", 1)[-1]
    return {"mm": "mm", "px": "px", "deg": "°", "mm2": "mm²"}.get(last, "")


def measure_rows(record: Record) -> list[tuple[str, str]]:
    """(title, value ± at k = 2) in reading order; spatter last."""
    measures = record["measures"]
    order = [key for key in TITLES if key in measures] + [key for key in measures if key not in TITLES]
    rows = [
        (title(key), format_pm(measures[key]["value"], measures[key]["u"], unit=unit_of(key)))
        for key in order
        if measures[key]["value"] is not None
    ]
    spatter = record["spatter"]
    if spatter is not None:
        rows.append(("spatter", spatter_words(spatter)))
        rows += spatter_rates(spatter)
    return rows


def spatter_words(spatter: Mapping[str, Any]) -> str:
    """Count, area and density in words."""
    words = f"{spatter['n']} on {spatter['area_cm2']:.0f} cm² of plate in view"
    density = spatter["density_per_cm2"]
    if density is not None:
        words += f": {density['value']:.2f} per cm² ({density['low']:.2f} to {density['high']:.2f})"
    before = spatter.get("before")
    if before is not None:
        words += f"; {before['n']} that were there before are not counted"
    corrected = len(spatter.get("corrections") or ())
    if corrected:
        words += f"; a hand corrected {corrected}"
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


def verdict_rows(record: Record) -> list[tuple[str, str, str]]:
    """(limit, outcome, numbers and source)."""
    rows = []
    for verdict in record["verdicts"]:
        numbers = ""
        if verdict["value"] is not None and verdict["limit"] is not None:
            unit = unit_of(verdict["measure"])
            numbers = (
                f"{format_pm(verdict['value'], verdict['u'] or 0.0, unit=unit)} against {verdict['limit']:.3g} {unit}".strip()
            )
        if verdict["length_share"]:
            numbers += f"; {verdict['length_share']:.0%} of the length beyond"
        rows.append((verdict["title"], verdict["outcome"], "; ".join(p for p in (numbers, verdict["source"]) if p)))
    return rows


def cause_lines(record: Record, *, most: int = 3) -> list[str]:
    """The likeliest causes in plain sentences."""
    lines = list((record.get("advice") or {}).get("lessons") or ())
    for cause in record["causes"][:most]:
        if cause["probability"] < 0.1:
            continue
        lines.append(f"{cause['cause']} ({cause['probability']:.0%}): {'; '.join(cause['evidence_for'][:3])}")
    advice = record.get("advice") or {}
    chosen = next((c for c in record["causes"] if c["cause"] == advice.get("next_change")), None)
    if chosen:
        lines.append(f"Change one thing: {chosen['change']} Expect: {chosen['expect']}")
    if advice.get("tell_apart"):
        lines.append(advice["tell_apart"])
    likely = any(cause["probability"] >= 0.1 for cause in record["causes"][:most])
    if not likely and record["process"] is None:
        lines.append("Name the process (--process) to hear of likely causes.")
    elif not likely and any(verdict["outcome"] == "beyond" for verdict in record["verdicts"]):
        lines.append("No cause stands out, though something is beyond a limit: machine settings, or what you saw (--saw), would help.")
    elif not likely:
        lines.append("Nothing stands out: what the photo shows is usual for this process. Change nothing yet.")
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
