"""Spatter: droplets on made-up plates whose truth is known, areas and bands by hand."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from numpy.typing import NDArray
from training.plates import plate_picture

from toeline.bead.result import Bead, Part, ToeLine
from toeline.bead.view import CouponView
from toeline.errors import CannotMeasure
from toeline.quantity import Measured
from toeline.report.tables import spatter_spread
from toeline.scale.solution import Lens, PlateFit, Scale
from toeline.spatter import Correction, Shift, Sighting, Spatter, correct, find_spatter, join, lay_over, take_off
from toeline.spatter.catalogue import (
    COUNTED_FROM,
    band_areas,
    count_sides,
    count_thirds,
    n_on_plate,
    per_100mm,
    per_gram,
    see_plate,
    side_and_third_areas,
    side_by_side,
    size_distribution,
)
from toeline.spatter.particles import Found, detect_particles
from toeline.spatter.places import in_bead_frame
from toeline.spatter.registration import Face, face_of, register
from toeline.spatter.result import Band, Particle, Stretch
from toeline.spatter.telling import seen_length_mm

PX_PER_MM = 16.0
TEST_SEEDS = range(700_000, 700_008)  # far from the training's


def _scale(width: int, height: int) -> Scale:
    """A camera straight above: one view pixel is one photo pixel."""
    focal = 4000.0
    plate = PlateFit(
        "plate",
        np.array([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]]),
        np.array([-(width - 1) / 2 / PX_PER_MM, 0.5 / PX_PER_MM, focal / PX_PER_MM]),
        (),
        MappingProxyType({}),
        0,
        0.0,
    )
    lens = Lens(focal, (width - 1) / 2, (height - 1) / 2)
    return Scale("given", lens, (plate,), Measured(PX_PER_MM, 0.01))


def _view(image: NDArray[np.uint8]) -> CouponView:
    height, width = image.shape[:2]
    everywhere = np.ones((height, width), dtype=bool)
    none = np.zeros((height, width), dtype=bool)
    return CouponView(image.copy(), everywhere, np.zeros((height, width), np.uint8), none, PX_PER_MM, ("plate",), height / 2, 0.0)


def _bead(width_mm: float, length_mm: float) -> Bead:
    along = np.arange(0.0, length_mm + 0.1, 0.5)
    half = width_mm / 2
    toes, points = {}, {}
    for name, across in (("left", half), ("right", -half)):
        line = np.full(len(along), across)
        toes[name] = ToeLine(name, "plate", line, line * 0 + 0.1, line < 1e9, np.column_stack([along, line]))
        points[name] = np.column_stack([along, line])
    return Bead(along, toes, points, 2.0, 1.0, (Part("steady", 8.0, length_mm - 8.0),), (0.0, 0.0), (1.0, 0.0))


def _scene(seed: int = 700_109, side: int = 800) -> tuple[CouponView, Bead, Scale, NDArray[np.float64]]:
    """A plate of many droplets with a dark bar for a bead of 8 mm across its middle."""
    picture = plate_picture(seed, side=side)
    image = picture.rgb.copy()
    half = int(4.0 * PX_PER_MM)
    image[side // 2 - half : side // 2 + half] = 60
    return _view(image), _bead(8.0, side / PX_PER_MM), _scale(side, side), picture.droplets


@pytest.fixture(scope="module")
def looked() -> list[tuple[NDArray[np.float64], Found]]:
    """Droplets (x, y, diameter [px]) of the test plates, and what was found with a probability of at least one half."""
    told = []
    for seed in TEST_SEEDS:
        picture = plate_picture(seed)
        found = detect_particles(picture.rgb, np.ones(picture.rgb.shape[:2], dtype=bool), PX_PER_MM)
        sure = found.probability >= 0.5
        arrays = {name: getattr(found, name)[sure] for name in Found.__slots__ if name != "wet_mm2"}
        told.append((picture.droplets, Found(**arrays, wet_mm2=found.wet_mm2)))
    return told


def _gaps(droplets: NDArray[np.float64], found: Found) -> NDArray[np.float64]:
    """Distance of each find from each droplet, over the droplet's diameter, shape (n found, n droplets)."""
    off = np.hypot(found.x_px[:, None] - droplets[:, 0], found.y_px[:, None] - droplets[:, 1])
    return off / droplets[:, 2]


