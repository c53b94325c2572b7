"""Marks of droplets by one hand or two: what both saw, and what only one did."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

__all__ = ["agreed", "hands_of", "pairs_of"]


def agreed(hands: Sequence[tuple[Array, Array]]) -> tuple[Array, Array]:
    """Droplets that every hand marked, and those that only one did or that one was unsure of, which count neither way.

    Parameters
    ----------
    hands : sequence of (ndarray, ndarray)
        Of each hand, droplets that it was sure of and others: x, y, diameter [px], shape (n, 3). A photo that one hand marked is believed.
    """
    sure, unsure = hands[0]
    for other, doubted in hands[1:]:
        pairs = pairs_of(sure, other)
        both = np.array([(sure[a] + other[b]) / 2 for a, b in pairs]).reshape(-1, 3)
        alone = [np.delete(sure, [a for a, _ in pairs], axis=0), np.delete(other, [b for _, b in pairs], axis=0)]
        sure, unsure = both, np.concatenate([unsure, doubted, *alone])
    return sure, unsure


def pairs_of(one: Array, other: Array) -> list[tuple[int, int]]:
    """Marks that mean the same droplet, nearest first."""
    if len(one) == 0 or len(other) == 0:
        return []
    gap = np.hypot(one[:, None, 0] - other[:, 0], one[:, None, 1] - other[:, 1])
    gap /= np.maximum(0.5 * np.maximum(one[:, None, 2], other[:, 2]), 4.0)
    pairs: list[tuple[int, int]] = []
    for a, b in zip(*np.unravel_index(np.argsort(gap, axis=None), gap.shape), strict=True):
        if gap[a, b] < 1 and all(a != p and b != q for p, q in pairs):
            pairs.append((int(a), int(b)))
    return pairs


def hands_of(told: dict[str, Any]) -> list[tuple[Array, Array]]:
    """Each hand's marks of droplets in a photo's marks: sure and unsure, rows of x, y, diameter [px]."""
    hands = [told["spatter"], *([told["spatter"]["second"]] if "second" in told["spatter"] else [])]
    rows = [tuple(np.array(hand.get(key, []), dtype=float).reshape(-1, 3) for key in ("particles", "unsure")) for hand in hands]
    return [(sure, unsure) for sure, unsure in rows]
