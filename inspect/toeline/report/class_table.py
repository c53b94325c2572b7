"""A class as one table: a row a coupon, every coupon against the same rubric; and the same as CSV for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from toeline.grading import GradeSheet
from toeline.quantity import format_pm
from toeline.report.summary import share_under_target

Record = Mapping[str, Any]
Cell = str | float | None
Row = dict[str, Cell]


def marks_as_dict(sheet: GradeSheet) -> dict[str, Any]:
    """A grade sheet as JSON values."""
    rows = [{"criterion": m.title, "marks": m.marks, "of": m.weight, "why": m.words} for m in sheet.marks]
    return {
        "total": sheet.total,
        "total_u": sheet.total_u,
        "marked_share_ratio": sheet.marked_share_ratio,
        "source": sheet.source,
        "rows": rows,
    }


def mark_words(grade: Mapping[str, Any]) -> str:
    """The total in words: ``71 ± 8 of 100``, and how much of the rubric could be marked."""
    if grade["total"] is None:
        return "nothing could be marked"
    share = grade["marked_share_ratio"]
    left_out = f" (on {100 * share:.0f} % of the rubric; the rest was not measured)" if share < 0.995 else ""
    return f"{format_pm(grade['total'], grade['total_u'] or 0.0)} of 100{left_out}"


def class_row(name: str, record: Record | None, *, grade: Mapping[str, Any] | None = None, trouble: str = "") -> Row:
    """One coupon.

    Parameters
    ----------
    name : str
        What the coupon is called: its file's name.
    record : mapping or None
        Its result; None where the photo could not be read.
    grade : mapping, optional
        Marks by the rubric, as :func:`marks_as_dict` gives them.
    trouble : str
        Why there is no record.
    """
    row: Row = {"coupon": name}
    if record is None or record["refused"]:
        refused = (record or {}).get("refused") or {}
        return row | {"remark": trouble or f"not measured: {refused.get('message', '')} {refused.get('advice', '')}".strip()}
    if grade is not None and grade["total"] is not None:
        row["mark"] = round(grade["total"], 1)
        row["± mark"] = round(2 * (grade["total_u"] or 0.0), 1)
    measures = record["measures"]
    legs = [m["value"] for k in ("leg_base_min_mm", "leg_standing_min_mm") if (m := measures.get(k)) and m["value"] is not None]
    if legs:
        row["shortest leg [mm]"] = round(min(legs), 2)
    for key, title in (
        ("leg_base_mean_mm", "base leg [mm]"),
        ("leg_standing_mean_mm", "standing leg [mm]"),
        ("width_mean_mm", "width [mm]"),
    ):
        if key in measures and measures[key]["value"] is not None:
            row[title] = round(measures[key]["value"], 2)
            row[f"± {title}"] = round(2 * (measures[key]["u"] or 0.0), 2)
    share = share_under_target(record)
    if share is not None:
        row["under target [%]"] = round(100 * share[0])
    spatter = record["spatter"]
    if spatter:
        row["spatter"] = spatter["n"]
        if spatter["density_per_cm2"]:
            row["spatter per cm²"] = round(spatter["density_per_cm2"]["value"], 2)
    beyond = [v["title"] for v in record["verdicts"] if v["outcome"] == "beyond"]
    row["beyond"] = "; ".join(beyond)
    row["change"] = (record["advice"] or {}).get("next_change") or ""
    for line in (grade or {}).get("rows", ()):
        row[f"{line['criterion']} (of {line['of']:g})"] = None if line["marks"] is None else round(line["marks"], 1)
    return row


def columns(rows: Sequence[Row]) -> list[str]:
    """All titles that any row has, in order."""
    return list(dict.fromkeys(title for row in rows for title in row))


def csv_text(rows: Sequence[Row]) -> str:
    """RFC 4180 with a byte-order mark, so that spreadsheets read ± and ²; text that looks like a formula is quoted off."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns(rows), restval="")
    writer.writeheader()
    writer.writerows({title: _harmless(cell) for title, cell in row.items()} for row in rows)
    return "\ufeff" + out.getvalue()


def _harmless(cell: Cell) -> Cell:
    """A file name such as ``=SUM(…).jpg`` must not run in a spreadsheet."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell
