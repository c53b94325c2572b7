"""Compare an inspection with a rendered coupon's truth: lengths, toe lines, spatter. Used by the bench and by the tests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toeline.demo import coupon_of, sample_truths, truth_means
from toeline.inspection import Inspection, inspect_photo
from toeline.photo import read_photo
from toeline.scale.rays import to_plate_mm

Array = NDArray[np.float64]
Truth = Mapping[str, Any]

FROM_MM = 0.5
"""Droplets from this size on are scored [mm]."""
OFF_ENDS_MM = 4.0
"""Toe points nearer than this to the bead's ends are not scored: a toe line bends round there and has no across."""


@dataclass(frozen=True)
class Score:
    """How one coupon came out."""

    name: str
    process: str
    joint: str
    fault: str | None
    hard: str | None
    refused: str
    errors_mm: Mapping[str, float]
    u_mm: Mapping[str, float]
    toe_mm: float
    iou: float
    flags: tuple[str, ...]
    confidence: float
    n_true: int
    n_found: int
    n_hit_true: int
    n_hit_found: int
    causes: tuple[tuple[str, float], ...]
    seconds: Mapping[str, float]


def score_folder(folder: Path, *, most: int | None = None) -> list[Score]:
    """Inspect and score every photo with a truth in a folder."""
    return [score_photo(photo, truth)[0] for photo, truth in sample_truths(folder)[:most]]


def score_photo(path: Path, truth: Truth) -> tuple[Score, Inspection]:
    """Inspect one photo as a person would, then compare."""
    coupon, scaling = coupon_of(truth)
    found = inspect_photo(read_photo(path), coupon, scaling=scaling)
    return compare(found, truth, path.name), found


def compare(found: Inspection, truth: Truth, name: str) -> Score:
    """Score an inspection against its truth."""
    blank: dict[str, float] = {}
    head = (name, str(truth["process"]), str(truth["joint"]), truth.get("fault"), truth.get("hard"))
    causes = tuple((c.cause, c.probability) for c in found.diagnosis.causes[:6]) if found.diagnosis else ()
    if found.refused is not None or found.size is None or found.bead is None or found.scale is None:
        reason = found.refused.reason if found.refused else "?"
        return Score(*head, reason, blank, blank, np.nan, 0.0, (), 0.0, 0, 0, 0, 0, (), dict(found.seconds))
    record = found.as_dict()
    true = truth_means(record, truth)
    measures = found.size.measures
    errors = {k: measures[k].value - v for k, v in true.items() if k in measures}
    u = {k: measures[k].u for k in errors}
    toe = float(np.mean([toe_distance_mm(found, truth, t) for t in found.bead.toes]))
    hits = match_spatter(found, truth)
    return Score(
        *head, "", errors, u, toe, bead_iou(found, truth), tuple(f.name for f in found.flags), found.bead.confidence, *hits, causes,
        dict(found.seconds),
    )  # fmt: skip


def toe_distance_mm(found: Inspection, truth: Truth, name: str) -> float:
    """Mean distance of the true, visible toe points from the found line, on the plate [mm]."""
    assert found.bead is not None and found.scale is not None
    toe = truth["bead"]["toes"][name]
    along = np.array(toe["along_mm"])
    use = np.array(toe["visible"], bool) & (along > OFF_ENDS_MM) & (along < along.max() - OFF_ENDS_MM)
    points = to_plate_mm(found.scale, found.bead.toes[name].plate, np.array(toe["px"], float)[use])
    line = found.bead.plate_points_mm[name]
    dense = np.stack(
        [np.interp(np.arange(0, len(line) - 1 + 1e-9, 0.1), np.arange(len(line)), line[:, i]) for i in (0, 1)], axis=1
    )
    return float(cKDTree(dense).query(points)[0].mean())


def bead_iou(found: Inspection, truth: Truth) -> float:
    """Intersection over union of the areas between both toe lines, in the photo."""
    import cv2

    assert found.bead is not None

    def area(lines: Sequence[Array]) -> NDArray[np.uint8]:
        mask = np.zeros((found.photo.height_px // 2 + 1, found.photo.width_px // 2 + 1), np.uint8)
        ring = np.concatenate([lines[0], lines[1][::-1]]) / 2
        cv2.fillPoly(mask, [np.round(ring).astype(np.int32)], 1)
        return mask

    a = area([t.photo_px for t in found.bead.toes.values()])
    b = area([np.array(truth["bead"]["toes"][n]["px"], float) for n in found.bead.toes])
    return float((a & b).sum() / max((a | b).sum(), 1))


def match_spatter(found: Inspection, truth: Truth) -> tuple[int, int, int, int]:
    """(true, found, true ones that were found, found ones that are true) droplets of at least FROM_MM, matched by place.

    A found particle near a smaller true droplet (or one too hidden to ask for) counts neither way.
    """
    if found.spatter is None:
        return 0, 0, 0, 0
    every = [p for p in truth["particles"] if p["kind"] == "spatter"]
    big = [p for p in every if p["visible"] and p["diameter_mm"] >= FROM_MM]
    seen = list(found.spatter.particles)
    told = [p for p in seen if p.diameter_mm >= FROM_MM]
    reach = 0.6 * found.scale.px_per_mm.value if found.scale else 6.0
    seen_tree = cKDTree([(p.x_px, p.y_px) for p in seen]) if seen else None
    hit_true = sum(
        1
        for p in big
        if seen_tree is not None and seen_tree.query(p["px"])[0] <= max(reach, 0.5 * p["diameter_mm"] * reach / 0.6)
    )
    every_tree = cKDTree([p["px"] for p in every]) if every else None
    hit_found = counted = 0
    for p in told:
        d, i = every_tree.query((p.x_px, p.y_px)) if every_tree is not None else (np.inf, 0)
        near = every[i] if d <= max(reach, 0.5 * p.diameter_mm * reach / 0.6) else None
        if near is None:
            counted += 1
        elif near["visible"] and near["diameter_mm"] >= 0.75 * FROM_MM:
            counted += 1
            hit_found += 1
    return len(big), counted, hit_true, hit_found


def summary(scores: Sequence[Score]) -> dict[str, float]:
    """The figures of a set."""
    told = [s for s in scores if not s.refused]
    errors = np.array([abs(e) for s in told for e in s.errors_mm.values()] or [np.nan])
    z = np.array([abs(e) / s.u_mm[k] for s in told for k, e in s.errors_mm.items()] or [np.nan])
    toes = np.array([s.toe_mm for s in told] or [np.nan])
    n_true, n_found = sum(s.n_true for s in told), sum(s.n_found for s in told)
    return {
        "n": len(scores),
        "answered": len(told) / max(len(scores), 1),
        "size_error_median_mm": float(np.nanmedian(errors)),
        "size_error_95_mm": float(np.nanquantile(errors, 0.95)),
        "within_2u": float((z <= 2).mean()),
        "toe_median_mm": float(np.nanmedian(toes)),
        "toe_95_mm": float(np.nanquantile(toes, 0.95)),
        "iou_median": float(np.median([s.iou for s in told] or [0.0])),
        "spatter_recall": sum(s.n_hit_true for s in told) / max(n_true, 1),
        "spatter_precision": sum(s.n_hit_found for s in told) / max(n_found, 1),
        "n_spatter_true": n_true,
        "seconds_median": float(np.median([s.seconds["total"] for s in scores] or [np.nan])),
    }
