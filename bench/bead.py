"""The bead finder against general segmentation methods of scikit-image, all from the same box round the bead.

Beads drawn from known lines always; marked photos as well where their folder is given:

    python -m bench.bead [--photos FOLDER] [--most N]
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.segmentation import (
    chan_vese,
    inverse_gaussian_gradient,
    morphological_geodesic_active_contour,
    random_walker,
)
from tests.drawn_beads import draw_bead, plain_view

from toeline.bead import find_bead
from toeline.coupon import Hints
from toeline.errors import NoBead

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Box = tuple[float, float, float, float]

LONG_SIDE_PX = 400
"""The general methods work on the box shrunk to this [px]."""
MARKS = Path(__file__).resolve().parents[1] / "training" / "marks"

__all__ = ["Row", "bench_finders"]


@dataclass(frozen=True, slots=True)
class Row:
    """One method's figures over all pictures of one kind."""

    pictures: str
    method: str
    n: int
    answered_ratio: float
    iou_median_ratio: float
    seconds: float


def bench_finders(photos: Path | None = None, *, most: int = 12) -> list[Row]:
    """Compare the finder with random walker, geodesic active contour and Chan–Vese.

    Parameters
    ----------
    photos : Path, optional
        Folder with the marked photos; absent, only drawn beads are compared.
    most : int
        At most so many pictures of each kind.

    Returns
    -------
    list of Row
        Refusals count as no answer, not as no overlap.
    """
    kinds = {"drawn": list(_drawn(most))}
    if photos is not None:
        kinds["photos"] = list(_marked(photos, most))
    methods: dict[str, Callable[[NDArray[np.uint8], Box], Mask | None]] = {
        "toeline, classical": _toeline,
        "random walker": _general(_walker),
        "geodesic contour": _general(_geodesic),
        "Chan-Vese": _general(_chan_vese),
    }
    rows = []
    for kind, pictures in kinds.items():
        for name, method in methods.items():
            overlaps, seconds = [], 0.0
            for image, toes in pictures:
                truth = _area(toes, image.shape[:2])
                start = perf_counter()
                mask = method(image, _box(toes, image.shape[:2]))
                seconds += perf_counter() - start
                if mask is not None:
                    overlaps.append(np.count_nonzero(mask & truth) / max(1, np.count_nonzero(mask | truth)))
            n = len(pictures)
            middle = float(np.median(overlaps)) if overlaps else float("nan")
            rows.append(Row(kind, name, n, len(overlaps) / n, middle, seconds / n))
    return rows


def _drawn(most: int) -> Iterator[tuple[NDArray[np.uint8], tuple[Array, Array]]]:
    for seed in range(100, 100 + most):
        drawn = draw_bead(seed=seed, tint=0.2 + 0.05 * (seed % 9), width_px=40.0 + 8 * (seed % 7))
        yield drawn.image, drawn.toes_px


def _marked(folder: Path, most: int) -> Iterator[tuple[NDArray[np.uint8], tuple[Array, Array]]]:
    marks = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(MARKS.glob("seam-*.json"))]
    marks = [m for m in marks if m.get("pass", 1) == 1 and any(b["main"] for b in m["beads"])]
    for mark in marks[:: max(1, len(marks) // most)][:most]:
        picture = cv2.imread(str(folder / mark["photo"]))
        if picture is None:
            continue
        bead = next(b for b in mark["beads"] if b["main"])
        first, second = (np.asarray(line, dtype=np.float64) for line in bead["toes_px"])
        yield np.ascontiguousarray(picture[..., ::-1]).astype(np.uint8), (first, second)


def _area(toes: tuple[Array, Array], shape: tuple[int, ...]) -> Mask:
    area = np.zeros(shape[:2], np.uint8)
    cv2.fillPoly(area, [np.round(np.concatenate([toes[0], toes[1][::-1]])).astype(np.int32)], 1)
    return area > 0


def _box(toes: tuple[Array, Array], shape: tuple[int, ...]) -> Box:
    """A box as a hand would draw it: the bead with a third of its height to spare, as long as the bead."""
    points = np.concatenate(toes)
    low, high = points.min(axis=0), points.max(axis=0)
    spare = 0.33 * min(high - low)
    return (
        max(0.0, float(low[0])),
        max(0.0, float(low[1] - spare)),
        min(shape[1] - 1.0, float(high[0])),
        min(shape[0] - 1.0, float(high[1] + spare)),
    )


def _toeline(image: NDArray[np.uint8], box: Box) -> Mask | None:
    view, scale = plain_view(image)
    try:
        bead = find_bead(view, scale, joint="plate", hints=Hints(box_px=box))
    except NoBead:
        return None
    first, second = (toe.photo_px for toe in bead.toes.values())
    return _area((first, second), image.shape)


def _general(method: Callable[[Array], Mask]) -> Callable[[NDArray[np.uint8], Box], Mask]:
    """A method on the grey, shrunken box, its mask put back into the whole picture."""

    def run(image: NDArray[np.uint8], box: Box) -> Mask:
        x0, y0, x1, y1 = (round(v) for v in box)
        crop = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)[y0 : y1 + 1, x0 : x1 + 1]
        scale = min(1.0, LONG_SIDE_PX / max(crop.shape))
        small = cv2.resize(crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).astype(np.float64) / 255
        mask = method(small).astype(np.uint8)
        out = np.zeros(image.shape[:2], dtype=bool)
        size = (crop.shape[1], crop.shape[0])
        out[y0 : y1 + 1, x0 : x1 + 1] = cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST) > 0
        return out

    return run


def _middle(shape: tuple[int, ...], share: float) -> Mask:
    """The box's middle rows (or columns, when it is upright)."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    if shape[1] >= shape[0]:
        return np.broadcast_to(np.abs(rows - shape[0] / 2) < share * shape[0] / 2, shape).copy()
    return np.broadcast_to(np.abs(columns - shape[1] / 2) < share * shape[1] / 2, shape).copy()


def _walker(grey: Array) -> Mask:
    seeds = np.zeros(grey.shape, dtype=np.int64)
    seeds[_middle(grey.shape, 0.15)] = 1
    seeds[~_middle(grey.shape, 0.9)] = 2
    return np.asarray(random_walker(grey, seeds, beta=200, mode="cg_j", tol=1e-3) == 1, dtype=bool)


def _geodesic(grey: Array) -> Mask:
    edges = inverse_gaussian_gradient(grey, alpha=100, sigma=2)
    found = morphological_geodesic_active_contour(
        edges, 100, init_level_set=_middle(grey.shape, 0.9), smoothing=1, threshold="auto", balloon=-1
    )
    return np.asarray(found > 0, dtype=bool)


def _chan_vese(grey: Array) -> Mask:
    found = np.asarray(chan_vese(grey, mu=0.2, max_num_iter=150, init_level_set=_middle(grey.shape, 0.5) - 0.5), dtype=bool)
    middle = _middle(grey.shape, 0.3)
    inner = np.mean(found[middle])
    return found if inner >= 0.5 else ~found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=Path, help="folder with the marked photos")
    parser.add_argument("--most", type=int, default=12, help="at most so many pictures of each kind")
    told = parser.parse_args()
    for row in bench_finders(told.photos, most=told.most):
        print(
            f"{row.pictures:8s} {row.method:20s} n {row.n:3d}  answered {row.answered_ratio:4.0%}  "
            f"IoU {row.iou_median_ratio:.3f}  {row.seconds:.2f} s"
        )


if __name__ == "__main__":
    main()
