"""What a bead's lines leave in doubt: flags, each with the stretch that it doubts."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.ends import runs
from toeline.bead.result import Part
from toeline.bead.stations import Stations
from toeline.flags import Flag
from toeline.scale.rays import tilt_deg
from toeline.scale.solution import Scale

Array = NDArray[np.float64]

UNSURE_CONFIDENCE = 0.25
"""Below this a bead is answered but doubted [ratio]."""
RIVAL_BEAD = 0.5
"""Another bead with at least this share of the chosen one's total contrast is told of [ratio]."""
FINDERS_APART = 0.2
"""Distance between the learned and the classical line over the width from which they disagree: of such stretches on marked photos kept
apart 41 % are over 15 % of the width wrong, of others 10 % [ratio]."""
VAGUE = 0.2
"""A second opinion that itself lies elsewhere with at least this probability raises no doubt [ratio]."""
SURE_TOE, SURE_APART = 0.75, 0.35
"""Beside a line that a learned map is so sure of, it must lie so many widths off [ratio]."""
RIVAL_EDGE = 0.4
"""Probability of another edge from which a toe is unsure [ratio]."""
SHORTEST_STEADY_MM = 20.0
CHECKED_PX_PER_MM = (7.5, 37.0)
CHECKED_WIDTH_MM = (4.9, 17.5)
CHECKED_TILT_DEG = 31.0
"""Ranges of the rendered coupons that the figures in DEVELOPERS.md were measured on, the finest being samples enlarged to twice their size."""

__all__ = ["FINDERS_APART", "RIVAL_BEAD", "UNSURE_CONFIDENCE", "bead_doubts", "range_doubts", "short_doubt", "toe_doubts"]


def toe_doubts(stations: Stations, along: Array, names: tuple[str, str], *, unit: str) -> tuple[Flag, ...]:
    """Stretches where a toe was bridged, is unsure, where both finders disagree, or where weld metal goes on beyond it.

    Parameters
    ----------
    stations : Stations
    along : ndarray, shape (n,)
        [unit]
    names : (str, str)
        Of the first and second line.
    unit : str
    """
    usual = float(np.median(stations.across_px[0] - stations.across_px[1]))
    step = float(np.median(np.diff(stations.along_px))) if len(along) > 1 else 1.0
    one_width = max(4, round(usual / step))
    flags: list[Flag] = []

    def tell(flag: str, name: str, where: NDArray[np.bool_], least: int) -> None:
        for a, b in runs(_closed(where, 4)):
            if b - a + 1 >= least:
                flags.append(Flag(flag, f"{name} toe, {along[a]:.0f}–{along[b]:.0f} {unit}"))

    inner = np.ones(len(along), dtype=bool)
    inner[: one_width // 2] = inner[len(along) - one_width // 2 :] = False
    for i, name in enumerate(names):
        seen = stations.seen[i]
        tell("toe-bridged", name, ~seen, max(4, one_width // 2))
        unsure = (stations.rival[i] > RIVAL_EDGE) | _jumped(stations.across_px[i], stations.across_px[0] - stations.across_px[1])
        tell("toe-unsure", name, unsure & seen, max(4, one_width // 2))
        tell("finders-disagree", name, _disagree(stations, i, one_width) & ~unsure & seen & inner, round(1.5 * one_width))
        if stations.toe.any():
            tell("beads-overlap", name, (stations.beyond[i] > 0) & seen & inner, round(1.5 * one_width))
    return tuple(flags)


def bead_doubts(
    confidence: float, parts: tuple[Part, ...], open_ends: tuple[bool, bool], *, n_others: int, unscaled: bool
) -> tuple[Flag, ...]:
    """Doubts about the bead as a whole."""
    flags: list[Flag] = []
    if confidence < UNSURE_CONFIDENCE:
        flags.append(Flag("bead-unsure", f"confidence {100 * confidence:.0f} %"))
    if n_others:
        flags.append(Flag("several-beads", f"{n_others + 1} in view"))
    if any(open_ends):
        where = "both ends" if all(open_ends) else ("left end" if open_ends[0] else "right end")
        flags.append(Flag("bead-leaves-frame", where))
    return (*flags, *(() if unscaled else short_doubt(parts)))


def short_doubt(parts: tuple[Part, ...]) -> tuple[Flag, ...]:
    """Whether too little of the bead is steady to say much of it."""
    steady = sum(p.to_mm - p.from_mm for p in parts if p.kind == "steady")
    return (Flag("short-bead", f"{steady:.0f} mm"),) if steady < SHORTEST_STEADY_MM else ()


def range_doubts(scale: Scale, width_mm: float, middle_mm: Array, plate: str) -> tuple[Flag, ...]:
    """What lies outside the range that the tool was checked on.

    Parameters
    ----------
    scale : Scale
        Nothing is told without millimetres.
    width_mm : float
        Usual toe-to-toe width [mm].
    middle_mm : ndarray, shape (2,)
        A point at mid-bead on ``plate`` [mm].
    """
    if scale.source == "none":
        return ()
    flags = []
    low, high = CHECKED_PX_PER_MM
    if not low <= scale.px_per_mm.value <= high:
        flags.append(Flag("outside-checked-range", f"{scale.px_per_mm.value:.1f} px to the mm; checked from {low:g} to {high:g}"))
    low, high = CHECKED_WIDTH_MM
    if not low <= width_mm <= high:
        flags.append(Flag("outside-checked-range", f"width {width_mm:.1f} mm; checked from {low:g} to {high:g} mm"))
    if scale.source == "strips":
        tilt = tilt_deg(scale, plate, (float(middle_mm[0]), float(middle_mm[1])))
        if tilt > CHECKED_TILT_DEG:
            flags.append(Flag("outside-checked-range", f"seen {tilt:.0f}° aslant; checked up to {CHECKED_TILT_DEG:g}°"))
    return tuple(flags)


def _disagree(stations: Stations, line: int, one_width: int) -> NDArray[np.bool_]:
    """Where a second opinion lies clearly elsewhere, shape (n,): one that is sure of itself, beside a line that is less so."""
    toe = cv2.blur(stations.toe[line][None], (one_width, 1), borderType=cv2.BORDER_REPLICATE)[0]
    least = np.where(toe < SURE_TOE, FINDERS_APART, SURE_APART)
    return np.asarray((stations.apart[line] > least) & (stations.vague[line] < VAGUE), dtype=bool)


def _jumped(across: Array, width: Array) -> NDArray[np.bool_]:
    """Stretches between sudden steps of a toe that lie a quarter of the width off its usual place: another edge, or a restart."""
    usual = float(np.median(width))
    reach = 3
    step = np.zeros(len(across))
    if len(across) > 2 * reach:
        step[reach:-reach] = np.abs(across[2 * reach :] - across[: -2 * reach])
    ends = [0, *(round((a + b) / 2) for a, b in runs(step > 0.2 * usual)), len(across)]
    place = float(np.median(across))
    out = np.zeros(len(across), dtype=bool)
    for a, b in zip(ends[:-1], ends[1:], strict=True):
        if b > a and len(ends) > 2 and abs(float(np.median(across[a:b])) - place) > 0.25 * usual:
            out[a:b] = True
    return out


def _closed(flags: NDArray[np.bool_], gap: int) -> NDArray[np.bool_]:
    """Runs of true values with gaps shorter than ``gap`` closed."""
    out = flags.copy()
    ones = np.nonzero(flags)[0]
    for a, b in zip(ones[:-1], ones[1:], strict=True):
        if 1 < b - a <= gap:
            out[a:b] = True
    return out
