"""The two toe lines as one optimisation along a straightened bead.

At every station the state is the pair (row of one toe, row of the other). What lies between should look like this bead's weld
metal, what lies beyond like this photo's plate on that side, and both toes should lie on edges; from station to station both
lines may wander together cheaply, and change the width at a price. The forward–backward recursion (L. R. Rabiner, Proc. IEEE 77,
1989, from memory) gives not just the best pair but how probable every row is for either toe: its spread is the toe's
uncertainty, near edges and far rivals included.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

REGION_WEIGHT = 0.04
"""Independent observations per row: neighbouring px say much the same."""
EDGE_WEIGHT = 1.5
MOVE_ROWS = (0.55, 0.45)
"""Typical moves from station to station of both toes together, and of the width [rows]."""
_LEAK = 1e-5
WIDTH_WEIGHT = 0.5
"""Weight of the expected width at each station, against its evidence [ratio]."""

__all__ = ["TwoLines", "edge_score", "solve_lines"]


@dataclass(frozen=True, slots=True, eq=False)
class TwoLines:
    """Both toe lines in strip rows.

    Attributes
    ----------
    rows : ndarray, shape (2, n)
        First and second line.
    sd_rows : ndarray, shape (2, n)
        Posterior standard deviation, rivals included.
    rival : ndarray, shape (2, n)
        Probability that the toe lies farther than a tenth of the width from its line [ratio].
    """

    rows: Array
    sd_rows: Array
    rival: Array


def edge_score(edge: Array32, seen: Array32) -> Array32:
    """How much of an edge runs along the bead, relative to this strip's usual edges, in about [0, 2.5], shape (h, n)."""
    usual = float(np.quantile(np.abs(edge), 0.6)) + 0.15
    visible = cv2.erode(seen, np.ones((7, 3), np.uint8))
    return np.asarray(np.log1p(np.abs(edge) / usual) * visible, dtype=np.float32)


def solve_lines(
    odds: Array32,
    edges: Array32,
    *,
    n_states: int,
    width_rows: tuple[float, float] | None = None,
    least_width: int = 4,
    fixed: tuple[tuple[int, int, float], ...] = (),
    step_rows: float = 1.0,
) -> TwoLines:
    """Posterior of both lines over all pairs of rows.

    Parameters
    ----------
    odds : ndarray, shape (h, n)
        Log odds of weld metal.
    edges : ndarray, shape (h, n)
        Edge score.
    n_states : int
        The first line lies in rows 0 … n_states − 1, the second in the last n_states rows.
    width_rows : (median, log sd), optional
        What the width is expected to be.
    least_width : int
        Least width [rows].
    fixed : tuple of (line, column, row)
        Rows that a line must pass through.
    step_rows : float
        Typical move of both lines together from station to station [rows].
    """
    h, n = odds.shape
    sums = np.vstack([np.zeros((1, n), np.float32), np.cumsum(odds, axis=0)]) * REGION_WEIGHT
    soft = 0.5 * (sums[1:] + sums[:-1])
    first = EDGE_WEIGHT * edges[:n_states] - soft[:n_states]
    second = EDGE_WEIGHT * edges[h - n_states :] + soft[h - n_states :]
    for line, column, row in fixed:
        target = first if line == 0 else second
        offset = 0 if line == 0 else h - n_states
        away = np.abs(np.arange(n_states) + offset - row)
        target[:, column] = np.where(away <= 0.75, 50.0, -50.0)
    width = (np.arange(n_states)[None] + h - n_states) - np.arange(n_states)[:, None]
    prior = np.where(width >= least_width, 1.0, 0.0).astype(np.float32)
    if width_rows is not None:
        median, log_sd = width_rows
        z = np.log(np.maximum(width, 1) / median) / log_sd
        prior *= np.exp(-0.5 * np.minimum(z * z, 16.0) * WIDTH_WEIGHT).astype(np.float32)
    like_first = np.exp(first - first.max(axis=0)).T.astype(np.float32)
    like_second = np.exp(second - second.max(axis=0)).T.astype(np.float32)
    kernel = _kernel(step_rows)
    forward = np.empty((n, n_states, n_states), np.float32)
    state = prior / prior.sum()
    for x in range(n):
        if x:
            state = cv2.filter2D(state, -1, kernel, borderType=cv2.BORDER_CONSTANT)
        state = (state + _LEAK * prior / prior.sum()) * prior * like_first[x][:, None] * like_second[x][None]
        state /= max(float(state.sum()), 1e-30)
        forward[x] = state
    marginals = np.empty((2, n, n_states))
    state = np.full((n_states, n_states), 1.0, np.float32)
    for x in range(n - 1, -1, -1):
        both = forward[x] * state
        both /= max(float(both.sum()), 1e-30)
        marginals[0, x], marginals[1, x] = both.sum(1), both.sum(0)
        state = (state + _LEAK * state.sum()) * prior * like_first[x][:, None] * like_second[x][None]
        state = cv2.filter2D(state / max(float(state.sum()), 1e-30), -1, kernel, borderType=cv2.BORDER_CONSTANT)
    return _lines(marginals, h - n_states)


def _kernel(step_rows: float) -> Array32:
    """Probability of a move of both lines: together cheaply, apart at a price, with heavy tails, shape (7, 7)."""
    d = np.arange(-3, 4)
    a, b = np.meshgrid(d, d, indexing="ij")
    together, apart = np.abs(a + b) / 2, np.abs(a - b)
    kernel = np.exp(-together / (MOVE_ROWS[0] * step_rows) - apart / (MOVE_ROWS[1] * step_rows))
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _lines(marginals: Array, offset: int) -> TwoLines:
    """Most probable rows (to a fraction, by the mean about the best), their spread, and the weight of rivals."""
    _, n, m = marginals.shape
    at = np.arange(m, dtype=np.float64)
    rows, sds, rivals = np.empty((2, n)), np.empty((2, n)), np.empty((2, n))
    for i in (0, 1):
        p = marginals[i]
        soft = cv2.GaussianBlur(p, (0, 0), sigmaX=1.2, sigmaY=0.01)
        best = np.argmax(soft, axis=1)
        near = np.abs(at[None] - best[:, None]) <= 3
        weight = p * near
        centre = (weight * at).sum(1) / np.maximum(weight.sum(1), 1e-12)
        rows[i] = centre + (offset if i else 0)
        sds[i] = np.sqrt((p * (at[None] - centre[:, None]) ** 2).sum(1) + 1 / 12)
        rivals[i] = 1 - (p * (np.abs(at[None] - centre[:, None]) <= 5)).sum(1)
    return TwoLines(rows, sds, np.clip(rivals, 0, 1))
