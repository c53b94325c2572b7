"""What a person says of a coupon and of its photo, before anything is measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from numbers import Real
from types import MappingProxyType
from typing import Literal

from toeline.errors import BadUsage
from toeline.processes import process_names

PROCESSES: tuple[str, ...] = process_names()
JOINTS: tuple[str, ...] = ("tee", "butt", "plate", "lap", "corner")
POSITIONS: tuple[str, ...] = ("flat", "horizontal", "vertical-up", "vertical-down", "overhead")
PHOTOGRAPHED = "photographed"
"""How the plate was before, where a photo of it was laid over this one: found so, never said by a person."""
PLATE_BEFORE: tuple[str, ...] = ("clean", PHOTOGRAPHED, "unknown")
GAUGE: tuple[str, ...] = ("convexity_mm", "reinforcement_mm", "throat_mm", "size_mm", "undercut_mm", "crater_mm")
TESTS: tuple[str, ...] = ("break", "bend", "macro")
TEST_RESULTS: tuple[str, ...] = ("passed", "failed")
PLATE_NOW: tuple[str, ...] = ("as welded", "slag chipped", "brushed", "scraped", "sprayed")

Joint = Literal["tee", "butt", "plate", "lap", "corner"]

THICKEST_STRIP_MM = 10.0
"""Of a strip with its backing that can be right: thicker is a slip of the decimal point or of the unit (own judgement) [mm]."""
PRINT_FACTORS = (0.8, 1.25)
"""Least and greatest that a printer makes, 'fit to page' included (own judgement) [ratio]."""

_NO_NUMBERS: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Coupon:
    """The welded piece as its maker describes it; everything but the joint may stay unknown. Upper case is taken as lower case.

    Attributes
    ----------
    joint : str
        One of ``JOINTS``; ``tee`` has two plates, the others are seen as one.
    process : str or None
        One of the processes that have a TOML; None where nobody said.
    plate_thickness_mm, target_leg_mm : float or None
        [mm]
    travel : str or None
        Direction of travel in the coupon view: ``right`` or ``left``; None where nobody said.
    plate_before, plate_now : str
        How the plate was before this bead (``photographed``: a photo of it was given and laid over this one), and how it is in
        the photo.
    settings : mapping
        Machine settings by name with the unit at its end, for instance ``voltage_v``; see ``toeline.causes.settings``.
    gauge : mapping
        Readings of a gauge or of a section, for what a photo of the face can't show: the names in ``GAUGE``, each with
        its u as ``convexity_u_mm`` … where known.
    test, test_result : str or None
        A break, bend or macro test of this coupon and whether it ``passed`` or ``failed``; it outranks what the face looks like.
    observed : tuple of str
        Signs that you saw or heard yourself, by their names in ``causes/signs.toml``, for instance ``stubbing``.
    not_observed : tuple of str
        Signs that you looked for and did not find.
    """

    joint: str = "tee"
    process: str | None = None
    position: str | None = None
    plate_thickness_mm: float | None = None
    target_leg_mm: float | None = None
    target_width_mm: float | None = None
    root_gap_mm: float | None = None
    travel: str | None = None
    plate_before: str = "unknown"
    plate_now: str = "as welded"
    settings: Mapping[str, float | str] = field(default_factory=lambda: MappingProxyType({}))
    gauge: Mapping[str, float] = field(default_factory=lambda: _NO_NUMBERS)
    test: str | None = None
    test_result: str | None = None
    observed: tuple[str, ...] = ()
    not_observed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for what, value, known in (
            ("joint", self.joint, JOINTS),
            ("process", self.process, (None, *PROCESSES)),
            ("position", self.position, (None, *POSITIONS)),
            ("test", self.test, (None, *TESTS)),
            ("test_result", self.test_result, (None, *TEST_RESULTS)),
            ("travel", self.travel, (None, "right", "left")),
            ("plate_before", self.plate_before, PLATE_BEFORE),
            ("plate_now", self.plate_now, PLATE_NOW),
        ):
            lower = value.lower() if isinstance(value, str) else value
            object.__setattr__(self, what, lower)
            if lower not in known:
                names = ", ".join(str(k) for k in known if k not in (None, PHOTOGRAPHED))
                raise BadUsage(f"{value!r} is not a known {what.replace('_', ' ')}.", advice=f"Use one of: {names}.")
        for name in self.gauge:
            if name not in GAUGE and name.replace("_u_mm", "_mm") not in GAUGE:
                raise BadUsage(f"The gauge reading {name!r} is not known.", advice=f"Use one of: {', '.join(GAUGE)}.")
        for name in ("plate_thickness_mm", "target_leg_mm", "target_width_mm"):
            value = getattr(self, name)
            if value is not None and not 0.1 <= value <= 200:
                raise BadUsage(f"{name} of {value} can't be right.", advice="Give it in millimetres.")

    @property
    def heading(self) -> str:
        """Direction of travel in the coupon view: as told, else to the right."""
        return self.travel or "right"


@dataclass(frozen=True, slots=True)
class Scaling:
    """How the photo is to be scaled.

    Attributes
    ----------
    strip_thickness_mm : float, mapping of strip letter to float, or None
        Height of the printed face above the plate; None: not said (0.1 is assumed for a tee, flagged, and u grows) [mm].
    print_factor : (float, float)
        Printed length over nominal length, along and across the sheet [ratio].
    print_factor_u : (float, float)
        Their standard uncertainties [ratio].
    plate_scraped : bool
        The plate under the strips was scraped clean.
    plate_angle_deg : float or None
        Known angle between the two plates; None: square with the usual tolerance [deg].
    plate_angle_u_deg : float
        How far the plates may be from that angle, standard uncertainty [deg].
    camera : str or None
        Path of a camera profile (TOML).
    rule_px, rule_mm
        Two points on a rule in the photo [px] and the length between them [mm].
    px_per_mm : float or None
        Scale given by hand.
    unscaled : bool
        Work in pixels only.
    """

    strip_thickness_mm: float | Mapping[str, float] | None = None
    print_factor: tuple[float, float] = (1.0, 1.0)
    print_factor_u: tuple[float, float] = (0.001, 0.001)
    plate_scraped: bool = False
    plate_angle_deg: float | None = None
    plate_angle_u_deg: float = 3.0
    camera: str | None = None
    rule_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    rule_mm: float | None = None
    px_per_mm: float | None = None
    unscaled: bool = False

    def __post_init__(self) -> None:
        said = self.strip_thickness_mm
        if isinstance(said, Mapping):
            _check_letters(said)
        for mm in said.values() if isinstance(said, Mapping) else () if said is None else (said,):
            if not isinstance(mm, Real) or not 0 <= mm <= THICKEST_STRIP_MM:
                raise BadUsage(
                    f"A strip {mm:g} mm thick can't be right."
                    if isinstance(mm, Real)
                    else f"A strip's thickness can't be {mm!r}.",
                    advice="Give the height of the printed face above the plate in millimetres, such as 0.1 for paper or 1.0 for magnet sheet.",
                )
        for ratio in self.print_factor:
            if not PRINT_FACTORS[0] <= ratio <= PRINT_FACTORS[1]:
                raise BadUsage(
                    f"A print factor of {ratio:g} can't be right.",
                    advice="Divide the measured length of the 80 mm check line by 80: 80.4 mm gives 1.005.",
                )


def _check_letters(said: Mapping[str, float]) -> None:
    from toeline.scale.strips import load_strips  # the room of the scale needs this module first

    for letter in said:
        if letter not in load_strips():
            raise BadUsage(f"There is no strip {letter!r}.", advice=f"Their letters are {', '.join(load_strips())}.")


@dataclass(frozen=True, slots=True)
class Hints:
    """What a hand adds: points on toe lines, a box round the bead, a point on the bead that is meant; all in the upright photo.

    Attributes
    ----------
    through : tuple of (toe name, x, y)
        Anchors that the named toe line must pass through [px].
    box_px : (x0, y0, x1, y1) or None
        Box round the bead [px].
    bead_px : (x, y) or None
        A point on the bead that is meant, where several are in view [px].
    """

    through: tuple[tuple[str, float, float], ...] = ()
    box_px: tuple[float, float, float, float] | None = None
    bead_px: tuple[float, float] | None = None
