"""Train the small network that tells droplets from specks: `python -m training.spatter --photos FOLDER [--rendered FOLDER]`.

Pictures: made-up plates (`training.plates`), photos with marked droplets whose group is in the training split, and rendered
coupons if a folder of them is given (`training.views`). Writes `inspect/toeline/spatter/particles.json`. Needs scikit-learn (extra `train`).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes
from sklearn.linear_model import LogisticRegression
from sklearn.neural_network import MLPClassifier, MLPRegressor

from toeline.spatter.particles import (
    N_ANGLES,
    N_READ_PER_MPX,
    RINGS,
    SMALLEST_PX,
    Seen,
    candidates,
    colour_levels,
    glance,
    net_from,
    read_rings,
    sift,
    worth_reading,
)
from training.plates import plate_picture
from training.split import split_of

Array = NDArray[np.float64]
ROOT = Path(__file__).resolve().parent
ROW_NAMES = ("glances", "features", "label", "fit", "weight")
N_ABOUT = 5
GREY = np.array([0.3, 0.5, 0.2], dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """A picture, where to look in it, its droplets (x, y, diameter [px]), and the narrowest that was marked [px]."""

    name: str
    rgb: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    droplets: Array
    smallest_px: float
    weight: float
    careless: Array
    """Things that may be taken for droplets or not, both right: (x, y, diameter [px])."""


def made_up(seeds: range) -> Iterator[Lesson]:
    """Plates of these seeds."""
    for seed in seeds:
        picture = plate_picture(seed)
        mask = np.zeros(picture.rgb.shape[:2], bool)
        mask[6:-6, 6:-6] = True
        yield Lesson(f"plate-{seed}", picture.rgb, mask, picture.droplets, SMALLEST_PX, 1.0, np.empty((0, 3)))


def marked(marks: Path, photos: Path, *, split: str, smallest_px: float = 6.0) -> Iterator[Lesson]:
    """Photos with marked droplets, of one split."""
    for path in sorted(marks.glob("*.json")):
        told = json.loads(path.read_text(encoding="utf-8"))
        regions = [r for r in told.get("spatter", {}).get("complete_in", []) if r]
        if not regions or split_of(told["group"]) != split:
            continue
        rgb = cv2.cvtColor(cv2.imread(str(photos / told["photo"])), cv2.COLOR_BGR2RGB)
        cover = np.zeros(rgb.shape[:2], np.uint8)
        for region in regions:
            cv2.fillPoly(cover, [np.round(np.array(region) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        droplets = np.array(told["spatter"]["particles"], dtype=float).reshape(-1, 3)
        yield Lesson(path.stem, rgb, cover > 0, droplets, smallest_px, 6.0, np.empty((0, 3)))


def rendered(folder: Path) -> Iterator[Lesson]:
    """Coupon views with truth: `NAME.png` beside `NAME.json` with `droplets`, `careless` and a mask in `NAME.mask.png`."""
    for path in sorted(folder.glob("*.json")):
        told = json.loads(path.read_text(encoding="utf-8"))
        rgb = cv2.cvtColor(cv2.imread(str(path.with_suffix(".png"))), cv2.COLOR_BGR2RGB)
        mask = cv2.imread(str(path.with_suffix(".mask.png")), cv2.IMREAD_GRAYSCALE) > 0
        droplets, careless = (np.array(told[k], dtype=float).reshape(-1, 3) for k in ("droplets", "careless"))
        yield Lesson(path.stem, rgb, mask, droplets, float(told["smallest_px"]), 2.0, careless)


def shrunk(lesson: Lesson) -> tuple[NDArray[np.float32], NDArray[np.bool_], Array, Array]:
    """Picture, mask and droplets at the size at which the detector works."""
    shrink = max(1.0, lesson.smallest_px / SMALLEST_PX)
    size = (round(lesson.rgb.shape[1] / shrink), round(lesson.rgb.shape[0] / shrink))
    rgb = cv2.resize(lesson.rgb, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    mask = cv2.resize(lesson.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    step = np.array([shrink, shrink, shrink])
    middle = np.array([0.5, 0.5, 0.0])
    return rgb, mask, (lesson.droplets + middle) / step - middle, (lesson.careless + middle) / step - middle


def nearest(x: Array, y: Array, droplets: Array) -> tuple[NDArray[np.intp], Array]:
    """Nearest droplet of each place, by distance over its diameter, and that distance."""
    if len(droplets) == 0:
        return np.zeros(len(x), dtype=np.intp), np.full(len(x), np.inf)
    gap = np.hypot(x[:, None] - droplets[:, 0], y[:, None] - droplets[:, 1]) / droplets[:, 2]
    which = gap.argmin(axis=1)
    return which, gap[np.arange(len(x)), which]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Features of candidates with what is true of them: label (1, 0, −1 for neither), fit targets, weights."""

    glances: NDArray[np.float32]
    features: NDArray[np.float32]
    label: NDArray[np.int64]
    fit: NDArray[np.float32]
    weight: NDArray[np.float32]


