"""The sample photos through the whole flow, and a demo logbook of invented data."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from copy import deepcopy
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from toeline.causes.settings import normalised
from toeline.coupon import Coupon, Scaling
from toeline.errors import BadUsage, ToelineError
from toeline.inspection import inspect_photo
from toeline.photo import read_photo
from toeline.photo.reading import SUFFIXES
from toeline.quantity import format_pm
from toeline.spatter.rates import Tally, rate_interval

Record = dict[str, Any]
Row = tuple[str, ...]

#: Volts and spatter [1/cm²] of the made-up series.
DEMO_SPATTER = ((15.5, 0.55), (16.5, 0.22), (17.5, 0.14), (18.5, 0.32))
#: The demo's people and place are made up.
LEARNERS = ("Demo learner Ada", "Demo learner Bo", "Demo learner Cy")


def sample_truths(folder: Path) -> list[tuple[Path, Mapping[str, Any]]]:
    """(photo, truth) of every sample in a folder."""
    pairs = []
    for path in sorted(folder.glob("*.truth.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        photo = next((p for s in SUFFIXES if (p := folder / f"{path.name.removesuffix('.truth.json')}{s}").exists()), None)
        if photo is not None:
            pairs.append((photo, truth))
    if not pairs:
        raise BadUsage(f"There are no sample photos in {folder}.", advice="Run the demo from the project's own folder.")
    return pairs


def coupon_of(truth: Mapping[str, Any]) -> tuple[Coupon, Scaling]:
    """What a person would have said of a sample: joint, process, direction of travel, clean plate, strip thickness; never what is to be
    measured or why."""
    coupon = Coupon(joint=truth["joint"], process=truth["process"], travel=truth["travel"], plate_before="clean")
    thickness = {strip["name"]: float(strip["thickness_mm"]) for strip in truth["strips"]}
    return coupon, Scaling(strip_thickness_mm=thickness)


def machine_of(truth: Mapping[str, Any]) -> Mapping[str, float | str]:
    """What a person reads off the machine: wire, wire feed, volts; neither travel nor what went wrong."""
    told = truth["settings"]
    read = {
        "wire_diameter_mm": told["wire_mm"],
        "wire_feed_m_per_min": told["feed_m_per_min"],
        "voltage_v": round(told["volts"], 1),
    }
    return normalised(read)


def run_samples(folder: Path, *, overlay: Path | None = None) -> tuple[list[Row], list[tuple[Path, Record]]]:
    """Inspect every sample; one table row and one record each."""
    rows: list[Row] = []
    records: list[tuple[Path, Record]] = []
    for path, truth in sample_truths(folder):
        coupon, scaling = coupon_of(truth)
        coupon = replace(coupon, settings=machine_of(truth))
        try:
            found = inspect_photo(read_photo(path), coupon, scaling=scaling)
        except ToelineError as error:
            rows.append((path.stem, f"refused: {error.reason}", "", "", "", ""))
            continue
        record = found.as_dict()
        records.append((path, record))
        rows.append(_row(path, record, truth))
        if overlay is not None:
            from PIL import Image

            from toeline.report.overlay import overlay_picture

            overlay.mkdir(parents=True, exist_ok=True)
            Image.fromarray(overlay_picture(found)).save(overlay / f"{path.stem}-overlay.jpg", quality=90)
    return rows, records


def _row(path: Path, record: Mapping[str, Any], truth: Mapping[str, Any]) -> Row:
    head = (path.stem,)  # joint and process are in a sample's name
    planted = str(truth.get("fault") or "–")
    if record["refused"]:
        return (*head, f"refused: {record['refused']['reason']}", "", "", "", planted)
    measures = record["measures"]
    keys = ("leg_base_mean_mm", "leg_standing_mean_mm") if record["joint"] == "tee" else ("width_mean_mm",)
    measured = " / ".join(format_pm(measures[k]["value"], measures[k]["u"]) for k in keys)
    told = truth_means(record, truth)
    true = " / ".join(f"{told[k]:.2f}" for k in keys if k in told)
    causes = record["causes"]
    likely = (
        f"{causes[0]['cause']} ({100 * causes[0]['probability']:.0f} %)" if causes and causes[0]["probability"] >= 0.3 else "–"
    )
    spatter = record["spatter"]
    return (*head, measured, true, str(spatter["n"]) if spatter else "", likely, planted)


def truth_means(record: Mapping[str, Any], truth: Mapping[str, Any]) -> dict[str, float]:
    """True means over the truth's own steady part, by measure key."""
    stations = truth["stations"]
    steady = [part for part in truth["bead"]["parts"] if part["kind"] == "steady"]

    def inside(x: float) -> bool:
        return any(part["from_mm"] <= x <= part["to_mm"] for part in steady)

    out = {}
    for name in ("leg_base_mm", "leg_standing_mm", "width_mm"):
        values = [v for x, v in zip(stations["along_mm"], stations.get(name) or [], strict=False) if v is not None and inside(x)]
        if values:
            out[name.replace("_mm", "_mean_mm")] = sum(values) / len(values)
    return out


