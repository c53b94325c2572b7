"""What droplets are learnt from: the way from plate to photo, and strewn coupons."""

from __future__ import annotations

import cv2
import numpy as np
from bench.spatter import cut, run
from sample_images.scene.strewn import strewn_coupon
from training.grounds import to_photo
from training.lessons import Lesson


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