def test_droplets_are_found_among_specks_and_scratches(looked: list[tuple[NDArray[np.float64], Found]]) -> None:
    """Droplets from 0.5 mm up, among pits, slag crumbs, stains, rust, paint and scratches."""
    n = hit = stray = 0
    for droplets, found in looked:
        gap = _gaps(droplets, found)
        large = droplets[:, 2] >= 8.0
        n += int(large.sum())
        hit += int(np.sum(gap[:, large].min(axis=0, initial=9.0) < 0.5))
        stray += int(np.sum(gap.min(axis=1) > 0.6))
    assert n > 80
    assert hit / n > 0.75  # some of these plates are lit so flatly that people miss droplets too
    assert stray / (hit + stray) < 0.25


def test_flat_specks_alone_are_not_spatter() -> None:
    """Round dots of paint and rust, as many as a dirty plate has: nothing stands up."""
    rng = np.random.default_rng(5)
    image = np.clip(rng.normal(120, 4, (600, 600, 1)) + np.array([3, 0, -3]), 0, 255)
    yy, xx = np.mgrid[:600, :600]
    for _ in range(60):
        x, y, r = rng.uniform(10, 590), rng.uniform(10, 590), rng.uniform(3, 14)
        cover = np.clip(r - np.hypot(xx - x, yy - y) + 0.5, 0, 1)[..., None]
        tone = np.array([150, 90, 50]) if rng.random() < 0.6 else np.full(3, rng.uniform(60, 190))
        image = image * (1 - 0.7 * cover) + 0.7 * cover * tone
    found = detect_particles(image.astype(np.uint8), np.ones((600, 600), dtype=bool), PX_PER_MM)
    assert np.sum(found.probability > 0.5) <= 6


WET_SEEDS = (700_204, 700_205, 700_221, 700_232, 700_244, 700_262, 700_267, 700_268, 700_278, 700_284, 700_288, 700_289)
"""All of 700 200 to 700 290 that have sixteen drops of water or more."""


def test_a_wet_plate_is_told_and_what_lies_in_the_water_does_not_count() -> None:
    """Made-up plates that nothing learnt from, wet ones and as many dry ones."""
    pictures = [plate_picture(seed) for seed in (*WET_SEEDS, *range(700_206, 700_220))]
    mask = np.ones(pictures[0].rgb.shape[:2], dtype=bool)
    dry = [detect_particles(p.rgb, mask, PX_PER_MM) for p in pictures if len(p.water) == 0]
    wet = [(p, detect_particles(p.rgb, mask, PX_PER_MM)) for p in pictures if len(p.water) >= 16]
    assert len(wet) == len(WET_SEEDS) <= len(dry)
    assert sum(found.wet_mm2 > 0 for _, found in wet) >= 8
    assert sum(found.wet_mm2 > 0 for found in dry) <= 1
    counted = in_water = 0
    for picture, found in wet:
        if found.wet_mm2 > 0:
            gap = np.hypot(found.x_px[:, None] - picture.water[:, 0], found.y_px[:, None] - picture.water[:, 1])
            sure = (gap < 0.4 * picture.water[:, 2]).any(axis=1)
            in_water += int(sure.sum())
            counted += int(np.sum(found.probability[sure] >= COUNTED_FROM))
    assert in_water > 50
    assert counted < 0.2 * in_water


def test_a_wet_plate_says_so_and_asks_for_a_dry_one() -> None:
    image = plate_picture(700_278).rgb.copy()
    image[230:330] = 60
    spatter = find_spatter(
        _view(image), _bead(8.0, 560 / PX_PER_MM), _scale(560, 560), plate_before="clean", plate_now="as welded"
    )
    assert [flag.name for flag in spatter.flags] == ["plate-wet"]


def test_diameters_and_places(looked: list[tuple[NDArray[np.float64], Found]]) -> None:
    errors, off = [], []
    for droplets, found in looked:
        gap = _gaps(droplets, found)
        for k, own in enumerate(gap.argmin(axis=1)):
            if gap[k, own] < 0.5 and droplets[own, 2] >= 8.0:
                errors.append(np.log(found.diameter_px[k] / droplets[own, 2]))
                off.append(gap[k, own])
    assert abs(float(np.median(errors))) < 0.05
    assert float(np.std(errors)) < 0.20
    assert float(np.median(off)) < 0.15


