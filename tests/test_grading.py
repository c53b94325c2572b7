"""Marks by hand calculation from the rubric's own numbers (house rule, no source)."""

from __future__ import annotations

import numpy as np
import pytest

from toeline.coupon import Coupon
from toeline.errors import BadUsage
from toeline.grading import GradeSheet, Mark, grade, load_rubric, read_rubric
from toeline.measure.result import BeadSize, Stations
from toeline.quantity import Measured
from toeline.spatter.result import Interval, Spatter
from toeline.surface.result import SurfaceSign

COUPON = Coupon(joint="tee", process="gmaw-s", target_leg_mm=6.0)


def size(**measures: float) -> BeadSize:
    return BeadSize(Stations(*([np.empty(0)] * 7)), {k: Measured(v, 0.0) for k, v in measures.items()}, np.empty(0, dtype=bool))


def mark(sheet: GradeSheet, key: str) -> Mark:
    return next(m for m in sheet.marks if m.key == key)


GOOD = {
    "leg_base_mean_mm": 6.2,
    "leg_standing_mean_mm": 6.2,
    "width_mean_mm": 8.8,
    "width_cv_ratio": 0.04,
    "straightness_mm": 0.3,
    "ripple_regularity_ratio": 0.7,
    "ripple_spacing_mm": 1.2,
}
CLEAN = Spatter((), 60.0, Interval(0.2, 0.1, 0.3), ())


def test_a_good_bead_earns_full_marks_and_weights_add_to_a_hundred() -> None:
    sheet = grade(size(**GOOD), surface=(), spatter=CLEAN, coupon=COUPON)
    assert sum(c.weight for c in load_rubric().criteria) == 100
    assert sheet.total == pytest.approx(100)
    assert sheet.marked_share_ratio == 1


def test_marks_fall_in_a_straight_line() -> None:
    """Even width: full at 5 %, zero at 20 %, weight 20: 12.5 % earns half, 10 marks."""
    for cv, marks in ((0.05, 20), (0.125, 10), (0.20, 0), (0.40, 0)):
        sheet = grade(size(**(GOOD | {"width_cv_ratio": cv})), surface=(), spatter=CLEAN, coupon=COUPON)
        assert mark(sheet, "even-width").marks == pytest.approx(marks)
        assert sheet.total == pytest.approx(80 + marks)


def test_both_sides_of_the_target_count() -> None:
    """Size: full 95 to 115 % of the target, zero at 70 and at 160 %, weight 25."""
    for leg, marks in ((6 * 0.825, 12.5), (6 * 1.375, 12.5), (6 * 0.6, 0), (6 * 1.1, 25)):
        sheet = grade(
            size(**(GOOD | {"leg_base_mean_mm": leg, "leg_standing_mean_mm": leg})), surface=(), spatter=CLEAN, coupon=COUPON
        )
        assert mark(sheet, "size").marks == pytest.approx(marks)


def test_what_was_not_measured_is_left_out_and_said() -> None:
    sheet = grade(size(width_cv_ratio=0.125), surface=None, spatter=None, coupon=Coupon(joint="tee"))
    assert sheet.total == pytest.approx(50), "half marks on the only criterion that could be marked"
    assert sheet.marked_share_ratio == pytest.approx(0.20)
    assert mark(sheet, "spatter").marks is None and "not counted" in mark(sheet, "spatter").words
    assert grade(None, surface=None, spatter=None, coupon=Coupon()).total is None


def test_spatter_is_marked_by_the_process() -> None:
    """0.5 per cm²: normal for self-shielded, far too much for pulsed spray (common practice, no source)."""
    spatter = Spatter((), 60.0, Interval(0.5, 0.4, 0.6), ())
    marks = {
        p: mark(grade(size(**GOOD), surface=(), spatter=spatter, coupon=Coupon(process=p)), "spatter").marks
        for p in ("fcaw-s", "gmaw-p")
    }
    assert marks["fcaw-s"] == pytest.approx(10) and marks["gmaw-p"] == pytest.approx(0)


def test_a_sign_costs_marks_as_far_as_it_is_likely() -> None:
    surface = (SurfaceSign("pores", 0.8, 20, 2), SurfaceSign("undercut", 0.3, 50, 5))
    sheet = grade(size(**GOOD), surface=surface, spatter=CLEAN, coupon=COUPON)
    assert mark(sheet, "surface").marks == pytest.approx(2.0)
    assert "check by eye" in mark(sheet, "surface").words


def test_uncertainty_passes_through() -> None:
    measures = {k: Measured(v, 0.0) for k, v in GOOD.items()} | {"width_cv_ratio": Measured(0.125, 0.015)}
    uneven = BeadSize(Stations(*([np.empty(0)] * 7)), measures, np.empty(0, dtype=bool))
    sheet = grade(uneven, surface=(), spatter=Spatter((), 60.0, Interval(0.01, 0.01, 0.011), ()), coupon=COUPON)
    assert mark(sheet, "even-width").marks_u == pytest.approx(20 * 0.015 / 0.15)
    assert sheet.total_u == pytest.approx(2.0, abs=0.01)


def test_a_rubric_of_ones_own_and_its_mistakes() -> None:
    row = {"key": "even", "title": "Even", "weight": 10, "quantity": ["width_cv_ratio"], "full": 0.0, "zero": 0.5}
    head = {"title": "Mine", "edition": "1", "status": "house rule"}
    own = read_rubric(head | {"criteria": [row]})
    assert grade(size(width_cv_ratio=0.25), surface=None, spatter=None, coupon=Coupon(), rubric=own).total == pytest.approx(50)
    for wrong, told in (({"weigth": 3}, "'weigth'"), ({"full": [0.1, 0.2]}, "full and zero"), ({"signs": ["rust"]}, "rust")):
        with pytest.raises(BadUsage, match=told):
            read_rubric(head | {"criteria": [row | wrong]})
