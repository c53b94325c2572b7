"""Planted faults of made-up coupons: the planted cause among the first three, and no false alarm on sound coupons.

They test the code, not the trade: how a fault changes a bead's look is the project's own model of common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from bench.faults import RIGHT, fault_outcomes, is_right, summary, target_mm
from sample_images.scene.coupon import make_coupon
from sample_images.scene.process import FAULTS, PROCESSES, can_have
from tests.measured_coupons import measured

from toeline.causes import reason
from toeline.coupon import Coupon
from toeline.processes import load_process, process_names

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"


def test_every_fault_has_a_cause_that_some_process_knows() -> None:
    assert set(RIGHT) == set(FAULTS)
    for process in process_names():
        known = set(load_process(process).causes)
        for fault, (causes, _) in RIGHT.items():
            assert not can_have(process, fault) or known & set(causes), f"{process}: {fault}"


def tally(n_faulty: int, n_sound: int, seed: int) -> tuple[Counter[str], Counter[str]]:
    """How many coupons of every process, joint and fault came out right, and how many there were; geometry only."""
    right: Counter[str] = Counter()
    n: Counter[str] = Counter()
    for p, process in enumerate(PROCESSES):
        for j, joint in enumerate(("tee", "plate")):
            for f, fault in enumerate((None, *FAULTS)):
                if fault is not None and not can_have(process, fault):
                    continue
                for k in range(n_sound if fault is None else n_faulty):
                    number = seed + k + 100 * f + 2000 * j + 5000 * p
                    made = make_coupon(number, process=process, joint=joint, fault=fault, step_mm=0.2)
                    size, surface, spatter = measured(made, np.random.default_rng(number))
                    target = {"target_leg_mm" if joint == "tee" else "target_width_mm": target_mm(made)}
                    coupon = Coupon(joint=joint, process=process, plate_before="clean", **target)
                    found = reason(size, surface=surface, spatter=spatter, coupon=coupon)
                    truth = {"fault": fault, "settings": {"work_angle_off_deg": made.settings.work_angle_off_deg}}
                    for key in ("no fault",) if fault is None else ("faults", fault):
                        right[key] += is_right(truth, found)
                        n[key] += 1
    return right, n


def test_planted_faults_are_among_the_first_three_where_their_signs_are_seen() -> None:
    right, n = tally(1, 6, seed=300_000)
    assert n["faults"] >= 90 and right["faults"] / n["faults"] >= 0.65, (right, n)
    assert right["no fault"] / n["no fault"] >= 0.9, (right, n)


@pytest.mark.study
def test_many_planted_faults_by_geometry() -> None:
    right, n = tally(8, 40, seed=400_000)
    print({key: f"{right[key]}/{n[key]}" for key in n})
    assert right["faults"] / n["faults"] >= 0.72
    assert right["no fault"] / n["no fault"] >= 0.9


@pytest.mark.study
@pytest.mark.parametrize("settings", [False, True], ids=["picture and size", "machine settings too"])
def test_planted_faults_in_the_sample_photos(settings: bool) -> None:
    counts = summary(fault_outcomes(SAMPLES, settings=settings))
    print(counts)
    assert counts["no fault"][0] / counts["no fault"][1] >= 0.9
    assert counts["faults"][0] / counts["faults"][1] >= 0.6