def test_places_do_not_depend_on_where_the_plate_lies_in_the_picture() -> None:
    picture = plate_picture(700_003)
    mask = np.ones(picture.rgb.shape[:2], dtype=bool)
    plain = detect_particles(picture.rgb, mask, PX_PER_MM)
    around = np.zeros((960, 1010, 3), dtype=np.uint8)
    around[100:660, 200:760] = picture.rgb
    inside = np.zeros((960, 1010), dtype=bool)
    inside[140:620, 240:720] = True
    moved = detect_particles(around, inside, PX_PER_MM)
    sure = np.column_stack([moved.x_px - 200, moved.y_px - 100])[moved.probability > 0.7]
    there = np.column_stack([plain.x_px, plain.y_px])
    assert len(sure) >= 5
    assert np.median([np.linalg.norm(there - p, axis=1).min() for p in sure]) < 1.0


def test_no_plate_no_particles() -> None:
    image = plate_picture(700_002).rgb
    assert len(detect_particles(image, np.zeros(image.shape[:2], dtype=bool), PX_PER_MM).x_px) == 0


def test_areas_and_bands_by_hand() -> None:
    view, bead, scale, _ = _scene()
    plate = see_plate(view, bead)
    height_mm = view.valid.shape[0] / PX_PER_MM  # 50 mm: two sides of 21 mm less 0.3 mm beside the bead
    assert plate.area_cm2() == pytest.approx(height_mm * (height_mm - 8.0 - 0.6) / 100, rel=0.03)
    found = find_spatter(view, bead, scale, plate_before="clean", plate_now="as welded")
    near = found.bands[0]
    assert (near.from_mm, near.to_mm) == (0.0, 5.0)
    assert near.area_cm2 == pytest.approx(2 * (5.0 - 0.3) * height_mm / 100, rel=0.05)
    assert sum(b.n for b in found.bands) == sum(p.toe_distance_mm < 25 for p in found.particles)


def test_found_particles_carry_place_distance_and_size() -> None:
    view, bead, scale, droplets = _scene()
    found = find_spatter(view, bead, scale, plate_before="clean", plate_now="as welded")
    assert found.n >= 5
    for p in found.particles:
        assert p.toe_distance_mm == pytest.approx(abs(p.across_mm) - 4.0, abs=0.35)
        assert abs(p.across_mm) > 4.0  # never on the bead
        # the camera looks straight down: the photo is the view
        assert (p.x_px, p.y_px) == pytest.approx((p.along_mm * PX_PER_MM, view.zero_row - p.across_mm * PX_PER_MM), abs=0.6)
        assert 0.2 < p.diameter_mm < 5 and p.diameter_u_mm > 0 and p.elongation_ratio >= 1
    gap = [np.hypot(droplets[:, 0] - p.x_px, droplets[:, 1] - p.y_px).min() for p in found.particles]
    assert np.mean(np.array(gap) < 5) > 0.75


def test_no_density_where_nobody_said_that_the_plate_was_clean() -> None:
    view, bead, scale, _ = _scene()
    found = find_spatter(view, bead, scale, plate_before="unknown", plate_now="as welded")
    assert found.density_per_cm2 is None and all(b.density_per_cm2 is None for b in found.bands)
    assert "spatter-before-unknown" in {flag.name for flag in found.flags}


def test_plate_under_strips_or_in_shadow_is_not_counted_as_clean() -> None:
    view, bead, scale, _ = _scene()
    image = view.image.copy()
    image[:, :200] = 3
    strips = np.zeros(view.valid.shape, dtype=bool)
    strips[:, 600:] = True
    less = replace(view, image=image, strips=strips)
    whole, part = see_plate(view, bead).area_cm2(), see_plate(less, bead).area_cm2()
    assert part == pytest.approx(whole / 2, rel=0.08)
    found = find_spatter(less, bead, scale, plate_before="clean", plate_now="as welded")
    assert all(200 - PX_PER_MM <= p.x_px < 600 for p in found.particles)  # darkness is told over a millimetre


def test_a_band_with_too_little_plate_says_so() -> None:
    view, bead, scale, _ = _scene()
    strips = np.ones(view.valid.shape, dtype=bool)
    strips[250:330, 100:200] = False
    found = find_spatter(replace(view, strips=strips), bead, scale, plate_before="clean", plate_now="as welded")
    assert all(band.density_per_cm2 is None for band in found.bands)
    assert "spatter-plate-unseen" in {flag.name for flag in found.flags}


