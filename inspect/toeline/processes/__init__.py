"""What is known of each process, one TOML a process; adding a process is one more file in this folder.

A process's table is laid over the one it is ``based_on`` (``wire-feed.base.toml`` where it names none), key by key: a link of
strength 0 goes, a cause of prior 0 goes, ``remove = true`` empties a table before the rest is laid on. Keys that nobody
reads are an error that names the valid ones.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from toeline.errors import BadUsage
from toeline.keys import check_keys

__all__ = [
    "CauseTable",
    "Norm",
    "Note",
    "Process",
    "SpatterNorm",
    "Transition",
    "VoltsForAmps",
    "Window",
    "WireClass",
    "load_process",
    "process_names",
]

FOLDER = Path(__file__).parent
_BASE = "wire-feed.base"

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Norm:
    """Edges of what a good bead shows, in the quantity's own unit; ``soft`` is one standard deviation of the edge itself."""

    low: float | None
    high: float | None
    soft: float
    source: str


@dataclass(frozen=True, slots=True)
class SpatterNorm:
    """Spatter that is normal for the process [1/cm²]; ``soft_ratio`` blurs the upper edge (one standard deviation, as a
    factor).
    """

    normal_density_per_cm2: Range
    soft_ratio: float
    note: str
    source: str


@dataclass(frozen=True, slots=True)
class Window:
    """Usual settings of one wire; None where no row was found. ``wire_diameter_mm`` [mm], amps, volts, wire feed [mm/min]."""

    wire_diameter_mm: float
    current_a: Range | None
    voltage_v: Range | None
    wire_feed_mm_per_min: Range | None
    source: str


@dataclass(frozen=True, slots=True)
class VoltsForAmps:
    """Volts that go with amps: ``constant_v + per_amp_v * amps``; usual from ``below_v`` under that line to ``above_v`` over it, and
    edges known to ``u_v``.
    """

    constant_v: float
    per_amp_v: float
    below_v: float
    above_v: float
    u_v: float
    source: str


@dataclass(frozen=True, slots=True)
class Transition:
    """Amps at which globular transfer turns into spray, by wire diameter [mm], and the argon share that it needs [%]."""

    argon_possible_percent: float
    argon_marginal_percent: float
    current_a_by_wire_mm: Mapping[float, float]
    u_ratio: float
    source: str


@dataclass(frozen=True, slots=True)
class WireClass:
    """What a class of cored wire asks for."""

    name: str
    polarity: tuple[str, ...]
    positions: tuple[str, ...]
    ctwd_mm: Range
    single_pass: bool
    source: str


@dataclass(frozen=True, slots=True)
class Note:
    """A sentence for a person, and when it is due (empty: always)."""

    text: str
    when: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class CauseTable:
    """One cause: how common, which signs it makes, what to do about it.

    Attributes
    ----------
    key, title, kind : str
        ``kind`` is technique, settings or condition.
    prior : float
        How often a practice coupon has it.
    links : mapping of sign to (strength, source)
        Strength in [−1, 1]: how often the cause alone makes the sign appear; negative: how much less likely it makes it.
    opposite : str
        Key of the cause that can't be there at the same time, or empty.
    joints : tuple of str
        Joints where it can happen; empty: all.
    effort : float
        Cost of trying the change, in the currency of one full fault cured.
    """

    key: str
    title: str
    kind: str
    prior: float
    links: Mapping[str, tuple[float, str]]
    change: str
    change_tap: str
    change_dial: str
    expect: str
    otherwise: str
    check: str
    caution: str
    opposite: str
    joints: tuple[str, ...]
    effort: float


@dataclass(frozen=True, slots=True)
class Process:
    """Everything known of one process; see the TOML files for units and sources."""

    name: str
    title: str
    transfer: str
    slag: bool
    polarity: tuple[str, ...]
    positions: tuple[str, ...]
    gun: str
    rolls: str
    ctwd_mm: Range
    gas_flow_l_per_min: Range
    argon_percent: Range | None
    plate_thickness_mm: Range
    arc_efficiency_ratio: float
    deposition_ratio: float
    deposition_u_ratio: float
    deposition_source: str
    spatter: SpatterNorm
    norms: Mapping[str, Norm]
    norms_by_position: Mapping[str, Mapping[str, Norm]]
    windows: tuple[Window, ...]
    volts_for_amps: VoltsForAmps | None
    transition: Transition | None
    wire_classes: Mapping[str, WireClass]
    leaks: Mapping[str, float]
    causes: Mapping[str, CauseTable]
    notes: tuple[Note, ...]
    sources: Mapping[str, str]
    cautions: Mapping[str, str]

    @property
    def gas_shielded(self) -> bool:
        return self.gas_flow_l_per_min[1] > 0

    def norm(self, quantity: str, position: str | None) -> Norm | None:
        """Normal range of a quantity in this position; None where the process has none."""
        special = self.norms_by_position.get(position or "", {})
        return special.get(quantity, self.norms.get(quantity))

    def leak(self, sign: str) -> float:
        """How often the sign shows without any of the causes."""
        return self.leaks.get(sign, self.leaks["default"])


