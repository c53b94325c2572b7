"""How well droplets are found, beside general blob detectors tuned on the same kind of pictures: `python -m bench.spatter --help`.

Peers: scikit-image `blob_log` and `blob_doh`, OpenCV `SimpleBlobDetector`, trackpy's `locate`. Each is tuned by random search on small made-up
plates and on marked photos of the training split, once for bright and dark alike, and then run on pictures that nothing was tuned or
trained on; marked photos count from the test split only. Pictures are cut to where droplets are known, coupons to a window, the same for
all. What is told to be narrower than the smallest droplet asked for, and lies on none, counts for and against nobody.
"""

from __future__ import annotations

import argparse
import json
import platform
import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.feature import blob_doh, blob_log
from training.lessons import SMALLEST_MM, SMALLEST_PX, Lesson, coupons, made_up, marked, shrunk

from toeline.spatter.catalogue import COUNTED_FROM, n_on_plate
from toeline.spatter.particles import Found, detect_particles

Array = NDArray[np.float64]
Finder = Callable[[NDArray[np.uint8], NDArray[np.bool_], float], Array]
"""Picture, where to look, smallest diameter [px]; gives rows of x, y, diameter [px]."""

MARKS = Path(__file__).resolve().parent.parent / "training" / "marks"
TUNING_SEEDS = range(500_000, 500_006)
TEST_SEEDS = range(600_000, 600_020)
LARGEST_PX = 600
"""Side of the window that is cut from larger pictures, so that the slowest peer is done in time [px]."""


@dataclass(slots=True)
class Tally:
    """Matches, misses and strays, and the ratios of found to true diameter."""

    n: int = 0
    hit: int = 0
    stray: int = 0
    seconds: float = 0.0
    ratios: list[float] | None = None

    @property
    def precision(self) -> float:
        return self.hit / max(1, self.hit + self.stray)

    @property
    def recall(self) -> float:
        return self.hit / max(1, self.n)

    @property
    def f1(self) -> float:
        return 2 * self.hit / max(1, self.n + self.hit + self.stray)


def match(found: Array, droplets: Array, excused: Array) -> tuple[list[tuple[int, int]], list[int]]:
    """Pairs (droplet, find), nearest first, within half a diameter; and finds that lie on nothing and on nothing excused."""
    pairs, stray = [], []
    if len(found) and len(droplets):
        gap = np.hypot(droplets[:, None, 0] - found[None, :, 0], droplets[:, None, 1] - found[None, :, 1]) / droplets[:, None, 2]
        rows, columns = np.nonzero(gap < 0.5)
        free_d, free_f = set(range(len(droplets))), set(range(len(found)))
        for k in np.argsort(gap[rows, columns], kind="stable"):
            d, f = int(rows[k]), int(columns[k])
            if d in free_d and f in free_f:
                pairs.append((d, f))
                free_d.discard(d)
                free_f.discard(f)
    taken = {f for _, f in pairs}
    for f in range(len(found)):
        if f in taken:
            continue
        near = np.hypot(excused[:, 0] - found[f, 0], excused[:, 1] - found[f, 1]) if len(excused) else np.array([np.inf])
        if np.any(near < 0.8 * np.maximum(excused[:, 2], 5.0)) if len(excused) else False:
            continue
        stray.append(f)
    return pairs, stray


def _inside(mask: NDArray[np.bool_], points: Array) -> NDArray[np.bool_]:
    rows, columns = np.round(points[:, 1]).astype(int), np.round(points[:, 0]).astype(int)
    within = (rows >= 0) & (columns >= 0) & (rows < mask.shape[0]) & (columns < mask.shape[1])
    within[within] = mask[rows[within], columns[within]]
    return within


def cut(lesson: Lesson, side_px: float = np.inf) -> Lesson:
    """A lesson cut to where droplets are known, and to the window of that side [px] that shows most of it."""
    rows, columns = np.flatnonzero(lesson.mask.any(axis=1)), np.flatnonzero(lesson.mask.any(axis=0))
    spans = []
    for k, known in enumerate((rows, columns)):
        low, high = max(0, int(known[0]) - 24), min(lesson.mask.shape[k], int(known[-1]) + 25)
        if high - low > side_px:
            sums = np.cumsum(np.r_[0, lesson.mask.sum(axis=1 - k)])
            side = int(side_px)
            low += int(np.argmax(sums[low + side : high + 1] - sums[low : high + 1 - side]))
            high = low + side
        spans.append(slice(low, high))
    shift = np.array([spans[1].start, spans[0].start, 0.0])
    return replace(
        lesson,
        rgb=np.ascontiguousarray(lesson.rgb[spans[0], spans[1]]),
        mask=np.ascontiguousarray(lesson.mask[spans[0], spans[1]]),
        droplets=lesson.droplets - shift,
        careless=lesson.careless - shift,
    )