def _particle(diameter_mm: float = 0.8, along_mm: float = 5.0, probability: float = 0.9) -> Particle:
    return Particle(0.0, 0.0, "base", along_mm, 5.0, diameter_mm, 0.1, 1.1, 2.0, probability)


def test_number_on_this_plate_has_detection_error_only() -> None:
    sure = n_on_plate([0.99] * 100)
    assert sure.low <= 100 <= sure.high
    assert sure.high - sure.low > 20  # coupons differ in how much of it is found
    doubtful = n_on_plate([0.5] * 200)  # as many expected, but every one of them doubtful
    assert doubtful.high - doubtful.low > sure.high - sure.low
    assert n_on_plate([]).value == 0


def test_rates_per_length_and_wire() -> None:
    each = per_100mm(12, 60.0)
    assert each.value == pytest.approx(20.0)
    assert (each.low, each.high) == pytest.approx((10.33, 34.94), abs=0.01)  # Garwood limits of 12: 6.2006 and 20.9616
    # a 0.9 mm steel wire fed at 5 m/min on 300 mm/min travel: 5000/300 · 0.6362 mm² · 7.85 mg/mm³ = 83.2 mg per mm of bead
    assert per_gram(12, 60.0, 0.0832).value == pytest.approx(12 / (60 * 0.0832), rel=1e-9)


def test_size_distribution_and_thirds() -> None:
    listed = tuple(_particle(d, a) for d, a in ((0.35, 1.0), (0.4, 15.0), (0.6, 25.0), (2.5, 29.0)))
    assert [n for _, _, n in size_distribution(listed)] == [2, 1, 0, 0, 1]
    thirds = count_thirds(listed, [Stretch(10.0 * k, 10.0 * k + 10.0, 5.0, 0) for k in range(3)])
    assert [third.n for third in thirds] == [1, 1, 2]


def test_sides_are_compared_on_the_plate_that_both_show() -> None:
    rows = [
        ("base", 0.0, 5.0, 5.0, 40),
        ("standing", 0.0, 5.0, 5.0, 10),
        ("base", 5.0, 10.0, 5.0, 30),
        ("standing", 5.0, 10.0, 0.2, 0),
    ]
    told = side_by_side([Band(*row, None) for row in rows])
    assert told is not None
    first, second, ratio = told
    assert (first, second) == ("base", "standing")
    assert ratio.value == pytest.approx(4.0)  # the band that the standing plate hardly shows is left out
    assert ratio.low > 1.0


def test_a_flat_bead_has_two_sides_and_three_thirds_of_plate() -> None:
    """Areas by hand: 40 × 30 mm of plate seen, an 8 mm wide bead all along its middle, clear of it from 0.3 mm on."""
    view, bead = _view(np.full((480, 640, 3), 120, np.uint8)), _bead(8.0, 40.0)
    plate = see_plate(view, bead)
    left, right = (bead.plate_points_mm[toe] for toe in ("left", "right"))
    assert in_bead_frame(bead, left, tee=False)[:, 1].mean() > 0 > in_bead_frame(bead, right, tee=False)[:, 1].mean()
    each_cm2 = 40.0 * (15.0 - 4.0 - 0.3) / 100.0
    areas, thirds = side_and_third_areas(plate, bead, band_areas(plate))
    for name in ("left", "right"):
        assert sum(band.area_cm2 for band in areas if band.plate == name) == pytest.approx(each_cm2, rel=0.06)
    assert [third.area_cm2 for third in thirds] == pytest.approx([2 * each_cm2 / 3] * 3, rel=0.08)
    one = replace(_particle(), across_mm=6.0, toe_distance_mm=2.0)
    counted = count_sides([one, one, replace(one, across_mm=-6.0)], areas)
    assert [sum(band.n for band in counted if band.plate == name) for name in ("left", "right")] == [2, 1]


def _answered(spatter: Spatter, which: Particle, droplet: bool) -> Spatter:
    return correct(spatter, [Correction(which.x_px + 0.4, which.y_px, droplet)])