def rows_of(lesson: Lesson, rng: np.random.Generator, *, n_plain: int = 500) -> Rows:
    """Candidates of a picture, those that stand on nothing thinned to `n_plain`."""
    rgb, mask, droplets, careless = shrunk(lesson)
    small = min(lesson.smallest_px, SMALLEST_PX)
    seen = candidates(rgb @ GREY, mask, smallest_px=0.9 * small, largest_px=70.0)
    if len(droplets):  # and about every droplet, as the second look sees it
        near = droplets[np.repeat(np.arange(len(droplets)), N_ABOUT)]
        inside = mask[tuple(np.clip(np.round(near[:, [1, 0]]).astype(int), 0, np.array(mask.shape) - 1).T)]
        near = near[inside]
        off = rng.normal(0, 0.1, (len(near), 2)) * near[:, 2:]
        about = [
            near[:, 0] + off[:, 0],
            near[:, 1] + off[:, 1],
            near[:, 2] * np.exp(rng.normal(0, 0.18, len(near))),
            np.full(len(near), 2.0),
        ]
        seen = Seen(
            *(
                np.concatenate([a, b]).astype(np.float32)
                for a, b in zip((seen.x_px, seen.y_px, seen.diameter_px, seen.stands_out), about, strict=True)
            )
        )
    glances = glance(rgb @ GREY, seen)
    features, dipole = read_rings(colour_levels(rgb, float(seen.diameter_px.max(initial=8.0))), seen)
    x, y, d = (np.asarray(v, dtype=float) for v in (seen.x_px, seen.y_px, seen.diameter_px))
    which, gap = nearest(x, y, droplets)
    label = np.zeros(len(x), dtype=np.int64)
    fit = np.zeros((len(x), 3), dtype=np.float32)
    if len(droplets):
        own = droplets[which]
        ratio = d / own[:, 2]
        label[(gap < 0.75) & (ratio > 0.4) & (ratio < 2.5)] = -1
        label[(gap < 0.32) & (ratio > 0.6) & (ratio < 1.67)] = 1
        off = (own[:, :2] - np.column_stack([x, y])) / d[:, None]
        way = dipole / (np.linalg.norm(dipole, axis=1, keepdims=True) + 1e-9)
        fit[:, 0] = np.log(own[:, 2] / d)
        fit[:, 1] = off[:, 0] * way[:, 0] + off[:, 1] * way[:, 1]
        fit[:, 2] = -off[:, 0] * way[:, 1] + off[:, 1] * way[:, 0]
    _, gap = nearest(x, y, careless)
    label[(gap < 0.8) & (label == 0)] = -1
    if lesson.name.startswith("seam"):
        label[(d < 1.15 * small) & (label == 0)] = -1  # narrower droplets were not marked
    plain = np.flatnonzero(label == 0)
    dropped = rng.permutation(plain)[n_plain:]
    keep = np.setdiff1d(np.flatnonzero(label >= 0), dropped)
    more = np.where(label[keep] == 0, max(1.0, min(4.0, len(plain) / n_plain)), 1.0)
    return Rows(glances[keep], features[keep], label[keep], fit[keep], (lesson.weight * more).astype(np.float32))


def _layers(net: MLPClassifier | MLPRegressor) -> list[dict[str, list[object]]]:
    def short(values: NDArray[np.float64]) -> list[object]:
        return [[float(f"{v:.4g}") for v in row] for row in values] if values.ndim == 2 else [float(f"{v:.4g}") for v in values]

    return [{"weights": short(w), "biases": short(b)} for w, b in zip(net.coefs_, net.intercepts_, strict=True)]


def mirrored(rows: Rows) -> Rows:
    """The same candidates in a mirror: the rings are read the other way round from the bright side."""
    n_rings = len(RINGS) * N_ANGLES
    turned = rows.features[:, :n_rings].reshape(-1, len(RINGS), N_ANGLES)[:, :, -np.arange(N_ANGLES)]
    features = np.concatenate([turned.reshape(len(turned), -1), rows.features[:, n_rings:]], axis=1)
    return Rows(rows.glances, features, rows.label, rows.fit * np.array([1, 1, -1], np.float32), rows.weight)


