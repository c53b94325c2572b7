"""How well traced toe lines agree with marked ones: distances, overlap, answered, silently wrong.

All lengths are in px of the full photo. The width that distances are compared with is the marked bead's mean width.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DOUBT_FLAGS = frozenset({"toe-unsure", "toe-bridged", "bead-unsure", "several-beads", "finders-disagree", "glare-on-toe"})
"""Flags that warn of a wrong toe line."""

WRONG_SHARE = 0.25
"""A mean toe distance of more than this share of the width is wrong."""

__all__ = ["DOUBT_FLAGS", "Score", "WRONG_SHARE", "bead_iou", "load_marks", "score_toes", "summary", "toe_distance_px"]


@dataclass(frozen=True, slots=True)
class Score:
    """Agreement of one traced bead with its mark; NaN where the photo was refused.

    Attributes
    ----------
    distance_px, width_px : float
        Mean toe distance over both lines, and the marked bead's mean width [px].
    iou_ratio : float
        Overlap of the bead areas over their union.
    doubted : bool
        A flag warns of a wrong line or a wrong bead.
    """

    photo: str
    group: str
    answered: bool
    distance_px: float = float("nan")
    width_px: float = float("nan")
    iou_ratio: float = float("nan")
    confidence_ratio: float = float("nan")
    doubted: bool = False

    @property
    def silently_wrong(self) -> bool:
        """Answered, over a quarter of the width away, and no flag that says so."""
        return self.answered and not self.doubted and not self.distance_px <= WRONG_SHARE * self.width_px


def load_marks(folder: Path) -> list[dict[str, object]]:
    """All marks of a folder (first pass only), in order of their photos."""
    marks = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.json"))]
    return [mark for mark in marks if mark.get("format") == "toeline-marks" and mark.get("pass", 1) == 1 and mark["beads"]]


def _dense(line: Array, step_px: float = 2.0) -> Array:
    """A polyline resampled at equal steps, shape (m, 2)."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.linspace(0.0, length[-1], max(2, int(length[-1] / step_px) + 1))
    return np.stack([np.interp(at, length, line[:, 0]), np.interp(at, length, line[:, 1])], axis=1)


def _mean_distance(points: Array, line: Array) -> float:
    """Mean distance of points from a polyline [px]."""
    a, d = line[:-1], np.diff(line, axis=0)
    rel = points[:, None] - a[None]
    t = np.clip((rel * d).sum(-1) / np.maximum((d * d).sum(-1), 1e-9), 0.0, 1.0)
    return float(np.hypot(*np.moveaxis(rel - t[..., None] * d[None], -1, 0)).min(axis=1).mean())


def toe_distance_px(found: Sequence[Array], marked: Sequence[Array], ignore: Sequence[Array] = ()) -> float:
    """Mean distance from the marked toe lines to the found ones, paired the better way round [px]."""

    def one(mark: Array, line: Array) -> float:
        points = _dense(mark, 6.0)
        keep = np.ones(len(points), dtype=bool)
        for polygon in ignore:
            outline = polygon.astype(np.float32)
            keep &= np.array([cv2.pointPolygonTest(outline, (float(x), float(y)), False) < 0 for x, y in points])
        return _mean_distance(points[keep] if keep.any() else points, line)

    straight = one(marked[0], found[0]) + one(marked[1], found[1])
    crossed = one(marked[0], found[1]) + one(marked[1], found[0])
    return min(straight, crossed) / 2


def _fill(lines: Sequence[Array], shape: tuple[int, int], scale: float) -> NDArray[np.uint8]:
    a, b = lines
    if np.hypot(*(a[0] - b[0])) + np.hypot(*(a[-1] - b[-1])) > np.hypot(*(a[0] - b[-1])) + np.hypot(*(a[-1] - b[0])):
        b = b[::-1]
    area = np.zeros(shape, np.uint8)
    cv2.fillPoly(area, [np.round(np.concatenate([a, b[::-1]]) * scale).astype(np.int32)], 1)
    return area