def test_a_hand_corrects_the_count_and_is_remembered() -> None:
    view, bead, scale, _ = _scene()
    found = find_spatter(view, bead, scale, plate_before="clean", plate_now="as welded", wire_g_per_mm=0.05)
    assert found.per_100mm is not None and found.per_gram is not None
    which = found.particles[0]
    less = _answered(found, which, False)
    assert (less.n, len(less.every)) == (found.n - 1, len(found.every))
    assert less.corrections and less.density_per_cm2 and found.density_per_cm2
    assert less.density_per_cm2.value < found.density_per_cm2.value
    assert sum(b.n for b in less.bands) == sum(b.n for b in found.bands) - 1
    assert less.area_cm2 == found.area_cm2 and less.per_gram is not None
    again = _answered(less, which, True)  # the later answer to the same place holds
    assert again.n == found.n
    nobody = correct(found, [Correction(-50.0, -50.0, True)])
    assert nobody.n == found.n  # a place that was never a candidate can't be added


def test_rates_count_both_sides_near_the_toes() -> None:
    """By hand: both sides seen to 10 mm along the whole bead give its own length; half the plate covered gives half of it."""
    view, bead, scale, _ = _scene()
    length = view.valid.shape[1] / PX_PER_MM
    found = find_spatter(view, bead, scale, plate_before="clean", plate_now="as welded", wire_g_per_mm=0.05)
    near = sum(p.toe_distance_mm < 10 for p in found.particles)
    assert seen_length_mm(found.bands) == pytest.approx(length * 9.7 / 10, rel=0.03)  # 0.3 mm beside the bead is not looked at
    assert found.per_100mm is not None and found.per_gram is not None
    assert found.per_100mm.value == pytest.approx(100 * near / (0.97 * length), rel=0.04)
    assert found.per_gram.value == pytest.approx(found.per_100mm.value / (100 * 0.05), rel=1e-6)


def _moved(view: CouponView, right_px: int, down_px: int, light: float = 1.0) -> CouponView:
    """The same plate with its frame laid elsewhere and lit otherwise."""
    image = np.clip(np.roll(view.image, (down_px, right_px), (0, 1)).astype(float) * light + 6, 0, 255).astype(np.uint8)
    return replace(view, image=image)


def _face(view: CouponView) -> Face:
    return face_of(view, np.ones(view.valid.shape, dtype=bool))


def test_two_views_of_one_plate_are_laid_over_each_other() -> None:
    view, *_ = _scene()
    shift = register(_face(view), _face(_moved(view, 40, -24, 0.8)), Shift(0.0, 0.0, 0.0), within_mm=4.0)
    assert (shift.along_mm, shift.up_mm) == (pytest.approx(-40 / PX_PER_MM, abs=0.08), pytest.approx(-24 / PX_PER_MM, abs=0.08))
    assert abs(shift.turn_deg) < 0.2
    back = shift.back(shift(np.array([[3.0, 4.0]])))
    assert back[0] == pytest.approx((3.0, 4.0))


def test_another_plate_is_not_laid_over() -> None:
    view, *_ = _scene()
    for seed in range(700_111, 700_115):
        with pytest.raises(CannotMeasure) as told:
            register(_face(view), _face(_scene(seed)[0]), Shift(0.0, 0.0, 0.0), within_mm=4.0)
        assert "strips" in told.value.advice


def _sighting(view: CouponView, bead: Bead, scale: Scale) -> Sighting:
    found = find_spatter(view, bead, scale, plate_before="clean", plate_now="as welded")
    return Sighting(view, bead, scale, see_plate(view, bead), found)


def test_a_second_photo_with_the_strips_moved_joins_the_first() -> None:
    """Each photo hides another part of the plate; joined, all of it is seen and every particle counted once."""
    view, bead, scale, _ = _scene()
    covers = [np.zeros(view.valid.shape, dtype=bool) for _ in range(2)]
    covers[0][:200], covers[1][600:] = True, True
    whole = _sighting(view, bead, scale)
    parts = [_sighting(replace(view, strips=cover), bead, scale) for cover in covers]
    joined = join(parts, [Shift(0.0, 0.0, 0.0)], clean_before=True)
    assert joined.area_cm2 == pytest.approx(whole.spatter.area_cm2, rel=0.02)
    assert joined.n_photos == 2
    assert max(part.spatter.n for part in parts) < joined.n
    assert joined.n == pytest.approx(whole.spatter.n, abs=0.2 * whole.spatter.n)
    assert abs(lay_over(whole, whole).along_mm) < 0.05
    twice = join([whole, whole], [Shift(0.0, 0.0, 0.0)], clean_before=True)
    assert twice.n == whole.spatter.n and twice.area_cm2 == pytest.approx(whole.spatter.area_cm2)


