"""What a person chooses before measuring, as plain values that can be remembered, and the coupon and scaling they make."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Self

from toeline.causes.settings import normalised
from toeline.coupon import Coupon, Scaling
from toeline.logbook import Entry
from toeline.pages.work import Asked
from toeline.processes import load_process
from toeline.report.tables import unit_of

JOINT_WORDS: Mapping[str, str] = {
    "tee": "tee (fillet)",
    "butt": "butt",
    "plate": "bead on plate",
    "lap": "lap",
    "corner": "corner",
}
#: Strips come in pairs; the longer name says how one pair differs from another.
PAIRS: Mapping[str, str] = {"AB": "A + B, long", "CD": "C + D, short", "EF": "E + F, slim"}
#: How a strip lies on the plate, and how high its printed face is then [mm]; None: another height.
BACKINGS: Mapping[str, float | None] = {"bare paper": 0.1, "stiff card": 0.5, "magnet sheet": 1.0, "another": None}
#: Settings that a page asks for: key as :func:`toeline.causes.settings.normalised` reads it → words and unit.
SETTINGS: Mapping[str, str] = {
    "voltage_v": "volts [V]",
    "tap": "voltage tap",
    "voltage_dial": "voltage dial, mark",
    "wire_feed_m_per_min": "wire feed [m/min]",
    "wire_in_6_s_mm": "wire run in 6 s [mm]",
    "wire_feed_dial": "wire-feed dial, mark",
    "trim": "trim (arc length)",
    "inductance": "inductance, mark",
    "current_a": "amps [A]",
    "wire_diameter_mm": "wire diameter [mm]",
    "travel_speed_cm_per_min": "travel speed [cm/min]",
    "seconds_for_100_mm": "seconds for 100 mm of travel",
    "ctwd_mm": "contact tip to work [mm]",
    "gas_flow_l_per_min": "gas flow [l/min]",
    "gas": "gas, such as 82 Ar 18 CO2",
    "polarity": "polarity, DCEP or DCEN",
}


@dataclass(frozen=True, slots=True)
class Choices:
    """Everything asked for on the pages; the defaults are what a newcomer sees.

    ``thickness_mm`` is remembered by strip letter; a strip that nobody measured is not in it.
    """

    joint: str = "tee"
    process: str | None = None
    pair: str = "AB"
    thickness_mm: Mapping[str, float] = field(default_factory=dict)
    target_leg_mm: float | None = None
    target_width_mm: float | None = None
    plate_clean: bool = False
    position: str | None = None
    travel: str | None = None
    plate_now: str = "as welded"
    plate_thickness_mm: float | None = None
    plate_scraped: bool = False
    check_across_mm: float = 80.0
    check_down_mm: float = 80.0
    limit_set: str = "teaching"
    settings: Mapping[str, float | str] = field(default_factory=dict)
    learner: str = ""

    @classmethod
    def read(cls, told: Mapping[str, Any]) -> Self:
        """From remembered values; names that no longer exist are let go."""
        known = {f.name for f in fields(cls)}
        return cls(**{name: value for name, value in told.items() if name in known})

    def plain(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self)

    @property
    def legs(self) -> bool:
        """Does this joint show its legs?"""
        return self.joint == "tee"

    def asked(self) -> Asked:
        """The coupon and scaling that these choices make.

        Raises
        ------
        BadUsage
            A value that can't be right.
        """
        coupon = Coupon(
            joint=self.joint,
            process=self.process,
            position=self.position,
            plate_thickness_mm=self.plate_thickness_mm,
            target_leg_mm=self.target_leg_mm if self.legs else None,
            target_width_mm=None if self.legs else self.target_width_mm,
            travel=self.travel,
            plate_before="clean" if self.plate_clean else "unknown",
            plate_now=self.plate_now,
            settings=normalised(self.settings),
        )
        factors = (self.check_across_mm / 80.0, self.check_down_mm / 80.0)
        scaling = Scaling(
            strip_thickness_mm=dict(self.thickness_mm) or None, print_factor=factors, plate_scraped=self.plate_scraped
        )
        return Asked(coupon, scaling, self.limit_set)

    def in_words(self) -> str:
        """One line to see at a glance what will be assumed."""
        process = load_process(self.process).title if self.process else "process not said"
        told = {self.thickness_mm.get(letter) for letter in self.pair}
        height = "thickness not said" if told == {None} else " and ".join("?" if mm is None else f"{mm:g} mm" for mm in told)
        target = self.target_leg_mm if self.legs else self.target_width_mm
        wanted = f"target {'leg' if self.legs else 'width'} {target:g} mm" if target else "no target"
        return f"{JOINT_WORDS[self.joint].capitalize()} · {process} · strips {' + '.join(self.pair)}, {height} · {wanted}"


def kind_of(entry: Entry) -> tuple[str, str]:
    """A saved coupon's process and joint: only coupons of one kind can be compared."""
    return entry.coupon.process or "", entry.coupon.joint


def kind_words(kind: tuple[str, str]) -> str:
    """A process and a joint, as one kind of coupon, in words."""
    process, joint = kind
    return f"{load_process(process).title if process else 'process not said'}, {JOINT_WORDS[joint]}"


def setting_words(key: str) -> str:
    """A setting's key in words, with its unit."""
    if key in SETTINGS:
        return SETTINGS[key]
    if key == "wire_feed_mm_per_min":
        return "wire feed [mm/min]"
    if key == "travel_speed_mm_per_min":
        return "travel speed [mm/min]"
    unit = {"v": "V", "a": "A"}.get(key.rsplit("_", 1)[-1]) or unit_of(key)
    name = key.rsplit("_", 1)[0] if unit else key
    return name.replace("_", " ") + (f" [{unit}]" if unit else "")