def process_names(folder: Path | None = None) -> tuple[str, ...]:
    """Names of all processes that have a TOML, solid wire first, then by name."""
    found = (p.stem for p in (folder or FOLDER).glob("*.toml") if not p.stem.endswith(".base"))
    order = ("gmaw-s", "gmaw-spray", "gmaw-p", "fcaw-s", "fcaw-g")
    return tuple(sorted(found, key=lambda n: (order.index(n) if n in order else len(order), n)))


@cache
def load_process(name: str, folder: Path | None = None) -> Process:
    """The process's table.

    Raises
    ------
    BadUsage
        No such process, or a key in its file that nobody reads.
    """
    folder = folder or FOLDER
    known = process_names(folder)
    if name not in known:
        raise BadUsage(f"{name!r} is not a process that is known here.", advice=f"Use one of: {', '.join(known)}.")
    return _process(name, _merged(name, folder))


def _merged(name: str, folder: Path) -> dict[str, Any]:
    path = folder / f"{name}.toml"
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BadUsage(f"{name!r} has no file to be based on.", advice=f"Known: {', '.join(process_names(folder))}.") from None
    except tomllib.TOMLDecodeError as error:
        raise BadUsage(f"{path.name} is not valid TOML: {error}.", advice="Correct the file.") from None
    base = table.pop("based_on", None if name == _BASE else _BASE)
    return _laid_over(_merged(base, folder), table) if base else table


