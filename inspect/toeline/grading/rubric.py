"""Marks for a practice bead by a rubric that is data: criteria, weights, and what earns full and zero marks.

What was not measured is left out and said, never counted as zero.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import exp, hypot
from typing import Any

from toeline.causes.signs import all_signs, quantities, read_signs
from toeline.coupon import Coupon
from toeline.errors import BadUsage
from toeline.measure.result import BeadSize
from toeline.processes import Process, load_process
from toeline.quantity import Measured
from toeline.spatter.result import Spatter
from toeline.surface.result import SurfaceSign

__all__ = ["Criterion", "GradeSheet", "Mark", "Rubric", "grade", "load_rubric", "read_rubric"]

_MARK_SCALE = 100.0  # total when every criterion was marked
_ANY_PROCESS = "gmaw-s"  # whose tables are read where the process was not said; spatter is then left out


@dataclass(frozen=True, slots=True)
class Criterion:
    """One line of the rubric.

    Attributes
    ----------
    key, title : str
    weight : float
        Marks that it can earn.
    quantity : tuple of str
        The first one known is marked.
    signs : tuple of str
        Instead of a quantity: surface signs whose absence earns the marks.
    full, zero : (float, float)
        Edges of full and of zero marks, low and high; a side without limit has infinite edges.
    unit : str
    """

    key: str
    title: str
    weight: float
    quantity: tuple[str, ...]
    signs: tuple[str, ...]
    full: tuple[float, float]
    zero: tuple[float, float]
    unit: str

    def share(self, value: float) -> float:
        """Share of the marks that this value earns, 0 to 1: full between the full edges, falling in a straight line to zero."""
        if value < self.full[0]:
            return max(0.0, (value - self.zero[0]) / (self.full[0] - self.zero[0]))
        if value > self.full[1]:
            return max(0.0, (self.zero[1] - value) / (self.zero[1] - self.full[1]))
        return 1.0


@dataclass(frozen=True, slots=True)
class Rubric:
    """Criteria that belong together, and how well founded they are."""

    title: str
    edition: str
    status: str
    criteria: tuple[Criterion, ...]


@dataclass(frozen=True, slots=True)
class Mark:
    """One criterion's marks.

    Attributes
    ----------
    key, title : str
    value, u : float or None
        What was marked, in ``unit``; None for surface signs and for what was not measured.
    marks, marks_u : float or None
        None: not measured, so not counted.
    weight : float
        Marks that could be earned.
    words : str
    """

    key: str
    title: str
    value: float | None
    u: float | None
    marks: float | None
    marks_u: float | None
    weight: float
    unit: str
    words: str


@dataclass(frozen=True, slots=True)
class GradeSheet:
    """All marks; ``total`` is out of 100 over what could be marked, None where nothing could.

    Attributes
    ----------
    marks : tuple of Mark
    total, total_u : float or None
        Its u takes the criteria as independent.
    marked_share_ratio : float
        Share of the rubric's weight that could be marked.
    source : str
    """

    marks: tuple[Mark, ...]
    total: float | None
    total_u: float | None
    marked_share_ratio: float
    source: str

    def to_rows(self) -> list[dict[str, object]]:
        """One row a criterion, for tables."""
        return [
            {"criterion": m.title, "value": m.value, "u": m.u, "unit": m.unit, "marks": m.marks, "of": m.weight, "why": m.words}
            for m in self.marks
        ]


_NEEDS = ("key", "title", "weight")
_MAY = ("quantity", "signs", "full", "zero", "unit")


@cache
def load_rubric() -> Rubric:
    """The rubric that ships with the package (``rubric.toml``)."""
    return read_rubric(tomllib.loads(files("toeline").joinpath("grading/rubric.toml").read_text(encoding="utf-8")))


def read_rubric(table: Mapping[str, Any]) -> Rubric:
    """A rubric from its table.

    Raises
    ------
    BadUsage
        A key nobody reads (the valid ones are named), a sign that does not exist, or edges that contradict each other.
    """
    valid = ("title", "edition", "status", "criteria")
    for key in table:
        if key not in valid:
            raise BadUsage(f"The rubric has the key {key!r}, which nobody reads.", advice=f"Valid keys: {', '.join(valid)}.")
    return Rubric(table["title"], table["edition"], table["status"], tuple(_criterion(row) for row in table["criteria"]))


def _criterion(row: Mapping[str, Any]) -> Criterion:
    where = f"The rubric's criterion {row.get('key', '?')!r}"
    for key in row:
        if key not in (*_NEEDS, *_MAY):
            raise BadUsage(
                f"{where} has the key {key!r}, which nobody reads.", advice=f"Valid keys: {', '.join((*_NEEDS, *_MAY))}."
            )
    signs = tuple(row.get("signs", ()))
    for sign in signs:
        if sign not in all_signs():
            raise BadUsage(f"{where} names the sign {sign!r}.", advice=f"Known: {', '.join(all_signs())}.")
    full, zero = _edges(row, where) if not signs else ((0.0, 0.0), (0.0, 1.0))
    return Criterion(
        row["key"], row["title"], float(row["weight"]), tuple(row.get("quantity", ())), signs, full, zero, row.get("unit", "")
    )


def _edges(row: Mapping[str, Any], where: str) -> tuple[tuple[float, float], tuple[float, float]]:
    full, zero = row.get("full"), row.get("zero")
    endless = float("inf")
    if isinstance(full, list) and isinstance(zero, list) and len(full) == len(zero) == 2:
        edges = (float(full[0]), float(full[1])), (float(zero[0]), float(zero[1]))
    elif isinstance(full, int | float) and isinstance(zero, int | float):
        edges = ((-endless, full), (-endless, zero)) if full < zero else ((full, endless), (zero, endless))
    else:
        raise BadUsage(f"{where} lacks full and zero marks.", advice="Give two numbers, or two [low, high] pairs.")
    if edges[1][0] > edges[0][0] or edges[1][1] < edges[0][1] or edges[0] == edges[1]:
        raise BadUsage(f"{where} gives zero marks inside full marks.", advice="Put the zero edges outside the full ones.")
    return edges


def grade(
    size: BeadSize | None,
    *,
    surface: Iterable[SurfaceSign] | None,
    spatter: Spatter | None,
    coupon: Coupon,
    rubric: Rubric | None = None,
) -> GradeSheet:
    """Marks of one coupon, criterion by criterion.

    Parameters
    ----------
    size, surface, spatter
        None: not measured, not looked, not counted; those criteria are left out.
    coupon : Coupon
        Its targets and its process decide what earns marks.
    rubric : Rubric, optional
        Default: the one that ships.
    """
    rubric = rubric or load_rubric()
    process = load_process(coupon.process or _ANY_PROCESS)
    looked = None if surface is None else tuple(surface)
    known = _known(size, looked, spatter, coupon, process)
    readings = read_signs(size, surface=looked, spatter=spatter, coupon=coupon, process=process)
    seen = {name: r.probability for name, r in readings.items()}
    marks = tuple(_mark(c, known, seen, looked is not None) for c in rubric.criteria)
    counted = [m for m in marks if m.marks is not None and m.marks_u is not None]
    weight, whole = sum(m.weight for m in counted), sum(c.weight for c in rubric.criteria)
    source = f"{rubric.title}; {rubric.edition}; {rubric.status}"
    if weight == 0:
        return GradeSheet(marks, None, None, 0.0, source)
    scale = _MARK_SCALE / weight
    total = scale * sum(m.marks for m in counted if m.marks is not None)
    u = scale * hypot(*(m.marks_u for m in counted if m.marks_u is not None))
    return GradeSheet(marks, total, u, weight / whole, source)


def _known(
    size: BeadSize | None, surface: tuple[SurfaceSign, ...] | None, spatter: Spatter | None, coupon: Coupon, process: Process
) -> dict[str, Measured]:
    known = quantities(size, surface=surface, spatter=spatter, coupon=coupon, process=process)
    log = known.pop("spatter_log", None)
    if log is not None and coupon.process is not None:
        known["spatter_to_normal_ratio"] = Measured(exp(log.value), exp(log.value) * log.u)
    return known


def _mark(criterion: Criterion, known: Mapping[str, Measured], seen: Mapping[str, float], looked: bool) -> Mark:
    if criterion.signs:
        return _mark_signs(criterion, seen, looked)
    x = next((known[q] for q in criterion.quantity if q in known), None)
    if x is None:
        return _left_out(criterion)
    share = criterion.share(x.value)
    u = abs(criterion.share(x.value + x.u) - criterion.share(x.value - x.u)) / 2
    words = f"{x.value:.3g} ± {2 * x.u:.2g} {criterion.unit}".strip()
    return Mark(
        criterion.key,
        criterion.title,
        x.value,
        x.u,
        criterion.weight * share,
        criterion.weight * u,
        criterion.weight,
        criterion.unit,
        words,
    )


def _mark_signs(criterion: Criterion, seen: Mapping[str, float], looked: bool) -> Mark:
    """Marks go with the probability that none of the signs is there; signs that nobody looked for leave the criterion out."""
    p = [seen[s] for s in criterion.signs if s in seen]
    if not looked or not p:
        return _left_out(criterion)
    likely = [s for s in criterion.signs if seen.get(s, 0.0) >= 0.5]
    none = 1.0
    for name in likely:
        none *= 1 - seen[name]
    words = "; ".join(f"{all_signs()[s].title} ({100 * seen[s]:.0f} %, check by eye)" for s in likely) or "none seen"
    spread = criterion.weight * (none * (1 - none)) ** 0.5
    return Mark(criterion.key, criterion.title, None, None, criterion.weight * none, spread, criterion.weight, "", words)


def _left_out(criterion: Criterion) -> Mark:
    words = "not measured, so not counted"
    return Mark(criterion.key, criterion.title, None, None, None, None, criterion.weight, criterion.unit, words)