def test_what_one_photo_lists_and_another_does_not_becomes_less_likely() -> None:
    view, bead, scale, _ = _scene()
    whole = _sighting(view, bead, scale)
    bare = replace(whole, spatter=replace(whole.spatter, particles=(), doubtful=()))
    joined = join([whole, bare], [Shift(0.0, 0.0, 0.0)], clean_before=True)
    told = {(p.x_px, p.y_px): p.probability for p in joined.every}
    less = [told.get((p.x_px, p.y_px), 0.0) < p.probability for p in whole.spatter.particles]
    assert np.mean(less) > 0.8  # all but those at the edge of the plate in view


def test_what_was_there_before_is_taken_off() -> None:
    """The plate before the bead is the picture without the bead's bar and without the droplets of its left half."""
    view, bead, scale, droplets = _scene()
    earlier = plate_picture(700_109, side=800).rgb.copy()
    new = droplets[:, 0] < 400
    for x, y, d in droplets[new]:
        reach = int(1.2 * d) + 3
        y0, x0 = max(0, int(y) - reach), max(0, int(x) - reach)
        patch = earlier[y0 : int(y) + reach, x0 : int(x) + reach]
        patch[:] = np.median(patch.reshape(-1, 3), axis=0)
    now = _sighting(view, bead, scale)
    told = take_off(now, _view(earlier), scale)
    assert told.before is not None and told.before.n_agreeing > 10
    assert told.before.n > 0
    right = [p for p in told.particles if p.x_px > 430]
    left = [p for p in told.particles if p.x_px < 400]
    assert len(right) <= 0.3 * sum(p.x_px > 430 for p in now.spatter.particles)
    fresh = [p for p in now.spatter.particles if np.hypot(*(droplets[new, :2] - [p.x_px, p.y_px]).T).min() < 5.0]
    assert len(fresh) >= 5
    assert len(left) >= len(fresh) - 1
    assert told.density_per_cm2 is not None


def test_how_droplets_are_spread_is_told_in_words() -> None:
    record = {
        "n": 40,
        "bands": [],
        "density_per_cm2": {"value": 1.3, "low": 1.1, "high": 1.6},
        "sizes": [
            {"from_mm": 0.3, "to_mm": 0.5, "n": 30},
            {"from_mm": 0.5, "to_mm": 0.8, "n": 10},
            {"from_mm": 0.8, "to_mm": 1.2, "n": 0},
        ],
        "sides": {"first": "base", "second": "standing", "value": 2.1, "low": 1.2, "high": 3.8},
        "thirds": [{"from_mm": 20.0 * k, "to_mm": 20.0 * k + 20.0, "area_cm2": 10.0, "n": n} for k, n in enumerate((4, 6, 30))],
    }
    words = dict(spatter_spread(record))
    assert words["spatter by size"] == "30 of 0.3 to 0.5 mm · 10 of 0.5 to 0.8 mm"
    assert words["spatter, base against standing plate"] == "2.1 times as dense (1.2 to 3.8 times)"
    assert words["spatter by thirds of the bead, left to right"] == (
        "0.4 (0.11 to 1), 0.6 (0.22 to 1.3), 3 (2 to 4.3) per cm²; uneven, more than chance"
    )  # Garwood limits of 4, 6 and 30 on 10 cm² each: 1.0899 and 10.2416, 2.2019 and 13.0595, 20.2409 and 42.8269
    apart = {**record, "sides": {**record["sides"], "low": 0.8}, "thirds": [{**third, "n": 13} for third in record["thirds"]]}  # type: ignore[dict-item]
    words = dict(spatter_spread(apart))
    assert words["spatter, base against standing plate"] == "can't be told apart (0.8 to 3.8 times as dense)"
    assert words["spatter by thirds of the bead, left to right"].endswith("per cm²; even")
    assert spatter_spread({**record, "n": 9}) == []
    assert [name for name, _ in spatter_spread({**record, "density_per_cm2": None})] == [
        "spatter by size"
    ]  # the plate may not have been clean