def fill_logbook(records: Iterable[tuple[Path, Record]], path: Path) -> int:
    """Make a demo logbook anew from sample records; every entry says that it is invented."""
    from toeline.logbook import Labels, Logbook

    records = list(records)
    path.parent.mkdir(parents=True, exist_ok=True)
    for old in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        old.unlink(missing_ok=True)
    n = 0
    start = datetime.now(UTC) - timedelta(days=80)
    with Logbook(path) as book:
        for i, (photo, record) in enumerate(records):
            if record["refused"]:
                continue
            book.save(
                record | {"photo": record["photo"] | {"taken_at": None}},  # the invented days make one series
                photo.read_bytes(),
                labels=Labels(
                    learner=LEARNERS[i % len(LEARNERS)], coupon=photo.stem, note="invented demo data: a rendered coupon"
                ),
                invented=True,
                saved_at=start + timedelta(days=2.5 * i),
            )
            n += 1
        for label, record in _volts_series(records):
            book.save(
                record,
                labels=Labels(learner=LEARNERS[0], coupon=label, note="invented demo data: numbers made up, no coupon, no photo"),
                invented=True,
                saved_at=start + timedelta(days=2.5 * n),
            )
            n += 1
    return n


def _volts_series(records: Iterable[tuple[Path, Record]]) -> Iterator[tuple[str, Record]]:
    """Made-up coupons of one tee welded at four voltages, so that the Tuning page has something to show: spatter is least in the middle."""
    like = next((r for _, r in records if r["process"] == "gmaw-s" and r["joint"] == "tee" and r["spatter"]), None)
    if like is None:
        return
    rng = np.random.default_rng(7)
    area = float(like["spatter"]["area_cm2"])
    for i, (volts, per_cm2) in enumerate((v, d) for v, d in DEMO_SPATTER for _ in range(3)):
        n = int(rng.poisson(per_cm2 * area * rng.gamma(9.0, 1 / 9.0)))
        record = deepcopy(like)
        name = f"demo-volts-{i + 1:02d}"
        record["photo"] |= {"name": name, "sha256": hashlib.sha256(name.encode()).hexdigest(), "taken_at": None}
        record["coupon"]["settings"] = {**record["coupon"]["settings"], "voltage_v": volts}
        interval = rate_interval(Tally((n,), (area,)))
        density = {"value": interval.value, "low": interval.low, "high": interval.high}
        record["spatter"] |= {"n": n, "density_per_cm2": density, "bands": [], "particles": []}
        record |= {"causes": [], "advice": None, "verdicts": [], "surface": [], "flags": []}
        _resize(record, float(rng.normal(1.0, 0.03)))
        yield name, record


def _resize(record: Record, factor: float) -> None:
    """The same bead a little larger or smaller, so that its numbers still belong together: lengths across it, not along it."""
    for key, measure in record["measures"].items():
        if key.endswith("_mm") and key not in ("length_mm", "ripple_spacing_mm") and measure["value"]:
            measure["value"] *= factor
    for key, row in (record["stations"] or {}).items():
        if key != "along_mm" and not key.endswith("_u_mm"):
            record["stations"][key] = [mm if mm is None else mm * factor for mm in row]


def fingerprint(samples: Path) -> str:
    """Hash of the package's files and the samples' truths: while it stays, the demo's table stays."""
    told = hashlib.sha256()
    package = Path(__file__).parent
    sources = sorted(p for p in package.rglob("*") if p.suffix in (".py", ".toml", ".json", ".onnx"))
    for path in [*sources, *sorted(samples.glob("*.truth.json"))]:
        told.update(path.name.encode())
        told.update(path.read_bytes())
    return told.hexdigest()


def remember(logbook: Path, mark: str, rows: list[Row]) -> None:
    """Keep the table beside the demo logbook, so that a second run need not measure again."""
    _table(logbook).write_text(json.dumps({"mark": mark, "rows": rows}), encoding="utf-8")


def remembered(logbook: Path, mark: str) -> list[Row] | None:
    """The table of an earlier run of the same package on the same samples; None where there is none."""
    try:
        kept = json.loads(_table(logbook).read_text(encoding="utf-8"))
        rows = [tuple(str(cell) for cell in row) for row in kept["rows"]]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return rows if kept["mark"] == mark and logbook.exists() else None


def _table(logbook: Path) -> Path:
    return logbook.with_name("demo-table.json")
