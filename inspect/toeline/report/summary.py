"""A record in a few words: will the photo do, and the numbers that a welder looks at first."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from toeline.flags import registry
from toeline.logbook.store import Entry
from toeline.quantity import format_pm
from toeline.report.tables import place, pm_words, title

Record = Mapping[str, Any]

#: Stands beside every verdict and every piece of advice.
CAUTION = (
    "Mind fume, eyes and heat: ventilate, shade 10 or darker, let it cool by itself. A photo sees no fusion, no cracks and "
    "nothing below the surface; whether a weld is acceptable is for the code in force and for licensed practice to decide."
)

#: Doubts about the photo itself, which a better photo would take away.
PHOTO_FLAGS = frozenset(
    {
        *("blurred", "too-dark", "too-bright", "glare-on-toe", "smeared-lens", "lamp-banding", "corner-shadow", "low-resolution"),
        *("steep-view", "strip-curled", "strip-partly-hidden", "one-strip-of-two"),
        *("bead-leaves-frame", "slag-on-bead", "plate-wet"),
    }
)


#: Measures that stand on the page; the others are a level deeper.
MEANS = ("leg_base_mean_mm", "leg_standing_mean_mm", "leg_difference_mm", "width_mean_mm", "width_cv_ratio", "length_mm")

#: Measures worth following from coupon to coupon, and which way is better where there is one.
TREND_KEYS: Mapping[str, str] = {
    "leg_base_mean_mm": "",
    "leg_standing_mean_mm": "",
    "leg_base_sd_mm": "lower",
    "leg_standing_sd_mm": "lower",
    "width_mean_mm": "",
    "width_cv_ratio": "lower",
    "waviness_mm": "lower",
    "ripple_regularity_ratio": "higher",
}


def photo_word(record: Record) -> tuple[str, str]:
    """(``good``, ``open`` or ``bad``; a sentence as HTML): will this photo do, and what would make it better?"""
    refused = record["refused"]
    if refused:
        return "bad", f"<b>Not measured.</b> {escape(refused['message'])} {escape(refused['advice'])}"
    kinds = list(dict.fromkeys(flag["name"] for flag in record["flags"] if flag["name"] in PHOTO_FLAGS))
    if not kinds:
        return "good", "<b>The photo will do.</b>"
    told = " ".join(f"{escape(registry()[name].meaning)} {escape(registry()[name].advice)}" for name in kinds[:2])
    return "open", f"<b>The photo will do, with care.</b> {told}"


def no_change(record: Record, *, likely: bool) -> str:
    """Why no change is named, as HTML: something comes first, no process, nothing worth trying, beyond a limit without a cause, as usual."""
    if first := (record["advice"] or {}).get("first"):
        return f"<b>Do this first.</b> {escape(first)}"
    if record["process"] is None:
        return "<b>Say which process you used</b> to get likely causes: tap Change above."
    if likely:
        return "<b>Change nothing yet.</b> No single change is worth trying on this alone."
    if any(verdict["outcome"] == "beyond" for verdict in record["verdicts"]):
        return (
            "<b>No cause stands out.</b> Something is beyond a limit, but the photo alone does not say why. What you saw, heard or gauged, "
            "and the machine settings, would help."
        )
    return "<b>Nothing stands out.</b> What the photo shows is usual for this process; change nothing yet."


def unsaid_strips(record: Record, said_mm: Mapping[str, float] | float | None) -> tuple[str, ...]:
    """Strips that were read in the photo, but whose thickness nobody gave; empty where one number was given for all."""
    if isinstance(said_mm, float | int) or not record["scale"]:
        return ()
    read = [letter for plate in record["scale"]["plates"] for letter in plate["strips"]]
    return tuple(sorted(set(read) - set(said_mm or {})))


def headline(record: Record) -> list[tuple[str, str, str]]:
    """(name, value, colour class) of the first numbers: the shortest leg or narrowest width, and the share under target."""
    measures = record["measures"]
    rows = []
    if key := _shortest(measures):
        rows.append((f"Shortest leg ({'base' if 'base' in key else 'standing'})", _pm(measures, key), ""))
    elif measures.get("width_min_mm", {}).get("value") is not None:
        rows.append(("Narrowest width", _pm(measures, "width_min_mm"), ""))
    target = record["coupon"]["target_leg_mm"] if key else record["coupon"]["target_width_mm"]
    share = share_under_target(record)
    if share is not None and target is not None:
        rows.append((f"Length under {target:g} mm", *_share_words(*share)))
    return rows


def share_under_target(record: Record) -> tuple[float, float] | None:
    """Share of the steady part where the shorter leg (or the width) reads below its target, and its u; None without a target.

    Legs are told as the limits room tells them (its ``undersize_share_ratio``); where its limit set does not ask, and for widths,
    the stations are counted here in the same way: u from moving them all by the mean's u.
    """
    for verdict in record["verdicts"]:
        if verdict["measure"] == "undersize_share_ratio" and verdict["value"] is not None:
            return float(verdict["value"]), float(verdict["u"] or 0.0)
    stations, bead, coupon, measures = (record[name] for name in ("stations", "bead", "coupon", "measures"))
    if stations is None or bead is None:
        return None
    tee = record["joint"] == "tee" and stations["leg_base_mm"]
    names = ("leg_base", "leg_standing") if tee else ("width",)
    target = coupon["target_leg_mm"] if tee else coupon["target_width_mm"]
    steady = [(p["from_mm"], p["to_mm"]) for p in bead["parts"] if p["kind"] == "steady"]
    rows = zip(stations["along_mm"], *(stations[f"{name}_mm"] for name in names), strict=True)
    least = [min(row) for x, *row in rows if None not in row and any(low <= x <= high for low, high in steady)]
    if target is None or not least:
        return None
    u = max((measures[f"{name}_mean_mm"]["u"] for name in names if f"{name}_mean_mm" in measures), default=0.1)
    low, share, high = (sum(value + move < target for value in least) / len(least) for move in (u, 0.0, -u))
    return share, (high - low) / 2


def _share_words(share: float, u: float) -> tuple[str, str]:
    """(words, colour class) of a share of the length, ± at k = 2, or the range where that would leave 0 to 100 %."""
    if share + 2 * u < 0.005:
        return "nowhere", "good"
    colour = "bad" if share > 2 * u else "open"
    if u < 0.0025:
        return f"{100 * share:.0f} %", colour
    low, high = 100 * (share - 2 * u), 100 * (share + 2 * u)
    if low < 0 or high > 100:  # a share can't leave 0 to 100
        return f"{max(low, 0):.0f} to {min(high, 100):.0f} %", colour
    return f"{100 * share:.0f} ± {200 * u:.0f} %", colour


def rest(record: Record) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """(name, value ±) of the measures that the headline leaves: means first, then all the others."""
    measures = record["measures"]
    told = _shortest(measures) or "width_min_mm"
    listed = sorted((key for key in measures if measures[key]["value"] is not None and key != told), key=place)
    first = [key for key in MEANS if key in listed]
    others = [key for key in listed if key not in first]
    return [_named(measures, key) for key in first], [_named(measures, key) for key in others]


def one_line(entry: Entry) -> str:
    """A saved coupon in a few words: its first numbers and its spatter."""
    if entry.refused:
        return f"not measured: {entry.refused}"
    keys = ("leg_base_mean_mm", "leg_standing_mean_mm") if "leg_base_mean_mm" in entry.measures else ("width_mean_mm",)
    told = [entry.measures[key] for key in keys if key in entry.measures]
    words = (
        f"{'legs' if len(told) == 2 else 'width'} " + " and ".join(format_pm(m.value, m.u) for m in told) + " mm"
        if told
        else "ratios only"
    )
    return words + (f" · spatter {entry.spatter_n}" if entry.spatter_n is not None else "")


def _shortest(measures: Mapping[str, Any]) -> str:
    """Key of the shorter of the two shortest legs; empty where there are no legs."""
    legs = [key for key in ("leg_base_min_mm", "leg_standing_min_mm") if measures.get(key, {}).get("value") is not None]
    return min(legs, key=lambda key: float(measures[key]["value"]), default="")


def _named(measures: Mapping[str, Any], key: str) -> tuple[str, str]:
    return title(key).capitalize(), _pm(measures, key)


def _pm(measures: Mapping[str, Any], key: str) -> str:
    return pm_words(key, measures[key])
