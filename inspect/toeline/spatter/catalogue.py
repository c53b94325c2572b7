"""From droplets to numbers that can be compared: how many, on how much plate that can be seen, how far from the toe, on which side.

Plate under strips, in deep shadow, burnt out or out of focus is not counted as clean: it is not counted at all.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from itertools import pairwise
from math import sqrt
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import stats

from toeline.bead.result import Bead
from toeline.bead.view import CouponView, plate_to_view
from toeline.spatter.places import in_bead_frame
from toeline.spatter.rates import Tally as Tally
from toeline.spatter.rates import compare_rates, count_interval
from toeline.spatter.result import Band, Interval, Particle, Stretch

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BANDS_MM: tuple[tuple[float, float], ...] = ((0.0, 5.0), (5.0, 10.0), (10.0, 25.0))
LEAST_AREA_CM2 = 1.0
"""A band with less visible plate gets no density (common practice, no source) [cm²]."""
CLEAR_OF_BEAD_MM = 0.3
COUNTED_FROM = 0.4
"""A find counts as a particle from this probability on: about as many are missed as are counted wrongly."""
COARSE_PX_PER_MM = 5.0
DARK, BURNT = 14, 252
"""Mean brightness over a millimetre below which plate lies in deep shadow, and above which it is burnt out, of 255."""

__all__ = [
    "BANDS_MM",
    "Plate",
    "band_areas",
    "count_bands",
    "count_sides",
    "count_thirds",
    "detection",
    "n_on_plate",
    "per_100mm",
    "per_gram",
    "see_plate",
    "side_and_third_areas",
    "side_by_side",
    "size_distribution",
]


@dataclass(frozen=True, slots=True, eq=False)
class Plate:
    """The plate that can be seen, coarsely, and how far it lies from the nearest toe.

    Attributes
    ----------
    seen : ndarray of bool, shape (h, w)
    plate_of : ndarray of uint8, shape (h, w)
        Index into the view's plate names.
    toe_distance_mm : ndarray of float32, shape (h, w)
        To the nearest toe on the same plate [mm].
    px_per_mm : float
        Of these arrays [px/mm].
    names : tuple of str
        The plates.
    along0_mm, up0_mm : float
        Middle of the first cell: ``along``, and ``across`` as it lies in the view, positive above the root or zero row [mm].
    """

    seen: Mask
    plate_of: NDArray[np.uint8]
    toe_distance_mm: NDArray[np.float32]
    px_per_mm: float
    names: tuple[str, ...]
    along0_mm: float
    up0_mm: float

    def area_cm2(self, where: Mask | None = None) -> float:
        """Visible plate, all of it or where a mask says so [cm²]."""
        shown = self.seen if where is None else self.seen & where
        return float(np.count_nonzero(shown)) / self.px_per_mm**2 / 100.0

    def middles_mm(self) -> Array:
        """Middles of all cells as (along, up), shape (h · w, 2) [mm]."""
        height, width = self.seen.shape
        along, up = np.arange(width) / self.px_per_mm + self.along0_mm, self.up0_mm - np.arange(height) / self.px_per_mm
        return np.stack(np.meshgrid(along, up), axis=-1).reshape(-1, 2)

    def sees(self, points_mm: Array) -> Mask:
        """Whether the plate can be seen at points (along, up), shape (n,) [mm]."""
        columns = np.round((points_mm[:, 0] - self.along0_mm) * self.px_per_mm).astype(int)
        rows = np.round((self.up0_mm - points_mm[:, 1]) * self.px_per_mm).astype(int)
        inside = (columns >= 0) & (rows >= 0) & (columns < self.seen.shape[1]) & (rows < self.seen.shape[0])
        told: Mask = np.zeros(len(points_mm), dtype=bool)
        told[inside] = self.seen[rows[inside], columns[inside]]
        return told


@cache
def detection() -> Mapping[str, float]:
    """What was measured of the detector on generated pictures kept apart: see ``detection.toml``."""
    return tomllib.loads(files("toeline.spatter").joinpath("detection.toml").read_text(encoding="utf-8"))


def toe_polylines(view: CouponView, bead: Bead) -> dict[str, tuple[str, Array]]:
    """Toe lines in the view's pixels by toe name, with the plate they lie on."""
    return {name: (toe.plate, plate_to_view(view, toe.plate, bead.plate_points_mm[name])) for name, toe in bead.toes.items()}


