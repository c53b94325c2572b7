"""Train the small networks that glance at candidates and read them on rings: `python -m training.spatter --photos FOLDER`.

Pictures: made-up plates (`training.plates`), photos with marked droplets whose group is in the training split, and rendered
views if a folder of them is given (`training.views`). Writes `inspect/toeline/spatter/particles.json`. Needs scikit-learn (extra `train`).
The closest look and the last judgement are trained afterwards by `training.judge`.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sklearn.neural_network import MLPClassifier, MLPRegressor

from toeline.spatter.candidates import Seen, candidates
from toeline.spatter.particles import SMALLEST_PX
from toeline.spatter.rings import N_ANGLES, RINGS, colour_levels, glance, read_rings
from training.lessons import Lesson, made_up, marked, nearest, rendered, shrunk

Array = NDArray[np.float64]
ROOT = Path(__file__).resolve().parent
ROW_NAMES = ("glances", "features", "label", "fit", "weight")
N_ABOUT = 5
GREY = np.array([0.3, 0.5, 0.2], dtype=np.float32)


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
        "last_with_eye": [0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        "size": [0.0, 1.0],
        "log_diameter_u": [0.1, 0.3],
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

    def lessons() -> Iterator[Lesson]:
        yield from made_up(range(asked.plates))
        if asked.photos:
            yield from marked(ROOT / "marks", asked.photos, split="train")
        if asked.rendered:
            yield from rendered(asked.rendered)

    parts = [rows_of(lesson, rng) for lesson in lessons()]
    rows = Rows(*(np.concatenate([getattr(p, name) for p in parts]) for name in ROW_NAMES))
    print(f"{len(rows.label)} candidates, {int(rows.label.sum())} on droplets")
    told = train(rows)
    asked.out.write_text(json.dumps(told, separators=(",", ":")), encoding="utf-8")
    print(f"wrote {asked.out}")


if __name__ == "__main__":
    main()
