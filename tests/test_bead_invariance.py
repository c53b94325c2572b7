"""The same photo turned, mirrored, darker, squeezed or shrunk gives the same lengths within their own claimed ± (k = 2).

Two samples here; all of them with `python -m bench.invariance`.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from bench.invariance import CHANGES, moves

from toeline.demo import coupon_of, sample_truths

SAMPLES = Path(__file__).parents[1] / "sample_images"


@pytest.mark.parametrize("name", ["plate-gmaw-s-1.jpg", "tee-gmaw-p-1.jpg"])
def test_a_length_stays_when_only_the_picture_changes(name: str) -> None:
    path, truth = next((photo, truth) for photo, truth in sample_truths(SAMPLES) if photo.name == name)
    chosen = tuple(how for how in CHANGES if how not in ("turned 180°", "double"))
    found = moves(path, *coupon_of(truth), changes=chosen)
    moved = [(move.change, move.key, round(move.moved_mm, 3), round(move.u_mm, 3)) for move in found if not move.held]
    assert not moved


@pytest.mark.study
def test_every_sample_holds_under_every_change() -> None:
    """Nine lengths in ten at least, in each way of changing the picture."""
    found = [move for photo, truth in sample_truths(SAMPLES) for move in moves(photo, *coupon_of(truth))]
    for how in CHANGES:
        these = [move for move in found if move.change == how]
        assert sum(move.held for move in these) >= 0.9 * len(these), how