def see_plate(view: CouponView, bead: Bead) -> Plate:
    """Which plate can be seen, and how far from the toe."""
    plate = see_bare(view)
    seen, ratio = plate.seen.copy(), plate.seen.shape[1] / view.valid.shape[1]
    lines = toe_polylines(view, bead)
    metal = np.zeros(seen.shape, dtype=np.uint8)
    ring = np.concatenate([points if k == 0 else points[::-1] for k, (_, points) in enumerate(lines.values())])
    cv2.fillPoly(metal, [_coarse(ring, ratio)], 1, cv2.LINE_8, 4)
    clear = cv2.distanceTransform(1 - metal, cv2.DIST_L2, 5) / plate.px_per_mm
    seen &= clear > CLEAR_OF_BEAD_MM
    distance = np.full(seen.shape, np.inf, dtype=np.float32)
    for name in dict.fromkeys(plate for plate, _ in lines.values()):
        away = np.ones(seen.shape, dtype=np.uint8)
        for on, points in lines.values():
            if on == name:
                cv2.polylines(away, [_coarse(points, ratio)], False, 0, 1, cv2.LINE_8, 4)
        mine = plate.plate_of == view.plate_names.index(name)
        distance[mine] = (cv2.distanceTransform(away, cv2.DIST_L2, 5) / plate.px_per_mm)[mine]
    return replace(plate, seen=seen, toe_distance_mm=distance)