def run(find: Finder | None, lessons: Sequence[Lesson], *, bins: Sequence[float] = (1.0, 5 / 3, 1e9)) -> list[Tally]:
    """Scores by size, in multiples of the smallest diameter; the first entry is over all. Without a finder: of toeline's own."""
    tallies = [Tally(ratios=[]) for _ in range(len(bins))]
    for lesson in lessons:
        rgb, mask, droplets, excused = shrunk(lesson)
        smallest = min(lesson.smallest_px, SMALLEST_PX)
        picture = np.clip(rgb, 0, 255).astype(np.uint8)
        start = time.perf_counter()
        found = find(picture, mask, smallest) if find is not None else ours(lesson)
        tallies[0].seconds += time.perf_counter() - start
        found = found[_inside(mask, found)] if len(found) else np.empty((0, 3))
        here = _inside(mask, droplets) & (droplets[:, 2] >= smallest)
        excused = np.concatenate([excused, droplets[~here]])
        droplets = droplets[here]
        pairs, stray = match(found, droplets, excused)
        stray = [f for f in stray if found[f, 2] >= smallest]
        for k in range(len(bins)):
            low, high = (0.0, 1e9) if k == 0 else (bins[k - 1] * smallest, bins[k] * smallest)
            mine = (droplets[:, 2] >= low) & (droplets[:, 2] < high)
            tally = tallies[k]
            tally.n += int(mine.sum())
            hits = [(d, f) for d, f in pairs if mine[d]]
            tally.hit += len(hits)
            tally.stray += sum(low <= found[f, 2] < high for f in stray)
            assert tally.ratios is not None
            tally.ratios += [float(found[f, 2] / droplets[d, 2]) for d, f in hits]
    return tallies


@cache
def _finds(lesson: Lesson) -> Found:
    return detect_particles(lesson.rgb, lesson.mask, lesson.smallest_px / SMALLEST_MM)


def intervals(lessons: Sequence[Lesson]) -> tuple[int, int]:
    """On how many pictures the interval of the number on the plate holds the true number, of how many."""
    held = 0
    for lesson in lessons:
        found = _finds(lesson)
        n = n_on_plate(found.probability.tolist())
        true = int(np.sum(_inside(lesson.mask, lesson.droplets)))
        held += n.low <= true <= n.high
    return held, len(lessons)


WIDTHS_PX = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 12.0, 1e9)


def recall_by_width(lessons: Sequence[Lesson]) -> list[tuple[float, float, int, int]]:
    """For droplets by their width in the picture [px]: from, to, how many, how many of them found."""
    rows = []
    for lesson in lessons:
        found = _finds(lesson)
        sure = found.probability >= COUNTED_FROM
        told = np.column_stack([found.x_px[sure], found.y_px[sure], found.diameter_px[sure]])
        droplets = lesson.droplets[_inside(lesson.mask, lesson.droplets)]
        hits = {d for d, _ in match(told, droplets, lesson.careless)[0]}
        rows += [(float(droplet[2]), k in hits) for k, droplet in enumerate(droplets)]
    width, hit = np.array([w for w, _ in rows]), np.array([h for _, h in rows], dtype=bool)
    bins = [(low, high, (width >= low) & (width < high)) for low, high in pairwise(WIDTHS_PX)]
    return [(low, high, int(mine.sum()), int(hit[mine].sum())) for low, high, mine in bins]


def ours(lesson: Lesson) -> Array:
    """toeline's own detector on the picture as it is."""
    found = detect_particles(lesson.rgb, lesson.mask, lesson.smallest_px / SMALLEST_MM)
    sure = found.probability >= COUNTED_FROM
    shrink = max(1.0, lesson.smallest_px / SMALLEST_PX)
    x, y = ((at[sure] + 0.5) / shrink - 0.5 for at in (found.x_px, found.y_px))
    return np.column_stack([x, y, found.diameter_px[sure] / shrink])


def _both_ways(picture: NDArray[np.uint8]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) / 255.0
    return grey, 1.0 - grey