def _laid_over(under: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    result = {} if over.get("remove") else dict(under)
    for key, value in over.items():
        if key == "remove":
            continue
        below = result.get(key)
        result[key] = _laid_over(below, value) if isinstance(value, dict) and isinstance(below, dict) else value
        if isinstance(value, dict) and not isinstance(below, dict):
            result[key] = _laid_over({}, value)
    return result


def _range(value: Any, where: str) -> Range:
    if not isinstance(value, list) or len(value) != 2 or not value[0] <= value[1]:
        raise BadUsage(f"{where} must be [low, high], got {value!r}.", advice="Give two numbers, the lower one first.")
    return float(value[0]), float(value[1])


def _norms(table: Mapping[str, Any], sources: Mapping[str, str], where: str) -> Mapping[str, Norm]:
    made = {}
    for key, row in table.items():
        check_keys(row, ("soft", "source"), ("low", "high"), f"{where}.{key}")
        made[key] = Norm(row.get("low"), row.get("high"), row["soft"], _source(row["source"], sources, f"{where}.{key}"))
    return MappingProxyType(made)


def _source(key: str, sources: Mapping[str, str], where: str) -> str:
    if key not in sources:
        raise BadUsage(f"{where} names the source {key!r}, which [sources] lacks.", advice=f"Known: {', '.join(sources)}.")
    return sources[key]


_CAUSE_NEEDS = ("title", "kind", "prior", "links", "change", "expect", "otherwise", "check", "caution", "effort")
_CAUSE_MAY = ("opposite", "joints", "change_tap", "change_dial")


def _cause(key: str, row: Mapping[str, Any], sources: Mapping[str, str], cautions: Mapping[str, str], where: str) -> CauseTable:
    check_keys(row, _CAUSE_NEEDS, _CAUSE_MAY, where)
    if row["kind"] not in ("technique", "settings", "condition"):
        raise BadUsage(f"{where}.kind is {row['kind']!r}.", advice="Use technique, settings or condition.")
    if row["caution"] not in cautions:
        raise BadUsage(f"{where} names the caution {row['caution']!r}.", advice=f"Known: {', '.join(cautions)}.")
    links = {}
    for sign, (strength, source) in row["links"].items():
        if not -1 < strength < 1:
            raise BadUsage(f"{where}.links.{sign} is {strength}.", advice="A strength lies between -1 and 1.")
        if strength:
            links[sign] = (float(strength), _source(source, sources, f"{where}.links.{sign}"))
    return CauseTable(
        key=key,
        title=row["title"],
        kind=row["kind"],
        prior=float(row["prior"]),
        links=MappingProxyType(links),
        change=row["change"],
        change_tap=row.get("change_tap", ""),
        change_dial=row.get("change_dial", ""),
        expect=row["expect"],
        otherwise=row["otherwise"],
        check=row["check"],
        caution=cautions[row["caution"]],
        opposite=row.get("opposite", ""),
        joints=tuple(row.get("joints", ())),
        effort=float(row["effort"]),
    )


_NEEDS = (
    *("title", "transfer", "slag", "polarity", "positions", "gun", "rolls", "ctwd_mm", "gas_flow_l_per_min", "argon_percent"),
    *(
        "plate_thickness_mm",
        "arc_efficiency_ratio",
        "deposition_ratio",
        "spatter",
        "norms",
        "causes",
        "leaks",
        "sources",
        "cautions",
    ),
)
_MAY = ("norms_by_position", "windows", "volts_for_amps", "transition", "wire_classes", "notes")


def _process(name: str, table: Mapping[str, Any]) -> Process:
    check_keys(table, _NEEDS, _MAY, name)
    sources, cautions = table["sources"], table["cautions"]
    deposition, spatter = table["deposition_ratio"], table["spatter"]
    check_keys(deposition, ("value", "u", "source"), (), f"{name}.deposition_ratio")
    check_keys(spatter, ("normal_density_per_cm2", "soft_ratio", "note", "source"), (), f"{name}.spatter")
    causes = {
        key: _cause(key, row, sources, cautions, f"{name}.causes.{key}")
        for key, row in table["causes"].items()
        if row.get("prior", 1) != 0
    }
    for cause in causes.values():
        if cause.opposite and cause.opposite not in table["causes"]:
            raise BadUsage(f"{name}.causes.{cause.key} has the opposite {cause.opposite!r}.", advice="Name a cause that exists.")
    return Process(
        name=name,
        title=table["title"],
        transfer=table["transfer"],
        slag=table["slag"],
        polarity=tuple(table["polarity"]),
        positions=tuple(table["positions"]),
        gun=table["gun"],
        rolls=table["rolls"],
        ctwd_mm=_range(table["ctwd_mm"], f"{name}.ctwd_mm"),
        gas_flow_l_per_min=_range(table["gas_flow_l_per_min"], f"{name}.gas_flow_l_per_min"),
        argon_percent=_range(table["argon_percent"], f"{name}.argon_percent") if table["argon_percent"] else None,
        plate_thickness_mm=_range(table["plate_thickness_mm"], f"{name}.plate_thickness_mm"),
        arc_efficiency_ratio=table["arc_efficiency_ratio"],
        deposition_ratio=deposition["value"],
        deposition_u_ratio=deposition["u"],
        deposition_source=deposition["source"],
        spatter=SpatterNorm(
            _range(spatter["normal_density_per_cm2"], f"{name}.spatter"),
            spatter["soft_ratio"],
            spatter["note"],
            spatter["source"],
        ),
        norms=_norms(table["norms"], sources, f"{name}.norms"),
        norms_by_position=MappingProxyType(
            {k: _norms(v, sources, f"{name}.norms_by_position.{k}") for k, v in table.get("norms_by_position", {}).items()}
        ),
        windows=tuple(_window(row, f"{name}.windows") for row in table.get("windows", ())),
        volts_for_amps=_volts(table.get("volts_for_amps"), f"{name}.volts_for_amps"),
        transition=_transition(table.get("transition"), f"{name}.transition"),
        wire_classes=MappingProxyType(
            {k: _wire_class(k, v, f"{name}.wire_classes.{k}") for k, v in table.get("wire_classes", {}).items()}
        ),
        leaks=MappingProxyType(dict(table["leaks"])),
        causes=MappingProxyType(causes),
        notes=tuple(_note(row, f"{name}.notes") for row in table.get("notes", ())),
        sources=MappingProxyType(dict(sources)),
        cautions=MappingProxyType(dict(cautions)),
    )


def _window(row: Mapping[str, Any], where: str) -> Window:
    ranges = ("current_a", "voltage_v", "wire_feed_mm_per_min")
    check_keys(row, ("wire_diameter_mm", "source"), ranges, where)
    made = [_range(row[k], f"{where}.{k}") if k in row else None for k in ranges]
    return Window(row["wire_diameter_mm"], made[0], made[1], made[2], row["source"])


def _volts(row: Mapping[str, Any] | None, where: str) -> VoltsForAmps | None:
    if not row:
        return None
    check_keys(row, ("constant_v", "per_amp_v", "below_v", "above_v", "u_v", "source"), (), where)
    return VoltsForAmps(**row)


def _transition(row: Mapping[str, Any] | None, where: str) -> Transition | None:
    if not row:
        return None
    check_keys(row, ("argon_possible_percent", "argon_marginal_percent", "wires", "u_ratio", "source"), (), where)
    amps = MappingProxyType({w["wire_diameter_mm"]: w["current_a"] for w in row["wires"]})
    return Transition(row["argon_possible_percent"], row["argon_marginal_percent"], amps, row["u_ratio"], row["source"])


def _wire_class(name: str, row: Mapping[str, Any], where: str) -> WireClass:
    check_keys(row, ("polarity", "positions", "ctwd_mm", "source"), ("single_pass",), where)
    ctwd = _range(row["ctwd_mm"], where)
    return WireClass(name, tuple(row["polarity"]), tuple(row["positions"]), ctwd, row.get("single_pass", False), row["source"])


_WHEN = ("plate_thickness_min_mm", "plate_thickness_max_mm", "position_in", "wire_class_in")


def _note(row: Mapping[str, Any], where: str) -> Note:
    check_keys(row, ("text",), ("when",), where)
    check_keys(row.get("when", {}), (), _WHEN, f"{where}.when")
    return Note(row["text"], MappingProxyType(dict(row.get("when", {}))))