def see_bare(view: CouponView) -> Plate:
    """Which plate can be seen, whatever lies on it; nothing is said of toes."""
    shrink = max(1.0, view.px_per_mm / COARSE_PX_PER_MM)
    height, width = view.valid.shape
    size = (max(1, round(width / shrink)), max(1, round(height / shrink)))
    ratio = size[0] / width
    px_per_mm = view.px_per_mm * ratio
    bright = view.grey()
    seen = cv2.resize((view.valid & ~view.strips).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    plate_of = np.asarray(cv2.resize(view.plate_of, size, interpolation=cv2.INTER_NEAREST), dtype=np.uint8)
    grey = cv2.GaussianBlur(cv2.resize(bright, size, interpolation=cv2.INTER_AREA), (0, 0), max(0.5, 0.5 * px_per_mm))
    seen &= (grey > DARK) & (grey < BURNT) & ~_out_of_focus(bright, view.px_per_mm, seen)
    along0, up0 = view.along0_mm + (0.5 / ratio - 0.5) / view.px_per_mm, (view.zero_row - (0.5 / ratio - 0.5)) / view.px_per_mm
    return Plate(seen, plate_of, np.full(seen.shape, np.inf, dtype=np.float32), px_per_mm, view.plate_names, along0, up0)


def _coarse(points: Array, ratio: float) -> NDArray[np.int32]:
    return np.asarray(np.round(((points + 0.5) * ratio - 0.5) * 16), dtype=np.int32)


def _out_of_focus(bright: NDArray[np.uint8], px_per_mm: float, seen: Mask) -> Mask:
    """Where fine detail has gone although coarser detail is there: fine over coarse energy far below that of the sharpest plate."""
    shrink = px_per_mm / 16.0 if px_per_mm > 20.0 else 1.0
    fine_size = (max(8, round(bright.shape[1] / shrink)), max(8, round(bright.shape[0] / shrink)))
    grey = cv2.resize(bright, fine_size, interpolation=cv2.INTER_AREA).astype(np.float32)
    first, second = cv2.GaussianBlur(grey, (0, 0), 1.0), cv2.GaussianBlur(grey, (0, 0), 2.5)
    size = (seen.shape[1], seen.shape[0])
    tile = max(3, round(8.0 * px_per_mm * seen.shape[1] / bright.shape[1]))

    def energy(one: NDArray[Any], other: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(cv2.blur(cv2.resize(cv2.absdiff(one, other), size, interpolation=cv2.INTER_AREA), (tile, tile)))

    fine, coarse = energy(grey, first), energy(first, second)
    ratio, told = fine / (coarse + np.float32(0.2)), coarse > 1.0
    if not np.any(seen & told):
        return np.zeros(seen.shape, dtype=bool)
    sharp = float(np.percentile(ratio[seen & told], 90))
    return np.asarray(told & (ratio < 0.3 * sharp))


def n_on_plate(probabilities: Sequence[float], *, share: float = 1.0, level: float = 0.95) -> Interval:
    """How many particles are on this plate, with detection error only.

    The candidates' probabilities add up to the expected number; their own doubt, what was never a candidate, and how much the detector
    differs from coupon to coupon (both measured, ``detection.toml``) make the interval. ``share`` is the part of the visible plate that
    they were found on.
    """
    p = np.asarray(probabilities, dtype=float)
    measured = detection()
    expected = float(p.sum()) / measured["found_ratio"]
    never = expected - float(p.sum())
    variance = (
        float(np.sum(p * (1 - p)))
        + never
        + (measured["between_coupons_ratio"] * expected) ** 2
        + share * measured["stray_n"] ** 2
    )
    reach = float(stats.norm.ppf(0.5 + level / 2)) * sqrt(variance)
    return Interval(expected, max(0.0, float(np.floor(expected - reach + 0.5))), float(np.ceil(expected + reach - 0.5)))


def _density(probabilities: Sequence[float], area_cm2: float, share: float) -> Interval:
    n = n_on_plate(probabilities, share=share)
    return Interval(n.value / area_cm2, n.low / area_cm2, n.high / area_cm2)


def band_areas(plate: Plate) -> tuple[Band, ...]:
    """Bands of distance from the toe on each plate, with the plate that can be seen in them and nothing counted yet."""
    return tuple(
        Band(
            name,
            low,
            high,
            plate.area_cm2((plate.plate_of == number) & (plate.toe_distance_mm >= low) & (plate.toe_distance_mm < high)),
            0,
            None,
        )
        for number, name in enumerate(plate.names)
        for low, high in BANDS_MM
    )


def count_bands(particles: Sequence[Particle], areas: Sequence[Band], whole_cm2: float, *, told: bool) -> tuple[Band, ...]:
    """Fill bands with what was found, doubtful ones by their probability; no density where `told` is False or too little plate is seen."""
    found = []
    for band in areas:
        mine = [p for p in particles if p.plate == band.plate and band.from_mm <= p.toe_distance_mm < band.to_mm]
        n = sum(p.probability >= COUNTED_FROM for p in mine)
        enough = told and band.area_cm2 >= LEAST_AREA_CM2
        density = _density([p.probability for p in mine], band.area_cm2, band.area_cm2 / whole_cm2) if enough else None
        found.append(replace(band, n=n, density_per_cm2=density))
    return tuple(found)


def size_distribution(
    particles: Sequence[Particle], *, edges_mm: Sequence[float] = (0.3, 0.5, 0.8, 1.2, 2.0, 4.0)
) -> tuple[tuple[float, float, int], ...]:
    """Particles by diameter: (from, to, how many) [mm]."""
    return tuple((low, high, sum(low <= p.diameter_mm < high for p in particles)) for low, high in pairwise(edges_mm))


def per_100mm(n: int, seen_length_mm: float) -> Interval:
    """Rate per 100 mm of bead beside which plate can be seen, with counting chance (exact Poisson limits)."""
    low, high = count_interval(n)
    return Interval(n * 100 / seen_length_mm, low * 100 / seen_length_mm, high * 100 / seen_length_mm)


def per_gram(n: int, seen_length_mm: float, wire_g_per_mm: float) -> Interval:
    """Rate per gram of wire fed over the same length of bead, with counting chance."""
    each = per_100mm(n, seen_length_mm)
    k = 1 / (100 * wire_g_per_mm)
    return Interval(each.value * k, each.low * k, each.high * k)


def side_and_third_areas(plate: Plate, bead: Bead, bands: Sequence[Band]) -> tuple[tuple[Band, ...], tuple[Stretch, ...]]:
    """Plate that can be seen beside the bead, nothing counted yet: bands by side as `band_areas` gives them, and the bead's thirds.

    A tee's plates are its sides; a flat bead has a left and a right one.
    """
    tee, cell_cm2 = len(plate.names) > 1, 0.01 / plate.px_per_mm**2
    near = plate.seen & (plate.toe_distance_mm < BANDS_MM[-1][1])
    points = plate.middles_mm()[near.ravel()]
    along, across = in_bead_frame(bead, np.column_stack([points[:, 0], np.abs(points[:, 1]) if tee else points[:, 1]]), tee=tee).T
    edges = np.linspace(float(bead.along_mm[0]), float(bead.along_mm[-1]), 4)
    areas = np.histogram(along, edges)[0] * cell_cm2
    thirds = tuple(Stretch(float(a), float(b), float(area), 0) for (a, b), area in zip(pairwise(edges), areas, strict=True))
    if tee:
        return tuple(bands), thirds
    distance = plate.toe_distance_mm[near]
    upper, lower = list(bead.toes)[:2]
    sides = tuple(
        Band(name, low, high, float(np.sum(mine & (distance >= low) & (distance < high))) * cell_cm2, 0, None)
        for name, mine in ((upper, across > 0), (lower, across <= 0))
        for low, high in BANDS_MM
    )
    return sides, thirds


def count_sides(particles: Sequence[Particle], areas: Sequence[Band]) -> tuple[Band, ...]:
    """Fill the bands of both sides, as `side_and_third_areas` gives them, with what was counted."""
    first = areas[0].plate if areas else ""

    def n(band: Band) -> int:
        flat = band.plate in ("left", "right")
        mine = (p for p in particles if ((p.across_mm > 0) == (band.plate == first) if flat else p.plate == band.plate))
        return sum(band.from_mm <= p.toe_distance_mm < band.to_mm for p in mine)

    return tuple(replace(band, n=n(band)) for band in areas)


def side_by_side(bands: Sequence[Band]) -> tuple[str, str, Interval] | None:
    """The two sides, and the rate on the first over that on the second, in the bands that both show; None where too little is seen.

    Exact conditional interval; an interval that holds 1 says that the sides can't be told apart.
    """
    names = list(dict.fromkeys(band.plate for band in bands))
    if len(names) != 2:
        return None
    sums = {name: [0, 0.0] for name in names}
    for low, high in BANDS_MM:
        pair = [b for b in bands if (b.from_mm, b.to_mm) == (low, high)]
        if len(pair) == 2 and all(b.area_cm2 >= LEAST_AREA_CM2 for b in pair):
            for b in pair:
                sums[b.plate][0] += b.n
                sums[b.plate][1] += b.area_cm2
    (n0, area0), (n1, area1) = (sums[name] for name in names)
    if area0 == 0 or n0 == 0 or n1 == 0:
        return None
    change = compare_rates(Tally((int(n0),), (area0,)), Tally((int(n1),), (area1,)))
    return names[0], names[1], Interval(change.ratio, change.low, change.high)


def count_thirds(particles: Sequence[Particle], areas: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Fill the thirds with what was counted."""
    along = [p.along_mm for p in particles if p.toe_distance_mm < BANDS_MM[-1][1]]
    return tuple(replace(third, n=sum(third.from_mm <= a < third.to_mm for a in along)) for third in areas)
