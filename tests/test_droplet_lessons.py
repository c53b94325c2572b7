"""What droplets are learnt from: the way from plate to photo, and strewn coupons."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from bench.spatter import cut, run
from sample_images.scene import water
from sample_images.scene.geometry import plate_axes
from sample_images.scene.strewn import strewn_coupon
from training.grounds import DROPLETS_KNOWN, WATER_KNOWN, WET, made_up, to_photo
from training.hands import agreed, hands_of
from training.lessons import Lesson
from training.plates import plate_picture


def test_plate_points_reach_the_photo_as_opencv_projects_them() -> None:
    """Referee: cv2.projectPoints, with distortion."""
    rng = np.random.default_rng(4)
    turn, shift = np.array([2.7, 0.2, -0.3]), np.array([-30.0, 12.0, 180.0])
    lens = np.array([1500.0, 515.0, 380.0, 0.03, -0.05, 4e-4, -3e-4])
    points = rng.uniform(-40.0, 60.0, (50, 2))
    pose = np.column_stack([cv2.Rodrigues(turn)[0][:, :2], shift])
    matrix = np.array([[lens[0], 0.0, lens[1]], [0.0, lens[0], lens[2]], [0.0, 0.0, 1.0]])
    expected, _ = cv2.projectPoints(np.column_stack([points, np.zeros(50)]), turn, shift, matrix, lens[3:])
    np.testing.assert_allclose(to_photo(points, pose, lens), expected[:, 0], atol=1e-6)


def test_plate_is_wet_at_a_drop_of_water_open_about_it_and_dry_far_off() -> None:
    ground, picture = made_up(700_278)[0], plate_picture(700_278, dirt_ratio=1.0)
    x, y, size = picture.water.T
    yy, xx = np.mgrid[: ground.known.shape[0], : ground.known.shape[1]]
    gap = np.min(np.hypot(xx[..., None] - x, yy[..., None] - y) - 0.5 * size, axis=2)
    assert np.all(ground.known & DROPLETS_KNOWN)
    assert np.all(ground.known[gap < 9] & WET)
    assert not np.any(ground.known[(gap > 12) & (gap < 30)] & (WET | WATER_KNOWN))
    assert np.all((ground.known[gap > 34] & (WET | WATER_KNOWN)) == WATER_KNOWN)


def test_strewn_coupons_are_the_same_again_and_many_are_quiet_but_dirty() -> None:
    one, same = strewn_coupon(400_001), strewn_coupon(400_001)
    assert one.particles == same.particles
    assert one.distractors == same.distractors
    droplets, others = [], []
    for seed in range(400_000, 400_008):
        coupon = strewn_coupon(seed)
        mine = [p for p in coupon.particles if p.kind == "spatter"]
        assert all(0.15 <= p.diameter_mm <= 4.0 for p in mine)
        droplets.append(len(mine))
        others.append(len(coupon.particles) - len(mine) + len(coupon.distractors))
    assert max(droplets) > 150
    assert min(others) > 10
    assert any(n < m for n, m in zip(droplets, others, strict=True))


def test_specks_lie_on_the_plate_clear_of_the_bead() -> None:
    coupon = strewn_coupon(400_003)
    for d in coupon.distractors:
        if d.kind in ("drying ring", "scale flake"):
            body = next(b for b in coupon.bodies if b.name == d.plate)
            assert body.across_mm[0] < d.across_mm < body.across_mm[1]
            assert abs(d.across_mm) > np.abs(coupon.bead.across_mm).min()


def test_a_cut_lesson_shows_the_same_droplets() -> None:
    mask = np.zeros((300, 400), dtype=bool)
    mask[100:260, 120:390] = True
    droplets = np.array([[200.0, 150.0, 8.0], [350.0, 240.0, 9.0]])
    lesson = Lesson("plate", np.zeros((300, 400, 3), dtype=np.uint8), mask, droplets, 5.0, 1.0, np.empty((0, 3)))
    small = cut(lesson)
    assert small.mask.sum() == mask.sum()
    for x, y in np.round(small.droplets[:, :2]).astype(int):
        assert small.mask[y, x]
    assert max(cut(lesson, 120).mask.shape) == 120


def test_a_find_narrower_than_asked_for_counts_for_and_against_nobody() -> None:
    mask = np.ones((60, 60), dtype=bool)
    droplets = np.array([[20.0, 20.0, 8.0]])
    lesson = Lesson("plate", np.zeros((60, 60, 3), dtype=np.uint8), mask, droplets, 5.0, 1.0, np.empty((0, 3)))
    told = run(lambda picture, seen, smallest: np.array([[20.0, 20.0, 8.0], [40.0, 40.0, 3.0], [45.0, 20.0, 7.0]]), [lesson])
    assert (told[0].n, told[0].hit, told[0].stray) == (1, 1, 1)


def test_wet_and_sunny_pictures_are_as_told() -> None:
    """Shares of the project's own choosing; which plate the sun is low over is told by the plate's own axes."""
    coupons = [strewn_coupon(seed) for seed in range(400_000, 400_040)]
    wet = [c for c in coupons if any(d.kind == "water drop" for d in c.distractors)]
    sunny = [c for c in coupons if "near_away_mm" in c.light]
    assert 2 <= len(wet) <= 16 and 3 <= len(sunny) <= 16
    for coupon in wet:
        drops = [d for d in coupon.distractors if d.kind == "water drop"]
        assert all(0.4 <= d.size_mm <= 3.0 for d in drops)
        for d in drops:
            others = [(p.along_mm, p.across_mm, p.diameter_mm) for p in coupon.particles if p.plate == d.plate]
            others += [(o.along_mm, o.across_mm, o.size_mm) for o in drops if o is not d and o.plate == d.plate]
            gaps = [np.hypot(x - d.along_mm, y - d.across_mm) - 0.5 * (size + d.size_mm) for x, y, size in others]
            assert min(gaps, default=1.0) > 0.0
    for coupon in sunny:
        a, e = np.radians([coupon.light["near_azimuth_deg"], coupon.light["near_elevation_deg"]])
        sun = np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
        rises = [np.degrees(np.arcsin(sun @ m[:, 2])) for m in plate_axes(coupon.joint, coupon.plate_angle_deg).values()]
        assert min(rises) > 0.0 and any(11.9 < rise < 40.1 for rise in rises)


def test_light_bends_into_water_by_snells_law() -> None:
    """Snell's law and Fresnel's 2 % at right angles to water (textbook optics); 1.333 sin(40.5 degrees) = sin(60 degrees)."""
    tilt = np.radians([0.0, 30.0, 60.0])
    way = np.stack([np.sin(tilt), np.zeros(3), -np.cos(tilt)], axis=-1)
    into, mirrored = water.bent(way, np.tile([0.0, 0.0, 1.0], (3, 1)))
    np.testing.assert_allclose(np.linalg.norm(into, axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(into[:, 0] * 1.33, np.sin(tilt), atol=1e-12)
    assert np.degrees(np.arcsin(into[2, 0])) == pytest.approx(40.6, abs=0.1)
    assert mirrored[0] == pytest.approx(0.0201, abs=2e-4) and mirrored[0] < mirrored[1] < mirrored[2] < 0.1


def test_a_drop_gathers_light_and_makes_none() -> None:
    """Conservation of light: what lands about a drop is what came, less the few per cent that the drop mirrors away."""
    sun = np.array([0.6, 0.0, 0.8])
    lights = water.Lights(
        sun[None], np.ones(1), np.zeros((2, 4, 3), np.float32), np.eye(3), None, np.zeros(3), (sun, 0.01, np.ones(3))
    )
    for seed in range(4):
        cap = water.make_cap(np.random.default_rng(seed), 0.0, lights)
        power = cap.landed[0, ..., 0]
        covered = cap.height > 0.0
        lost = (1.0 - power).sum() / covered.sum()
        assert 0.0 < lost < 0.15
        assert power.max() > 1.1 and power.min() < 0.9
        middle = np.nonzero(covered)[1].mean()
        brightest, darkest = int(power.argmax()) % power.shape[1], int(power.argmin()) % power.shape[1]
        assert darkest < brightest < middle + 2.0, "gathered away from the sun, and dark beyond"


def test_water_changes_the_picture_where_drops_lie_and_nowhere_else() -> None:
    coupon = strewn_coupon(400_030)
    height, width = coupon.camera.height_px, coupon.camera.width_px
    light = np.full((height, width, 3), 0.4, np.float32)
    shows = np.zeros((height, width), dtype=bool)
    shows[:, width // 2 :] = True
    wet = water.with_water(light, shows, coupon, "plate")
    changed = np.abs(wet - light).max(axis=-1) > 0.03
    assert not changed[:, : width // 2].any()
    drops = [d for d in coupon.distractors if d.kind == "water drop" and d.size_mm > 0.8]
    pose = coupon.poses["plate"]
    px = coupon.camera.project(pose.to_camera(np.array([(d.along_mm, d.across_mm, 0.0) for d in drops])))
    for x, y in px[(px[:, 0] > width // 2 + 20) & (px[:, 0] < width - 20) & (px[:, 1] > 20) & (px[:, 1] < height - 20)].astype(
        int
    ):
        assert changed[y - 8 : y + 9, x - 8 : x + 9].any()
    dry = replace(coupon, distractors=tuple(d for d in coupon.distractors if d.kind != "water drop"))
    assert water.with_water(light, shows, dry, "plate") is light


def test_what_two_hands_agree_on_is_to_be_found_and_the_rest_counts_neither_way() -> None:
    """By hand: one droplet that both marked, one that only the first did, one that only the second did, one that it was unsure of."""
    first = {"particles": [[10.0, 10.0, 8.0], [40.0, 10.0, 8.0]], "unsure": []}
    second = {"particles": [[11.0, 10.0, 9.0], [70.0, 10.0, 8.0]], "unsure": [[90.0, 10.0, 6.0]]}
    sure, unsure = agreed(hands_of({"spatter": {**first, "second": second}}))
    np.testing.assert_allclose(sure, [[10.5, 10.0, 8.5]])
    assert sorted(unsure[:, 0]) == [40.0, 70.0, 90.0]
    alone, nothing = agreed(hands_of({"spatter": first}))
    assert len(alone) == 2
    assert len(nothing) == 0
