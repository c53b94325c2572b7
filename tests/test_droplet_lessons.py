"""What droplets are learnt from: the way from plate to photo, and strewn coupons."""

from __future__ import annotations

import cv2
import numpy as np
from sample_images.scene.strewn import strewn_coupon
from training.grounds import to_photo


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


def test_a_strewn_coupon_is_the_same_again_and_has_many_droplets() -> None:
    one, same = strewn_coupon(400_001), strewn_coupon(400_001)
    assert one.particles == same.particles
    assert len(one.particles) > 30
    assert all(0.15 <= p.diameter_mm <= 4.0 for p in one.particles if p.kind == "spatter")
