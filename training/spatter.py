"""Fit what makes a probability of the droplet network's log odds, how diameters are set straight and how far they scatter.

    python -m training.spatter --coupons FOLDER… [--photos FOLDER]

The coupons must be ones that the network has not learnt from, nor may figures be reported on them; of marked photos the training split is
used (the network finds droplets on them no better than on those kept apart). Writes
`inspect/toeline/spatter/particles.json` and prints the numbers of `detection.toml`.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toeline.spatter.particles import Sheet, clues, detect_particles, judgement, lay_out, one_for_each_place
from toeline.spatter.sight import Finds, find_middles
from training.lessons import SMALLEST_MM, Lesson, coupons, marked

Array = NDArray[np.float64]
NUMBERS = Path(__file__).resolve().parent.parent / "inspect" / "toeline" / "spatter" / "particles.json"
MARKS = Path(__file__).resolve().parent / "marks"
CLOSE_RATIO = 0.5
"""A find within this share of a droplet's diameter, or of the smallest one's, is that droplet."""


def looked_at(lesson: Lesson) -> tuple[Sheet, Finds]:
    """A lesson's sheet and all finds on it."""
    sheet = lay_out(lesson.rgb, lesson.mask, lesson.smallest_px / SMALLEST_MM, smallest_mm=SMALLEST_MM)
    return sheet, one_for_each_place(find_middles(sheet.picture, sheet.mask)[0])


def on_sheet(rows: Array, sheet: Sheet) -> Array:
    """Droplets (x, y, diameter) of the whole picture on the sheet [px]."""
    if len(rows) == 0:
        return np.empty((0, 3))
    step = np.array(sheet.step)
    at = (rows[:, :2] - np.array(sheet.corner) + 0.5) / step - 0.5
    return np.column_stack([at, rows[:, 2] / np.sqrt(step.prod())])


def told_of(finds: Finds, droplets: Array, careless: Array, smallest_px: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """What is true of finds, likeliest first: 1 a droplet, 0 none, −1 either is right; and which droplet, −1 for none."""
    label = np.zeros(len(finds.x_px), dtype=np.int64)
    which = np.full(len(label), -1)
    free = np.ones(len(droplets), dtype=bool)
    for k, (x, y) in enumerate(zip(finds.x_px, finds.y_px, strict=True)):
        if len(droplets):
            gap = np.hypot(droplets[:, 0] - x, droplets[:, 1] - y) / np.maximum(droplets[:, 2], smallest_px)
            gap[~free] = np.inf
            best = int(gap.argmin())
            if gap[best] < CLOSE_RATIO:
                label[k], which[k], free[best] = 1, best, False
                continue
        if len(careless) and np.any(
            np.hypot(careless[:, 0] - x, careless[:, 1] - y) < 0.8 * np.maximum(careless[:, 2], smallest_px)
        ):
            label[k] = -1
    return label, which


def logistic(listed: Array, truth: Array, *, ridge: float = 0.3) -> list[float]:
    """Logistic regression by Newton's steps: intercept and slopes."""
    x = np.column_stack([np.ones(len(listed)), listed])
    beta = np.zeros(x.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(x @ beta, -30, 30)))
        slope = x.T @ (truth - p) - ridge * np.r_[0.0, beta[1:]]
        curve = (x * (p * (1 - p))[:, None]).T @ x + ridge * np.eye(len(beta))
        beta = beta + (step := np.linalg.solve(curve, slope))
        if np.abs(step).max() < 1e-7:
            break
    return [round(float(v), 4) for v in beta]


def fitted(lessons: Sequence[Lesson]) -> dict[str, Any]:
    """The last judgement, and how diameters are set straight and scatter."""
    from scipy.stats import theilslopes

    listed, truth, sizes = [], [], []
    for lesson in lessons:
        sheet, finds = looked_at(lesson)
        droplets, careless = on_sheet(lesson.droplets, sheet), on_sheet(lesson.careless, sheet)
        label, which = told_of(finds, droplets, careless, sheet.smallest_px)
        label[finds.diameter_px < 0.85 * sheet.smallest_px] = -1
        sure = label >= 0
        listed.append(clues(finds, sheet.smallest_px)[sure])
        truth.append(label[sure].astype(float))
        mine = (label == 1) & (finds.log_odds > -0.5) & (lesson.weight <= 1.0)  # marks are no measure of width
        if mine.any():
            own = droplets[which[mine], 2]
            sizes.append(np.column_stack([np.log(finds.diameter_px[mine]), np.log(own), finds.log_spread[mine]]))
    read, true, spread = np.concatenate(sizes).T
    slope, start, *_ = theilslopes(true, read)
    wrong = np.abs(true - start - slope * read)
    floor = 0.03
    ratio = float(np.quantile(np.sqrt(np.maximum(wrong**2 - floor**2, 0.0)) / np.exp(spread), 0.6827))
    return {
        "last": logistic(np.concatenate(listed), np.concatenate(truth)),
        "size": [round(float(start), 4), round(float(slope), 4)],
        "log_diameter_u": [floor, round(ratio, 4)],
    }


def doubt_of(counts: list[tuple[Array, int]]) -> dict[str, float]:
    """How wide "on this plate" must be, by maximum likelihood: for coupons, finds' probabilities and the true number."""
    expected = np.array([p.sum() for p, _ in counts])
    own = np.array([np.sum(p * (1 - p)) for p, _ in counts])
    true = np.array([n for _, n in counts], dtype=float)
    best = (np.inf, 1.0, 0.0, 0.0)
    for found in np.linspace(0.85, 1.0, 16):
        mean = expected / found
        for ratio in np.linspace(0.0, 0.4, 41):
            for stray in np.linspace(0.3, 6.0, 39):
                variance = own + mean - expected + (ratio * mean) ** 2 + stray**2
                cost = float(np.sum((true - mean) ** 2 / variance + np.log(variance)))
                best = min(best, (cost, float(found), float(ratio), float(stray)))
    return dict(zip(("found_ratio", "between_coupons_ratio", "stray_n"), (round(v, 3) for v in best[1:]), strict=True))


def counted(lessons: Sequence[Lesson]) -> list[tuple[Array, int]]:
    """Probabilities of a coupon's finds and its true number of droplets, with the numbers as written."""
    told = []
    for lesson in lessons:
        found = detect_particles(lesson.rgb, lesson.mask, lesson.smallest_px / SMALLEST_MM)
        column, row = np.round(lesson.droplets[:, :2]).astype(int).T
        inside = (row >= 0) & (column >= 0) & (row < lesson.mask.shape[0]) & (column < lesson.mask.shape[1])
        told.append((found.probability, int(lesson.mask[row[inside], column[inside]].sum())))
    return told


def main() -> None:
    """Fit and write the numbers."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--coupons", type=Path, nargs="+", required=True, help="folders of coupon photos with truth beside them")
    parser.add_argument("--photos", type=Path, help="folder of the marked photos")
    asked = parser.parse_args()
    lessons = [lesson for folder in asked.coupons for lesson in coupons(folder)]
    numbers = fitted([*lessons, *(marked(MARKS, asked.photos, split="train") if asked.photos else ())])
    NUMBERS.write_text(json.dumps(numbers, separators=(",", ":")) + "\n", encoding="utf-8")
    print(json.dumps(numbers))
    judgement.cache_clear()
    print("for detection.toml:", json.dumps(doubt_of(counted(lessons))))


if __name__ == "__main__":
    main()