def bead_iou(found: Sequence[Array], marked: Sequence[Array], size_px: tuple[int, int], ignore: Sequence[Array] = ()) -> float:
    """Overlap over union of the areas between both toe lines, outside the ignored polygons.

    Along the bead both areas are cut to the marked bead's extent: where a bead ends is judged elsewhere, and marks may stop
    short of a photo's border by a few px.
    """
    scale = min(1.0, 800 / max(size_px))
    shape = (int(size_px[1] * scale) + 1, int(size_px[0] * scale) + 1)
    a, b = _fill(found, shape, scale), _fill(marked, shape, scale)
    for polygon in ignore:
        for area in (a, b):
            cv2.fillPoly(area, [np.round(polygon * scale).astype(np.int32)], 0)
    ends = np.array([(marked[0][0] + marked[1][0]) / 2, (marked[0][-1] + marked[1][-1]) / 2]) * scale
    axis = ends[1] - ends[0]
    ys, xs = np.mgrid[: shape[0], : shape[1]]
    along = ((xs - ends[0, 0]) * axis[0] + (ys - ends[0, 1]) * axis[1]) / max(float(axis @ axis), 1e-9)
    a = np.where((along < -0.02) | (along > 1.02), 0, a).astype(np.uint8)
    union = int(np.count_nonzero(a | b))
    return float(np.count_nonzero(a & b) / union) if union else 0.0


def score_toes(
    mark: Mapping[str, object], found: Sequence[Array] | None, *, confidence: float = float("nan"), flags: Iterable[str] = ()
) -> Score:
    """Score found toe lines (two arrays of shape (n, 2) in px, or None for a refusal) against a mark.

    A mark may hold several beads; the one marked ``main`` counts, unless the trace says ``several-beads``: then any of them.
    """
    photo, group = str(mark["photo"]), str(mark["group"])
    if found is None:
        return Score(photo, group, answered=False)
    names = frozenset(flags)
    beads = list(mark["beads"])  # type: ignore[call-overload]
    wanted = beads if "several-beads" in names else [b for b in beads if b.get("main", True)] or beads[:1]
    ignore = [np.asarray(p, dtype=np.float64) for p in mark.get("ignore", ())]  # type: ignore[attr-defined]
    size = (int(mark["width_px"]), int(mark["height_px"]))  # type: ignore[call-overload]
    best: Score | None = None
    for bead in wanted:
        lines = [np.asarray(line, dtype=np.float64) for line in bead["toes_px"]]
        width = (_mean_distance(_dense(lines[0], 6.0), lines[1]) + _mean_distance(_dense(lines[1], 6.0), lines[0])) / 2
        distance = toe_distance_px(found, lines, ignore)
        score = Score(
            photo, group, True, distance, width, bead_iou(found, lines, size, ignore), confidence, bool(names & DOUBT_FLAGS)
        )
        if best is None or score.iou_ratio > best.iou_ratio:
            best = score
    assert best is not None
    return best


def summary(scores: Sequence[Score]) -> dict[str, float]:
    """The figures asked for: answered, median overlap, mean toe distance in shares of the width, silently wrong."""
    answered = [s for s in scores if s.answered]
    share = np.array([s.distance_px / s.width_px for s in answered])
    iou = np.array([s.iou_ratio for s in answered])
    n = max(len(scores), 1)
    return {
        "n_photos": float(len(scores)),
        "answered_ratio": len(answered) / n,
        "iou_median_ratio": float(np.median(iou)) if len(iou) else float("nan"),
        "distance_median_ratio": float(np.median(share)) if len(iou) else float("nan"),
        "distance_p95_ratio": float(np.quantile(share, 0.95)) if len(iou) else float("nan"),
        "wrong_ratio": float(np.mean(share > WRONG_SHARE)) if len(iou) else float("nan"),
        "silently_wrong_ratio": sum(s.silently_wrong for s in scores) / n,
    }
