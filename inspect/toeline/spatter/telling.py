"""From particles to what is said of them: counted, by band, per cm², per 100 mm of bead, per gram of wire; and corrected by a hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

from toeline.bead.result import Bead
from toeline.flags import Flag
from toeline.spatter.catalogue import (
    COUNTED_FROM,
    LEAST_AREA_CM2,
    Plate,
    band_areas,
    count_bands,
    count_sides,
    count_thirds,
    n_on_plate,
    per_100mm,
    per_gram,
    side_and_third_areas,
)
from toeline.spatter.result import Band, Correction, Interval, Particle, Spatter, Stretch

NEAR_MM = 10.0
"""Rates count particles up to here from the toe on both sides [mm]."""
LEAST_LENGTH_MM = 10.0
"""Less bead with plate in view beside it gives no rate (common practice, no source) [mm]."""
CORRECTION_REACH_PX = 3.0
"""A hand's answer is meant for the particle that lies this near to it [px]."""

__all__ = ["NEAR_MM", "correct", "lower_bound", "seen_length_mm", "tell"]


def tell(
    every: Sequence[Particle], plate: Plate, bead: Bead, *, clean_before: bool, wire_g_per_mm: float | None = None
) -> Spatter:
    """Count what was found on the plate that can be seen.

    Parameters
    ----------
    every : sequence of Particle
        Counted and doubtful ones alike.
    plate : Plate
    bead : Bead
    clean_before : bool
        All of it is this bead's.
    wire_g_per_mm : float, optional
        [g/mm]
    """
    area = plate.area_cm2()
    flags = [] if clean_before else [Flag("spatter-before-unknown")]
    if area < 4 * LEAST_AREA_CM2:
        flags.append(Flag("spatter-plate-unseen"))
    bands = band_areas(plate)
    return _counted(every, area, bands, side_and_third_areas(plate, bead, bands), tuple(flags), wire_g_per_mm)


def _counted(
    every: Sequence[Particle],
    area_cm2: float,
    areas: Sequence[Band],
    spread: tuple[Sequence[Band], Sequence[Stretch]],
    flags: tuple[Flag, ...],
    wire_g_per_mm: float | None,
) -> Spatter:
    clean_before = all(flag.name != "spatter-before-unknown" for flag in flags)
    counted = tuple(p for p in every if p.probability >= COUNTED_FROM)
    doubtful = tuple(p for p in every if p.probability < COUNTED_FROM)
    listed = count_bands(every, areas, area_cm2, told=clean_before)
    n = n_on_plate([p.probability for p in every])
    density = (
        Interval(n.value / area_cm2, n.low / area_cm2, n.high / area_cm2) if clean_before and area_cm2 >= LEAST_AREA_CM2 else None
    )
    length = seen_length_mm(listed)
    near = sum(band.n for band in listed if band.to_mm <= NEAR_MM)
    told = clean_before and length >= LEAST_LENGTH_MM
    each = per_100mm(near, length) if told else None
    gram = per_gram(near, length, wire_g_per_mm) if told and wire_g_per_mm else None
    return Spatter(
        counted, area_cm2, density, listed, flags, doubtful, n, each, gram,
        side_bands=count_sides(counted, spread[0]), thirds=count_thirds(counted, spread[1]),
    )  # fmt: skip


def seen_length_mm(bands: Sequence[Band]) -> float:
    """Length of bead that would show as much plate up to `NEAR_MM` from both toes as was seen [mm]."""
    return sum(band.area_cm2 for band in bands if band.to_mm <= NEAR_MM) * 100.0 / (2.0 * NEAR_MM)


def correct(spatter: Spatter, corrections: Sequence[Correction]) -> Spatter:
    """Count again with a hand's answers; a place that was never a candidate can't be added.

    Later answers to the same place replace earlier ones; an answer to what is no longer there is kept but changes nothing.
    """
    answers: dict[tuple[float, float], Correction] = {(c.x_px, c.y_px): c for c in (*spatter.corrections, *corrections)}
    every = []
    for p in spatter.every:
        mine = [c for c in answers.values() if hypot(c.x_px - p.x_px, c.y_px - p.y_px) <= CORRECTION_REACH_PX]
        nearest = min(mine, key=lambda c: hypot(c.x_px - p.x_px, c.y_px - p.y_px), default=None)
        every.append(p if nearest is None else replace(p, probability=1.0 if nearest.droplet else 0.0))
    wire = None
    if spatter.per_gram is not None and spatter.per_100mm is not None and spatter.per_gram.high > 0:
        wire = spatter.per_100mm.high / spatter.per_gram.high / 100.0
    again = _counted(every, spatter.area_cm2, spatter.bands, (spatter.side_bands, spatter.thirds), spatter.flags, wire)
    again = replace(again, before=spatter.before, corrections=tuple(answers.values()), n_photos=spatter.n_photos)
    return lower_bound(again, spatter.at_least) if spatter.at_least else again


def lower_bound(spatter: Spatter, why: str) -> Spatter:
    """The same count as no more than a lower bound, for a photo that can't show all droplets: compared with nothing."""
    doubt = Flag("spatter-at-least", why)
    return replace(
        spatter,
        density_per_cm2=None,
        bands=tuple(replace(band, density_per_cm2=None) for band in spatter.bands),
        flags=(*(flag for flag in spatter.flags if flag != doubt), doubt),
        n_on_plate=None,
        per_100mm=None,
        per_gram=None,
        at_least=why,
        side_bands=(),
        thirds=(),
    )
