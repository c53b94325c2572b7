"""Planted faults from pictures: is the planted cause among the first three, and do sound coupons name none?

A person knows the process, the joint, the size on the drawing and that the plate was clean; with ``--settings`` also wire diameter, wire
feed and volts as they stand on the machine. Travel speed, angle and the fault itself are never told. This tests the code, not the trade:
the coupons are rendered, and how a fault changes their look is the project's own model of common practice.

    python -m bench.faults [--folder FOLDER] [--settings]
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from math import sqrt
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from sample_images.scene.bead import width_of_area
from sample_images.scene.coupon import Coupon as Made
from sample_images.scene.coupon import make_coupon
from sample_images.scene.process import look_of
from sample_images.scene.shipped import EVALUATION_FIRST_SEED, SHIPPED, evaluation_choices, shipped_choices

from toeline.causes import Diagnosis
from toeline.coupon import Coupon
from toeline.demo import coupon_of, sample_truths
from toeline.inspection import inspect_photo
from toeline.photo import read_photo

__all__ = ["RIGHT", "Outcome", "asked", "fault_outcomes", "is_right", "summary", "target_mm"]

#: A sound coupon on which a cause reaches this is a false alarm.
NAMED = 0.3
N_FIRST = 3

#: Planted fault → causes that count as right, and why where it is more than the name.
RIGHT: Mapping[str, tuple[tuple[str, ...], str]] = {
    "travel too fast": (("travel-fast",), ""),
    "travel too slow": (("travel-slow",), ""),
    "travel unsteady": (("travel-unsteady",), ""),
    "work angle off": (
        ("gun-at-base", "gun-at-standing", "gun-to-one-side"),
        "on a tee only the side that it leans to; a flat bead has no base and no standing plate",
    ),
    "volts low": (("volts-low", "trim-short"), "pulsed spray has no volts to set: its arc length is the trim"),
    "volts high": (("volts-high", "trim-long"), "pulsed spray has no volts to set: its arc length is the trim"),
    "ctwd long": (("ctwd-long",), ""),
    "wrong polarity": (("polarity-wrong",), ""),
    "contaminated plate": (("plate-dirty",), ""),
    "poor gas cover": (
        ("gas-flow-low", "gas-flow-high", "draught", "nozzle-clogged"),
        "the coupon lacks gas at the arc; which of these took it away leaves no mark of its own",
    ),
    "crater not filled": (("crater-fill",), ""),
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """One coupon: what was planted, what was named first, how likely, and whether that was right."""

    name: str
    process: str
    joint: str
    fault: str | None
    refused: str
    first: tuple[tuple[str, float], ...]
    right: bool


def is_right(truth: Mapping[str, Any], diagnosis: Diagnosis) -> bool:
    """Is the planted cause among the first three; for a sound coupon: does no cause reach ``NAMED``?"""
    fault = truth["fault"]
    if fault is None:
        return all(cause.probability <= NAMED for cause in diagnosis.causes)
    wanted = set(RIGHT[fault][0])
    if fault == "work angle off":
        at_base = truth["settings"]["work_angle_off_deg"] > 0
        wanted -= {"gun-at-standing" if at_base else "gun-at-base"}
    return any(cause.key in wanted for cause in diagnosis.causes[:N_FIRST])


def remade(name: str, truth: Mapping[str, Any]) -> Made | None:
    """The coupon's geometry made again from its seed (no rendering); None where the seed does not give this coupon any more."""
    seed = int(truth["seed"])
    shipped = next(((n, s, given) for n, s, given in SHIPPED if s == seed and n.split(".")[0] == name), None)
    choices = shipped_choices(shipped[0], shipped[2]) if shipped else evaluation_choices(seed - EVALUATION_FIRST_SEED)
    made = make_coupon(seed, **choices)
    told = truth["settings"]
    same = (
        abs(made.settings.travel_mm_per_min - told["travel_mm_per_min"]) < 0.1 and abs(made.settings.volts - told["volts"]) < 0.01
    )
    return made if same else None


def target_mm(made: Made) -> float:
    """The size on the drawing: leg or width that the sound settings give, to the nearest half millimetre [mm]."""
    look = look_of(made.sound, made.sound)
    tee = made.joint == "tee"
    chord = width_of_area(look.area_mm2, look, 90.0, tee)
    return max(2.0, round(2 * (chord / sqrt(2) if tee else chord)) / 2)


def asked(name: str, truth: Mapping[str, Any], *, settings: bool) -> Coupon:
    """What a person would say of a coupon before its photo is inspected."""
    coupon, _ = coupon_of(truth)
    made = remade(name, truth)
    size = None if made is None else target_mm(made)
    tee = truth["joint"] == "tee"
    told = truth["settings"]
    machine = {
        "wire_diameter_mm": float(told["wire_mm"]),
        "wire_feed_m_per_min": float(told["feed_m_per_min"]),
        "voltage_v": float(told["volts"]),
    }
    return replace(
        coupon,
        position="horizontal" if tee else "flat",
        travel=truth["travel"],
        target_leg_mm=size if tee else None,
        target_width_mm=None if tee else size,
        settings=machine if settings else {},
    )


def fault_outcomes(folder: Path, *, settings: bool = False, most: int | None = None) -> Iterator[Outcome]:
    """Inspect every coupon of a folder of photos with their truth as a person would."""
    for path, truth in sample_truths(folder)[:most]:
        name = path.name.split(".")[0]
        _, scaling = coupon_of(truth)
        found = inspect_photo(read_photo(path), asked(name, truth, settings=settings), scaling=scaling)
        head = (name, str(truth["process"]), str(truth["joint"]), truth["fault"])
        if found.refused is not None or found.diagnosis is None:
            yield Outcome(*head, found.refused.reason if found.refused else "?", (), False)
            continue
        first = tuple((cause.key, cause.probability) for cause in found.diagnosis.causes[:N_FIRST])
        yield Outcome(*head, "", first, is_right(truth, found.diagnosis))


def summary(outcomes: Iterable[Outcome]) -> dict[str, tuple[int, int]]:
    """(right, all) of faulty and sound coupons that were measured, and of each fault."""
    right: Counter[str] = Counter()
    n: Counter[str] = Counter()
    for one in outcomes:
        if one.refused:
            continue
        for key in ("no fault",) if one.fault is None else ("faults", one.fault):
            right[key] += one.right
            n[key] += 1
    return {key: (right[key], n[key]) for key in n}


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--folder", type=Path, default=Path("sample_images"))
    ask.add_argument("--settings", action="store_true", help="enter wire diameter, wire feed and volts too")
    told = ask.parse_args()
    out = Console(highlight=False, width=170)
    table = Table("photo", "process", "joint", "planted", "", "first three", box=None)
    outcomes = []
    for one in fault_outcomes(told.folder, settings=told.settings):
        outcomes.append(one)
        first = ", ".join(f"{key} {p:.2f}" for key, p in one.first) or f"refused: {one.refused}"
        table.add_row(one.name, one.process, one.joint, one.fault or "–", "" if one.refused else "✓" if one.right else "✗", first)
    out.print(table)
    for key, (right, n) in sorted(summary(outcomes).items(), key=lambda row: (row[0] not in ("faults", "no fault"), row[0])):
        out.print(f"{key}: {right} of {n} ({right / n:.0%})")


if __name__ == "__main__":
    main()
