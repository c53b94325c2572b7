"""Limit sets as data: one TOML a set in ``sets/``; adding a set is one more file.

A limit is ``constant + slope × of``, at most ``cap``; or a step table over ``of``; or nothing at all (``absent``).
``of`` names a variable: ``target_leg_mm``, ``target_width_mm``, ``plate_thickness_mm``, ``throat_mm``, ``width_mm``
(the measured face width) or ``process_spatter_per_cm2``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal

from toeline.errors import BadUsage
from toeline.keys import check_keys

__all__ = ["VARIABLES", "LimitRule", "LimitSet", "load_limit_sets"]

VARIABLES = ("target_leg_mm", "target_width_mm", "plate_thickness_mm", "throat_mm", "width_mm", "process_spatter_per_cm2")
Steps = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class LimitRule:
    """One limit.

    Attributes
    ----------
    key, title : str
    measure : tuple of str
        Each is judged on its own.
    side : str
        ``max`` or ``min``.
    constant, slope, cap, of
        The limit's formula, in ``unit``.
    steps, minus_steps : tuple of (upper edge of ``of``, value)
        The value of the first step that reaches the variable; ``minus_steps`` is taken off the formula.
    absolute : bool
        The size of the measure counts, not its sign.
    absent : bool
        Not permitted at all.
    sign : str
        Surface sign that hints at it.
    thickness_mm : (float, float) or None
        Plate thicknesses that it is for: above the first, up to the second.
    joints : tuple of str
        Empty: all.
    share : bool
        Tell the share of the length beyond the limit.
    clause, status, note : str
    """

    key: str
    title: str
    measure: tuple[str, ...]
    side: Literal["max", "min"]
    unit: str
    clause: str
    status: str
    constant: float = 0.0
    slope: float = 0.0
    of: str = ""
    cap: float | None = None
    steps: Steps = ()
    minus_steps: Steps = ()
    absolute: bool = False
    absent: bool = False
    sign: str = ""
    thickness_mm: tuple[float, float] | None = None
    joints: tuple[str, ...] = ()
    share: bool = False
    note: str = ""

    def limit(self, variables: Mapping[str, float]) -> float | None:
        """The limit for these variables, or None where the one it needs is not known."""
        if self.of and self.of not in variables:
            return None
        x = variables.get(self.of, 0.0)
        value = _step(self.steps, x) if self.steps else self.constant + self.slope * x
        value -= _step(self.minus_steps, x) if self.minus_steps else 0.0
        return value if self.cap is None else min(value, self.cap)

    def applies(self, joint: str, plate_thickness_mm: float | None) -> bool:
        if self.joints and joint not in self.joints:
            return False
        if self.thickness_mm is None:
            return True
        low, high = self.thickness_mm
        return high >= 1000 if plate_thickness_mm is None else low < plate_thickness_mm <= high


@dataclass(frozen=True, slots=True)
class LimitSet:
    """Limits that belong together: what they are called, which edition, and how well they are known."""

    name: str
    title: str
    edition: str
    status: str
    about: str
    limits: tuple[LimitRule, ...]

    def source(self, rule: LimitRule) -> str:
        return f"{self.title}, {rule.clause}; {self.edition}; {rule.status or self.status}"


def _step(steps: Steps, x: float) -> float:
    return next((value for edge, value in steps if x <= edge), steps[-1][1])


_SET_KEYS = ("title", "edition", "status", "about", "limits")
_NEEDS = ("key", "title", "measure", "side", "unit", "clause")
_MAY = (
    *(
        "constant",
        "slope",
        "of",
        "cap",
        "steps",
        "minus_steps",
        "absolute",
        "absent",
        "sign",
        "thickness_mm",
        "joints",
    ),
    *("share", "note", "status"),
)


@cache
def load_limit_sets() -> Mapping[str, LimitSet]:
    """All limit sets by name (the file's name without its ending).

    Raises
    ------
    BadUsage
        A file has a key nobody reads, or lacks one.
    """
    folder = files("toeline").joinpath("limits/sets")
    found = sorted(f.name for f in folder.iterdir() if f.name.endswith(".toml"))
    sets = {}
    for name in found:
        table = tomllib.loads(folder.joinpath(name).read_text(encoding="utf-8"))
        sets[name.removesuffix(".toml")] = read_limit_set(name.removesuffix(".toml"), table)
    return MappingProxyType(sets)


def read_limit_set(name: str, table: Mapping[str, Any]) -> LimitSet:
    """One limit set from its table; see :func:`load_limit_sets`."""
    check_keys(table, _SET_KEYS, (), name)
    rules = tuple(_rule(row, f"{name}, limit {row.get('key', '?')}") for row in table["limits"])
    return LimitSet(name, table["title"], table["edition"], table["status"], table["about"], rules)


def _rule(row: Mapping[str, Any], where: str) -> LimitRule:
    check_keys(row, _NEEDS, _MAY, where)
    if row["side"] not in ("max", "min"):
        raise BadUsage(f"{where} has the side {row['side']!r}.", advice="Use max or min.")
    if row.get("of", VARIABLES[0]) not in VARIABLES:
        raise BadUsage(f"{where} hangs on {row['of']!r}.", advice=f"Use one of: {', '.join(VARIABLES)}.")
    made: dict[str, Any] = {
        k: v for k, v in row.items() if k not in ("measure", "joints", "steps", "minus_steps", "thickness_mm")
    }
    for key in ("steps", "minus_steps"):
        made[key] = tuple((float(edge), float(value)) for edge, value in row.get(key, ()))
    span = row.get("thickness_mm")
    return LimitRule(
        **{"status": "", **made},
        measure=tuple(row["measure"]),
        joints=tuple(row.get("joints", ())),
        thickness_mm=None if span is None else (float(span[0]), float(span[1])),
    )
