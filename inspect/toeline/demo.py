"""The sample photos through the whole flow, and a demo logbook of invented data."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from toeline.coupon import Coupon, Scaling
from toeline.errors import BadUsage, ToelineError
from toeline.inspection import inspect_photo
from toeline.photo import read_photo
from toeline.photo.reading import SUFFIXES
from toeline.quantity import format_pm

Record = dict[str, Any]
Row = tuple[str, ...]

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
    """What a person would have said of a sample: joint, process, clean plate, strip thickness; never what is to be measured or why."""
    coupon = Coupon(joint=truth["joint"], process=truth["process"], plate_before="clean")
    thickness = {strip["name"]: float(strip["thickness_mm"]) for strip in truth["strips"]}
    return coupon, Scaling(strip_thickness_mm=thickness)


def run_samples(folder: Path, *, overlay: Path | None = None) -> tuple[list[Row], list[tuple[Path, Record]]]:
    """Inspect every sample; one table row and one record each."""
    rows: list[Row] = []
    records: list[tuple[Path, Record]] = []
    for path, truth in sample_truths(folder):
        coupon, scaling = coupon_of(truth)
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
    likely = f"{causes[0]['cause']} ({causes[0]['probability']:.0%})" if causes and causes[0]["probability"] >= 0.3 else "–"
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

    path.parent.mkdir(parents=True, exist_ok=True)
    for old in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        old.unlink(missing_ok=True)
    n = 0
    start = datetime.now(UTC) - timedelta(days=40)
    with Logbook(path) as book:
        for i, (photo, record) in enumerate(records):
            if record["refused"]:
                continue
            book.save(
                record,
                photo.read_bytes(),
                labels=Labels(
                    learner=LEARNERS[i % len(LEARNERS)], coupon=photo.stem, note="invented demo data: a rendered coupon"
                ),
                invented=True,
                saved_at=start + timedelta(days=2.5 * i),
            )
            n += 1
    return n


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
