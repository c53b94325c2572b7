"""Fit how probable it is that both toe lines are right: `python -m training.confidence --photos FOLDER --rendered FOLDER … --folds A B`.

Every marked photo of the training split and every rendered coupon goes through the finder as it is and spoilt in two of four ways
(blur, darkness with noise, hard JPEG, shrunk), so that there are failures to learn from. `--folds` names weights of the eye that did not
learn from fold 0 and fold 1 of the training photos (`training.train --leave-out`): each photo is seen by the eye that did not learn from
it. A ridge-penalised logistic model of the
trace's own traits is fitted for lines from the learned and from the classical evidence, each, and written with its figures to
`inspect/toeline/bead/confidence.json`. Reliability is told on photos kept apart, spoilt in the same ways, and by leaving out one group
after another.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from zlib import crc32

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.spatial import cKDTree

from toeline.bead import find_readings, learned, look, unfold
from toeline.bead.confidence import Traits
from toeline.bead.result import Bead
from toeline.bead.view import CouponView
from toeline.coupon import Scaling
from toeline.demo import coupon_of, sample_truths
from toeline.errors import NoBead, ToelineError
from toeline.photo import Photo, read_photo
from toeline.scale import find_scale
from toeline.scale.rays import to_plate_mm
from toeline.scale.solution import Scale
from training.plates import plate_picture
from training.scoring import load_marks, score_toes
from training.split import fold_of, split_of

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

RIGHT_RATIO = 0.08
"""Both toes are right when their mean distance from the true ones is at most this share of the width."""
OFF_ENDS_MM = 4.0
SPOILS = ("plain", "blurred", "dark", "jpeg", "shrunk")
SOURCES = ("learned", "classical")
MODELS = (*SOURCES, "plates")
"""Classical lines on plates that strips tell of have a model of their own: there each bead is read twice."""
CLASSICAL_SPOILS = ("plain", "shrunk")
"""The classical evidence is a fallback: fewer pictures are spent on it."""
SHARES = {"real": 1.0, "rendered": 1.0, "empty": 0.4}
"""What each kind of picture weighs in the fit, together."""
BETTER = frozenset({"toe", "toe_low", "inside", "parting", "seen", "band"})
WORSE = frozenset({"spread", "spread_high", "rival", "apart", "apart_high", "outside", "inner", "uneven", "crowd", "textured"})
"""Traits that may only raise, or only lower, the probability: what is known beforehand need not be learnt from few pictures."""
RIDGE = 1.0
ROOT = Path(__file__).resolve().parents[1]
MARKS = ROOT / "training" / "marks"
OUT = ROOT / "inspect" / "toeline" / "bead" / "confidence.json"


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """One trace: what it showed, whether it was right, and whether it is kept apart from the fit."""

    photo: str
    group: str
    kind: str
    spoil: str
    source: str
    traits: Array
    off_ratio: float
    apart: bool = False

    @property
    def right(self) -> bool:
        return self.off_ratio <= RIGHT_RATIO


def spoilt(picture: Picture, how: str, rng: np.random.Generator) -> Picture:
    """A picture made worse in one way; ``shrunk`` keeps its size and loses its detail."""
    side = max(picture.shape[:2])
    if how == "blurred":
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), side / 1024 * rng.uniform(1.5, 5.0)), dtype=np.uint8)
    if how == "dark":
        dim = picture.astype(np.float32) * rng.uniform(0.12, 0.5) + rng.normal(0, rng.uniform(2, 7), picture.shape)
        return np.asarray(np.clip(dim, 0, 255), dtype=np.uint8)
    if how == "jpeg":
        code = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(4, 25))])[1]
        return np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR), dtype=np.uint8)
    if how == "shrunk":
        factor = rng.uniform(150, 450) / side
        small = cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.resize(small, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR), dtype=np.uint8)
    return picture


def traces(
    view: CouponView, scale: Scale, joint: str, name: str, sources: Sequence[str] = SOURCES
) -> Iterator[tuple[str, str, Bead]]:
    """(spoil, source, bead) of a view as it is and spoilt, for every reading of it."""
    pick = np.random.default_rng(crc32(name.encode())).permutation(SPOILS[1:])[:2]
    for spoil in ("plain", *(str(p) for p in pick)):
        rng = np.random.default_rng(crc32(f"{name} {spoil}".encode()))
        worse = replace(view, image=spoilt(view.image, spoil, rng))
        for source in sources:
            if source == "classical" and spoil not in CLASSICAL_SPOILS:
                continue
            evidence = look(worse) if source == "learned" else None
            try:
                for bead in find_readings(worse, scale, joint=joint, evidence=evidence):
                    yield spoil, "plates" if source == "classical" and scale.source != "none" else source, bead
            except NoBead:
                continue


@contextmanager
def seen_by(weights: Path | None) -> Iterator[None]:
    """Within it, the eye looks with other weights than those that ship."""
    shipped = learned.EYE
    if weights is not None:
        learned.EYE = str(weights.resolve())
    try:
        yield
    finally:
        learned.EYE = shipped


def marked_rows(
    photos: Path, split: str, every: int, folds: Sequence[Path] = (), sources: Sequence[str] = SOURCES
) -> Iterator[Row]:
    """Rows of marked photos of one split, of every so many; photos of a fold are seen by the weights that did not learn from it."""
    marks = [mark for mark in load_marks(MARKS) if split_of(str(mark["group"])) == split]
    for mark in marks[::every]:
        name = str(mark["photo"])
        photo = read_photo(photos / name)
        scale = find_scale(photo, joint="plate", scaling=Scaling(unscaled=True))
        group = str(mark["group"])
        with seen_by(folds[fold_of(group, len(folds))] if folds else None):
            for spoil, source, bead in traces(unfold(photo, scale), scale, "plate", name, sources):
                score = score_toes(mark, [toe.photo_px for toe in bead.toes.values()])
                yield Row(name, group, "real", spoil, source, _vector(bead), score.distance_px / score.width_px)


def rendered_rows(folder: Path, every: int, sources: Sequence[str] = SOURCES) -> Iterator[Row]:
    """Rows of rendered coupons with truth, of every so many."""
    for path, truth in sample_truths(folder)[::every]:
        coupon, scaling = coupon_of(truth)
        photo = read_photo(path)
        try:
            scale = find_scale(photo, joint=coupon.joint, scaling=scaling)
        except ToelineError:
            continue
        for spoil, source, bead in traces(unfold(photo, scale), scale, coupon.joint, path.name, sources):
            yield Row(path.name, path.name, "rendered", spoil, source, _vector(bead), off_truth(bead, scale, truth))


def empty_rows(photos: Path, n_plates: int, sources: Sequence[str] = SOURCES) -> Iterator[Row]:
    """Rows of pictures without any bead: whatever is traced there is wrong. Made-up plates, and what lies beside the marked beads."""
    for name, group, image in (*_plates(n_plates), *_beside(photos)):
        view, scale = plain_view(image)
        for spoil, source, bead in traces(view, scale, "plate", name, sources):
            yield Row(name, group, "empty", spoil, source, _vector(bead), float("inf"))


def _plates(n: int) -> Iterator[tuple[str, str, Picture]]:
    for seed in range(700_000, 700_000 + n):
        yield f"plate-{seed}", f"plate-{seed}", np.ascontiguousarray(plate_picture(seed).rgb)


def _beside(photos: Path) -> Iterator[tuple[str, str, Picture]]:
    """The larger part of a training photo above or below all its marked beads, a width away, where it is large enough."""
    for mark in load_marks(MARKS):
        if split_of(str(mark["group"])) != "train":
            continue
        beads: list[dict[str, list[Array]]] = mark["beads"]  # type: ignore[assignment]
        rows = np.concatenate([np.asarray(line)[:, 1] for bead in beads for line in bead["toes_px"]])
        spare = 0.06 * float(str(mark["height_px"]))
        low, high = int(rows.min() - spare), int(rows.max() + spare)
        pixels = read_photo(photos / str(mark["photo"])).pixels
        part = pixels[:low] if low >= len(pixels) - high else pixels[high:]
        if len(part) >= 250:
            yield f"beside {mark['photo']}", str(mark["group"]), np.ascontiguousarray(part)


def plain_view(image: Picture) -> tuple[CouponView, Scale]:
    """A picture as its own, unscaled view."""
    photo = Photo("", "", image)
    scale = find_scale(photo, joint="plate", scaling=Scaling(unscaled=True))
    return unfold(photo, scale), scale


def off_truth(bead: Bead, scale: Scale, truth: object) -> float:
    """Mean distance of the true, visible toe points from the found lines over the true width [ratio]."""
    assert isinstance(truth, dict)
    off = []
    for name, line in bead.plate_points_mm.items():
        toe = truth["bead"]["toes"][name]
        along = np.array(toe["along_mm"])
        use = np.array(toe["visible"], bool) & (along > OFF_ENDS_MM) & (along < along.max() - OFF_ENDS_MM)
        points = to_plate_mm(scale, bead.toes[name].plate, np.array(toe["px"], dtype=np.float64)[use])
        at = np.arange(0, len(line) - 1 + 1e-9, 0.1)
        dense = np.stack([np.interp(at, np.arange(len(line)), line[:, i]) for i in (0, 1)], axis=1)
        off.append(float(cKDTree(dense).query(points)[0].mean()))
    width = np.median([w for w in truth["stations"]["width_mm"] if w])
    return float(np.mean(off) / width)


def _vector(bead: Bead) -> Array:
    return np.array([bead.traits[field.name] for field in fields(Traits)], dtype=np.float64)


def fit(rows: Sequence[Row]) -> dict[str, object]:
    """Ridge-penalised logistic model; see `_weights`."""
    x = np.stack([row.traits for row in rows])
    middle, scale = np.median(x, axis=0), np.maximum(x.std(axis=0), 1e-3)
    z = np.clip((x - middle) / scale, -3.0, 3.0)
    right = np.array([row.right for row in rows], dtype=np.float64)
    weight = _weights(rows)

    def loss(parameters: Array) -> tuple[float, Array]:
        logit = parameters[0] + z @ parameters[1:]
        value = float(weight @ (np.logaddexp(0.0, logit) - right * logit)) + 0.5 * RIDGE * float(parameters[1:] @ parameters[1:])
        miss = weight * (1 / (1 + np.exp(-logit)) - right)
        return value, np.concatenate([[miss.sum()], z.T @ miss + RIDGE * parameters[1:]])

    names = [field.name for field in fields(Traits)]
    ways = [(None, None), *((0.0, None) if name in BETTER else (None, 0.0) if name in WORSE else (None, None) for name in names)]
    found = minimize(loss, np.zeros(1 + x.shape[1]), jac=True, method="L-BFGS-B", bounds=ways).x
    return {
        "traits": names,
        "middle": [round(float(v), 4) for v in middle],
        "scale": [round(float(v), 4) for v in scale],
        "weights": [round(float(v), 4) for v in found[1:]],
        "offset": round(float(found[0]), 4),
    }


def _weights(rows: Sequence[Row]) -> Array:
    """Each kind of picture has its share (`SHARES`), in which a plain picture weighs as much as all its spoilt ones together."""
    weight = np.array([1.0 if row.spoil == "plain" else 0.5 for row in rows])
    kinds = np.array([row.kind for row in rows])
    for kind in set(kinds):
        weight[kinds == kind] *= SHARES[kind] / weight[kinds == kind].sum()
    return np.asarray(weight * len(rows) / weight.sum())


def told(model: dict[str, object], rows: Sequence[Row]) -> Array:
    """What a model says of rows, shape (n,)."""
    x = np.stack([row.traits for row in rows])
    off = (x - np.asarray(model["middle"])) / np.asarray(model["scale"])
    logit = float(str(model["offset"])) + np.clip(off, -3.0, 3.0) @ np.asarray(model["weights"])
    return np.asarray(np.minimum(0.98, 1 / (1 + np.exp(-logit))))


def reliability(probability: Array, rows: Sequence[Row]) -> dict[str, object]:
    """How often traces of about one confidence were right, Brier score, and area under the ranking curve."""
    right = np.array([row.right for row in rows], dtype=np.float64)
    bins = []
    for low, high in ((0.0, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.01)):
        mine = (probability >= low) & (probability < high)
        if mine.any():
            bins.append([int(mine.sum()), round(float(probability[mine].mean()), 3), round(float(right[mine].mean()), 3)])
    good, bad = probability[right > 0], probability[right == 0]
    ranked = (
        float(np.mean(good[:, None] > bad[None]) + 0.5 * np.mean(good[:, None] == bad[None])) if len(good) and len(bad) else None
    )
    return {
        "n": len(rows),
        "right": round(float(right.mean()), 3),
        "told": round(float(probability.mean()), 3),
        "brier": round(float(np.mean((probability - right) ** 2)), 4),
        "ranking_area": None if ranked is None else round(ranked, 3),
        "bins_n_told_right": bins,
    }


def left_out(rows: Sequence[Row], *, folds: int = 5) -> Array:
    """What models say of groups that they were not fitted on, shape (n,)."""
    fold = np.array([crc32(row.group.encode()) % folds for row in rows])
    out = np.empty(len(rows))
    for k in range(folds):
        model = fit([row for row, f in zip(rows, fold, strict=True) if f != k])
        mine = np.nonzero(fold == k)[0]
        if len(mine):
            out[mine] = told(model, [rows[i] for i in mine])
    return out


def write(rows: Sequence[Row], kept: Sequence[Row]) -> None:
    """Fit the model of each source that rows are of, and keep it with how reliable it is; the other's stays what it was."""
    before = json.loads(OUT.read_text(encoding="utf-8")) if OUT.exists() else {"models": {}, "figures": {}}
    models, figures = dict(before["models"]), dict(before["figures"])
    for source in MODELS:
        if not any(row.source == source for row in rows):
            continue
        mine, apart = ([row for row in some if row.source == source] for some in (rows, kept))
        models[source] = fit(mine)
        figures[source] = {"groups left out": reliability(left_out(mine), mine)}
        for kind in ("real", "rendered"):
            for name, some in (("fitted on", mine), ("kept apart", apart)):
                for what, chosen in (("plain", ("plain",)), ("spoilt", SPOILS[1:])):
                    these = [row for row in some if row.kind == kind and row.spoil in chosen]
                    if these:
                        figures[source][f"{kind}, {name}, {what}"] = reliability(told(models[source], these), these)
    OUT.write_text(json.dumps({"right": RIGHT_RATIO, "models": models, "figures": figures}, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(figures, indent=1))


def main() -> None:
    """Collect, fit, tell."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--photos", type=Path, help="folder of the marked photos")
    ask.add_argument("--rendered", type=Path, nargs="*", default=[], help="folders of rendered coupons with truth, to fit on")
    ask.add_argument(
        "--folds", type=Path, nargs="*", default=[], help="weights that did not learn from fold 0, 1, … of the photos"
    )
    ask.add_argument("--every", type=int, default=1, help="take every so many pictures only, for a quick look")
    ask.add_argument("--apart", type=Path, nargs="*", default=[], help="folders of rendered coupons to test on")
    ask.add_argument(
        "--plates", type=int, default=0, help="so many made-up plates without a bead, and what lies beside marked beads"
    )
    ask.add_argument("--again", type=Path, nargs="*", default=[], help="fit again on traits that --rows kept")
    ask.add_argument("--sources", nargs="*", choices=SOURCES, default=SOURCES, help="whose confidence is fitted")
    ask.add_argument("--rows", type=Path, help="keep every trace's traits here, for a closer look")
    asked = ask.parse_args()
    if asked.again:
        told_before = [row for path in asked.again for row in json.loads(path.read_text(encoding="utf-8"))]
        every = [Row(**(row | {"traits": np.array(row["traits"])})) for row in told_before]
        write([row for row in every if not row.apart], [row for row in every if row.apart])
        return
    rows = [*marked_rows(asked.photos, "train", asked.every, asked.folds, asked.sources)]
    rows += [row for folder in asked.rendered for row in rendered_rows(folder, asked.every, asked.sources)]
    rows += [*empty_rows(asked.photos, asked.plates, asked.sources)] if asked.plates else []
    kept = [*marked_rows(asked.photos, "test", asked.every, sources=asked.sources)]
    kept += [row for folder in asked.apart for row in rendered_rows(folder, asked.every, asked.sources)]
    kept = [replace(row, apart=True) for row in kept]
    if asked.rows is not None:
        asked.rows.write_text(
            json.dumps([asdict(row) | {"traits": row.traits.tolist()} for row in (*rows, *kept)]), encoding="utf-8"
        )
    write(rows, kept)


if __name__ == "__main__":
    main()