def train(rows: Rows, *, seed: int = 7) -> dict[str, object]:
    """The three networks, as plain numbers; the last judgement is filled in by `judge_last`."""
    twice = (rows, mirrored(rows))
    rows = Rows(*(np.concatenate([getattr(r, name) for r in twice]) for name in ROW_NAMES))
    centre, spread = rows.features.mean(axis=0), rows.features.std(axis=0) + 1e-3
    shown = np.clip((rows.features - centre) / spread, -6, 6)
    glance_centre, glance_spread = rows.glances.mean(axis=0), rows.glances.std(axis=0) + 1e-3
    first = MLPClassifier(
        hidden_layer_sizes=(16,), alpha=1e-3, batch_size=512, learning_rate_init=3e-3, max_iter=8, random_state=seed
    )
    first.fit((rows.glances - glance_centre) / glance_spread, rows.label, sample_weight=rows.weight)
    droplet = MLPClassifier(
        hidden_layer_sizes=(64, 24), alpha=3e-4, batch_size=512, learning_rate_init=1.5e-3, max_iter=9, random_state=seed
    )
    droplet.fit(shown, rows.label, sample_weight=rows.weight)
    yes = rows.label == 1
    fit = MLPRegressor(
        hidden_layer_sizes=(48, 16), alpha=3e-4, batch_size=256, learning_rate_init=1.5e-3, max_iter=25, random_state=seed
    )
    fit.fit(shown[yes], rows.fit[yes])
    return {
        "glance_centre": [float(f"{v:.5g}") for v in glance_centre],
        "glance_spread": [float(f"{v:.5g}") for v in glance_spread],
        "glance": _layers(first),
        "centre": [float(f"{v:.5g}") for v in centre],
        "spread": [float(f"{v:.5g}") for v in spread],
        "droplet": _layers(droplet),
        "fit": _layers(fit),
        "last": [0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        "size": [0.0, 1.0],
        "log_diameter_u": 0.15,
    }


def judge_last(told: dict[str, object], lessons: Iterator[Lesson]) -> dict[str, object]:
    """Fit the calibrated last judgement and the scatter of diameters on pictures that the networks have not seen."""
    net = net_from(told | {"size": [0.0, 1.0]})
    clues, truth, weights, sizes = [], [], [], []
    for lesson in lessons:
        rgb, mask, droplets, careless = shrunk(lesson)
        small = min(lesson.smallest_px, SMALLEST_PX)
        seen = candidates(rgb @ GREY, mask, smallest_px=0.9 * small, largest_px=70.0)
        seen = worth_reading(rgb @ GREY, seen, net, max(500, int(N_READ_PER_MPX * np.count_nonzero(mask) / 1e6)))
        sifted = sift(rgb, seen, net)
        which, gap = nearest(sifted.x_px, sifted.y_px, droplets)
        is_one = gap < 0.5
        told_d = droplets[which, 2] if len(droplets) else np.ones(len(gap))
        unclear = (nearest(sifted.x_px, sifted.y_px, careless)[1] < 0.8) & ~is_one
        unclear |= sifted.diameter_px < 0.85 * small
        clues.append(sifted.clues[~unclear])
        truth.append(is_one[~unclear])
        weights.append(np.full(int(np.sum(~unclear)), min(lesson.weight, 2.0)))
        sure = is_one & (sifted.clues[:, 4] > 0)
        sizes.append(np.log(np.column_stack([sifted.diameter_px[sure], told_d[sure]])))
    last = LogisticRegression(C=10.0).fit(np.concatenate(clues), np.concatenate(truth), sample_weight=np.concatenate(weights))
    read, true = np.concatenate(sizes).T
    slope, start, *_ = theilslopes(true, read)
    spread = float(np.quantile(np.abs(true - start - slope * read), 0.6827))
    numbers = [float(last.intercept_[0]), *(float(v) for v in last.coef_[0])]
    return told | {
        "last": [round(v, 4) for v in numbers],
        "size": [round(float(start), 4), round(float(slope), 4)],
        "log_diameter_u": round(spread, 4),
    }


def main() -> None:
    """Train and write the numbers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, help="folder of the marked photos")
    parser.add_argument("--rendered", type=Path, help="folder of rendered coupon views with truth")
    parser.add_argument("--plates", type=int, default=500, help="how many made-up plates")
    parser.add_argument("--out", type=Path, default=ROOT.parent / "inspect" / "toeline" / "spatter" / "particles.json")
    asked = parser.parse_args()
    rng = np.random.default_rng(11)

    def lessons(first: int, n: int, part: int) -> Iterator[Lesson]:
        yield from made_up(range(first, first + n))
        if asked.photos:
            yield from marked(ROOT / "marks", asked.photos, split="train")
        if asked.rendered:
            views = list(rendered(asked.rendered))
            yield from (v for k, v in enumerate(views) if (k % 4 == 0) == (part == 1))

    parts = [rows_of(lesson, rng) for lesson in lessons(0, asked.plates, 0)]
    rows = Rows(*(np.concatenate([getattr(p, name) for p in parts]) for name in ROW_NAMES))
    print(f"{len(rows.label)} candidates, {int(rows.label.sum())} on droplets")
    told = judge_last(train(rows), lessons(100_000, max(20, asked.plates // 8), 1))
    asked.out.write_text(json.dumps(told, separators=(",", ":")), encoding="utf-8")
    print(f"wrote {asked.out}: last judgement {told['last']}, diameter scatter {told['log_diameter_u']}")


if __name__ == "__main__":
    main()