def log_finder(threshold: float, overlap: float, smooth: float) -> Finder:
    def find(picture: NDArray[np.uint8], mask: NDArray[np.bool_], smallest: float) -> Array:
        parts = [np.empty((0, 3))]
        for grey in _both_ways(cv2.GaussianBlur(picture, (0, 0), smooth)):
            blobs = blob_log(grey, min_sigma=smallest / 2.83, max_sigma=12, num_sigma=6, threshold=threshold, overlap=overlap)
            parts.append(np.column_stack([blobs[:, 1], blobs[:, 0], blobs[:, 2] * 2.83]))
        return np.concatenate(parts)

    return find


def doh_finder(threshold: float, overlap: float, smooth: float) -> Finder:
    def find(picture: NDArray[np.uint8], mask: NDArray[np.bool_], smallest: float) -> Array:
        grey = _both_ways(cv2.GaussianBlur(picture, (0, 0), smooth))[0]
        blobs = blob_doh(grey, min_sigma=smallest / 2.83, max_sigma=12, num_sigma=6, threshold=threshold, overlap=overlap)
        return np.column_stack([blobs[:, 1], blobs[:, 0], blobs[:, 2] * 2.83])

    return find


def simple_finder(contrast: float, circular: float, inertia: float, repeat: int) -> Finder:
    def find(picture: NDArray[np.uint8], mask: NDArray[np.bool_], smallest: float) -> Array:
        parts = [np.empty((0, 3))]
        for colour in (0, 255):
            told = cv2.SimpleBlobDetector_Params()
            told.thresholdStep, told.minDistBetweenBlobs, told.minRepeatability = contrast, 3.0, repeat
            told.filterByColor, told.blobColor = True, colour
            told.filterByArea, told.minArea, told.maxArea = True, 0.6 * smallest**2 * 0.785, 3000.0
            told.filterByCircularity, told.minCircularity = True, circular
            told.filterByInertia, told.minInertiaRatio = True, inertia
            told.filterByConvexity = False
            points = cv2.SimpleBlobDetector_create(told).detect(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
            parts.append(np.array([[*p.pt, p.size] for p in points], dtype=float).reshape(-1, 3))
        return np.concatenate(parts)

    return find


def trackpy_finder(diameter: int, minmass: float, percentile: float) -> Finder:
    import trackpy

    def find(picture: NDArray[np.uint8], mask: NDArray[np.bool_], smallest: float) -> Array:
        parts = [np.empty((0, 3))]
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        for invert in (False, True):
            image = 255 - grey if invert else grey
            told = trackpy.locate(image, diameter, minmass=minmass, percentile=percentile)
            parts.append(np.column_stack([told["x"], told["y"], 2.0 * told["size"] * 1.41]))
        return np.concatenate(parts)

    return find


PEERS: dict[str, tuple[Callable[..., Finder], dict[str, Callable[[np.random.Generator], Any]]]] = {
    "skimage blob_log": (
        log_finder,
        {
            "threshold": lambda r: float(np.exp(r.uniform(-4, -0.7))),
            "overlap": lambda r: r.uniform(0.1, 0.6),
            "smooth": lambda r: r.uniform(0.3, 1.5),
        },
    ),
    "skimage blob_doh": (
        doh_finder,
        {
            "threshold": lambda r: float(np.exp(r.uniform(-8, -3))),
            "overlap": lambda r: r.uniform(0.1, 0.6),
            "smooth": lambda r: r.uniform(0.3, 1.5),
        },
    ),
    "OpenCV SimpleBlobDetector": (
        simple_finder,
        {
            "contrast": lambda r: r.uniform(4, 20),
            "circular": lambda r: r.uniform(0.3, 0.9),
            "inertia": lambda r: r.uniform(0.1, 0.6),
            "repeat": lambda r: int(r.integers(1, 5)),
        },
    ),
    "trackpy locate": (
        trackpy_finder,
        {
            "diameter": lambda r: int(r.integers(3, 8)) * 2 + 1,
            "minmass": lambda r: float(np.exp(r.uniform(4, 8.5))),
            "percentile": lambda r: r.uniform(60, 98),
        },
    ),
}


def tuned(name: str, lessons: Sequence[Lesson], n_trials: int, seed: int = 3) -> tuple[Finder, dict[str, Any]]:
    """The peer with the best F1 of some random settings on the tuning pictures."""
    make, ranges = PEERS[name]
    rng = np.random.default_rng(seed)
    best: tuple[float, dict[str, Any]] = (-1.0, {})
    for _ in range(n_trials):
        settings = {key: draw(rng) for key, draw in ranges.items()}
        score = run(make(**settings), lessons)[0].f1
        if score > best[0]:
            best = (score, settings)
    return make(**best[1]), best[1]


def _row(name: str, tallies: list[Tally]) -> str:
    whole, small, large = tallies
    errors = np.log(whole.ratios) if whole.ratios else np.array([np.nan])
    return (
        f"| {name} | {whole.f1:.3f} | {whole.precision:.3f} | {whole.recall:.3f} | {small.precision:.2f} / {small.recall:.2f} |"
        f" {large.precision:.2f} / {large.recall:.2f} | {np.expm1(np.median(errors)):+.0%} | {np.std(errors):.0%} | {whole.seconds:.1f} |"
    )


def few_and_many() -> tuple[float, float]:
    """Processor seconds of the detector on 2000 × 2000 px of plate with 20 and with 2,000 droplets, the best of three."""
    yy, xx = np.mgrid[-9:10, -9:10]
    seconds = []
    for n in (20, 2000):
        rng = np.random.default_rng(0)
        image = (rng.normal(110, 6, (2000, 2000, 1)) + np.zeros(3)).astype(np.float32)
        for x, y in rng.integers(12, 1980, (n, 2)):
            r = rng.uniform(3, 8)
            cover = np.clip(r - np.hypot(xx, yy) + 0.5, 0, 1)[..., None]
            patch = image[y - 9 : y + 10, x - 9 : x + 10]
            patch += cover * (110 + 80 * (xx - yy)[..., None] / (1.5 * r) - patch)
        picture, mask = np.clip(image, 0, 255).astype(np.uint8), np.ones((2000, 2000), bool)
        taken = []
        for _ in range(3):
            start = time.process_time()
            detect_particles(picture, mask, 5.0 / SMALLEST_MM)
            taken.append(time.process_time() - start)
        seconds.append(min(taken))
    return seconds[0], seconds[1]


def main() -> None:
    """Tune the peers, run everybody on the same pictures, print tables in Markdown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, help="folder of the marked photos")
    parser.add_argument("--coupons", type=Path, help="folder of coupon photos with truth, kept apart")
    parser.add_argument("--n-coupons", type=int, default=1000)
    parser.add_argument("--n-peers", type=int, default=10, help="coupons that peers look at too")
    parser.add_argument("--trials", type=int, default=8)
    parser.add_argument("--alone", action="store_true", help="without peers")
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    tuning = [cut(lesson, 256) for lesson in made_up(TUNING_SEEDS)]
    sets: dict[str, list[Lesson]] = {"made-up plates": [cut(lesson, 400) for lesson in made_up(TEST_SEEDS)]}
    if asked.photos:
        tuning += [cut(lesson, 256) for lesson in islice(marked(MARKS, asked.photos, split="train"), 8)]
        sets["marked photos, test split"] = [cut(lesson) for lesson in marked(MARKS, asked.photos, split="test")]
    if asked.coupons:
        sets["coupon photos"] = list(coupons(asked.coupons, asked.n_coupons))
    few, many = few_and_many()
    print(f"2,000 droplets take {many / few:.2f} times as long as 20 ({many:.2f} and {few:.2f} processor s)")
    if "coupon photos" in sets:
        held, n = intervals(sets["coupon photos"])
        print(f"number on this plate: the interval holds the true one on {held} of {n}")
        print(_row("toeline, coupons uncut", run(None, sets["coupon photos"])))
        told = (f"{low:.0f}-{high:.0f} px {hit}/{n}" for low, high, n, hit in recall_by_width(sets["coupon photos"]) if n)
        print(f"found of droplets that wide in the picture: {', '.join(told)}".replace("-1000000000 px", " px and more"))
        sets["coupon photos"] = [cut(lesson, LARGEST_PX) for lesson in sets["coupon photos"][: asked.n_peers]]
    finders: dict[str, Finder | None] = {"toeline": None}
    for name in () if asked.alone else PEERS:
        n_trials = asked.trials * (1 if name == "skimage blob_log" else 2)  # the slowest gets fewer
        finders[name], settings = tuned(name, tuning, n_trials)
        print(f"{name}: {json.dumps(settings)}", flush=True)
    print(f"\n{platform.processor() or platform.machine()}, {cv2.getNumThreads()} threads")
    for title, lessons in sets.items():
        print(f"\n{title}: {len(lessons)} pictures")
        print("| | F1 | precision | recall | small (P / R) | large (P / R) | diameter bias | scatter | seconds |")
        print("|---|---|---|---|---|---|---|---|---|")
        for name, find in finders.items():
            print(_row(name, run(find, lessons)), flush=True)


if __name__ == "__main__":
    main()
