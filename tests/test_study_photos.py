"""The long study on rendered photos that nothing was tuned on: is the claimed uncertainty true, and do photos of one coupon agree?

Run by `make study` where ``TOELINE_RENDERED`` names a folder with ``evaluation`` and ``poses`` in it; `bench/scale.py` says how they
are made. Truth comes from the geometry that they were rendered from.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from bench.scale import coverage, lengths_in, repeatability, together

RENDERED = Path(os.environ.get("TOELINE_RENDERED", "no-folder-given"))

pytestmark = [
    pytest.mark.study,
    pytest.mark.skipif(not RENDERED.is_dir(), reason="TOELINE_RENDERED names no folder of rendered photos"),
]


@pytest.mark.parametrize("true_toes", [True, False], ids=["true toes", "found toes"])
def test_lengths_lie_within_their_uncertainty(true_toes: bool) -> None:
    """At least 60 photos: the exact 99 % interval of the observed coverage at k = 2 includes 95 %; legs from true toes 0.08 / 0.25 mm."""
    lengths = lengths_in(RENDERED / "evaluation", true_toes=true_toes)
    assert len({one.photo for one in lengths}) >= 60
    found = coverage(lengths)
    print(f"\n{found}")
    assert found.low <= 0.95 <= found.high
    if true_toes:
        legs = coverage([one for one in lengths if one.key.startswith("leg")])
        assert legs.median_mm <= 0.08 and legs.most_mm <= 0.25


@pytest.mark.parametrize("true_toes", [True, False], ids=["true toes", "found toes"])
def test_photos_of_one_coupon_agree(true_toes: bool) -> None:
    """Ten coupons in five poses: pooled spread of the mean leg ≤ 0.08 mm, and within 25 % of what is claimed to vary with the pose."""
    lengths = lengths_in(RENDERED / "poses", true_toes=true_toes)
    legs, widths = (repeatability(lengths, key) for key in ("leg", "width"))
    print(f"\n{legs}\n{widths}")
    assert legs.n_coupons + widths.n_coupons >= 10
    assert legs.seen_mm <= 0.08
    assert legs.seen_mm / legs.claimed_mm == pytest.approx(1.0, abs=0.25)


def test_photos_solved_together_are_true() -> None:
    joint = [one for _, found, _ in together(RENDERED / "poses") for one in found]
    found = coverage(joint)
    print(f"\n{found}")
    assert found.low <= 0.95 <= found.high
    assert np.median([one.u_mm for one in joint]) > 0
