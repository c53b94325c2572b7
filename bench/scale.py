"""Is the claimed uncertainty true on rendered photos, and do photos of one coupon agree?

Make photos that nothing was tuned on, then measure them (the first takes a good while without a graphics card):

    python -m sample_images.scene evaluation out/evaluation --first 200 --n 60
    python -m sample_images.scene poses out/poses --n 50
    python -m bench.scale --evaluation out/evaluation --poses out/poses

Twice each: from true toe pixels (what the scale does) and from toes as found (what a person gets).
"""

from __future__ import annotations

import argparse
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from toeline.demo import coupon_of, sample_truths, truth_means
from toeline.errors import ToelineError
from toeline.inspection import inspect_photo
from toeline.measure.averaging import with_own_edges
from toeline.measure.stations import lengths_of, size_of
from toeline.photo import read_photo
from toeline.quantity import Measured
from toeline.same_coupon import inspect_coupon
from toeline.scale import find_scale, rays

Array = NDArray[np.float64]

FAR_BELOW_MM = 0.02
"""Toe points deeper in an undercut than this are not used; shallower ones are taken back to the face [mm]."""


@dataclass(frozen=True)
class Length:
    """One mean leg or mean width of one photo: how far it is off, and what its budget says of that."""

    photo: str
    key: str
    error_mm: float
    u_mm: float
    noise_mm: float
    shared_mm: dict[str, float]


def _length(photo: str, key: str, measured: Measured, true_mm: float) -> Length:
    return Length(photo, key, measured.value - true_mm, measured.u, measured.noise, dict(measured.shared))


def from_true_toes(path: Path, truth: Mapping[str, Any]) -> list[Length]:
    """Mean legs, or the mean width, from the true pixels of those toe points that can be seen."""
    coupon, scaling = coupon_of(truth)
    scale = find_scale(read_photo(path), joint=coupon.joint, scaling=scaling)
    toes = truth["bead"]["toes"]
    met = {n: rays.to_plate_mm(scale, t["plate"], np.array(t["px"])) for n, t in toes.items()}
    for n, toe in toes.items():
        met[n] -= np.array(toe["below_mm"])[:, None] * rays.depth_effect_mm(scale, toe["plate"], met[n])
    effects = {n: rays.effects_mm(scale, t["plate"], met[n]) for n, t in toes.items()}
    across = {n: np.array(t["across_mm"]) for n, t in toes.items()}
    good = {n: (np.array(t["visible"]) == 1) & (np.abs(t["below_mm"]) < FAR_BELOW_MM) for n, t in toes.items()}
    if truth["joint"] == "tee":
        found = []
        for n in toes:
            if np.count_nonzero(good[n]) > 20:
                shared = {source: float(e[good[n], 1].mean()) for source, e in effects[n].items()}
                measured = Measured(float(met[n][good[n], 1].mean()), 0.0, shared)
                found.append(_length(path.name, f"leg_{n}_mean_mm", measured, float(across[n][good[n]].mean())))
        return found
    one, other = toes
    both = good[one] & good[other] & (np.abs(across[one] - across[other]) > 1.0)
    if np.count_nonzero(both) <= 20:
        return []
    gap = (met[one] - met[other])[both]
    width = np.linalg.norm(gap, axis=1)
    along_gap = gap / width[:, None]
    shared = {s: float(np.sum((effects[one][s] - effects[other][s])[both] * along_gap, axis=1).mean()) for s in effects[one]}
    true = float(np.abs(across[one] - across[other])[both].mean())
    return [_length(path.name, "width_mean_mm", Measured(float(width.mean()), 0.0, shared), true)]


def from_found_toes(path: Path, truth: Mapping[str, Any]) -> list[Length]:
    """The same lengths as a person gets them."""
    coupon, scaling = coupon_of(truth)
    found = inspect_photo(read_photo(path), coupon, scaling=scaling)
    if found.refused is not None or found.bead is None or found.scale is None:
        return []
    measures = size_of(with_own_edges(lengths_of(found.bead, found.scale, joint=coupon.joint), 0)).measures
    true = truth_means(found.as_dict(), truth)
    wanted = ("leg_base_mean_mm", "leg_standing_mean_mm") if coupon.joint == "tee" else ("width_mean_mm",)
    return [_length(path.name, key, measures[key], true[key]) for key in wanted if key in true]


def _one(task: tuple[Path, Mapping[str, Any], bool]) -> list[Length]:
    path, truth, true_toes = task
    try:
        return from_true_toes(path, truth) if true_toes else from_found_toes(path, truth)
    except ToelineError:
        return []


def lengths_in(folder: Path, *, true_toes: bool, workers: int = 2) -> list[Length]:
    """All lengths of a folder of rendered photos; refused photos give none."""
    tasks = [(path, truth, true_toes) for path, truth in sample_truths(folder)]
    with ProcessPoolExecutor(workers) as pool:
        return [length for found in pool.map(_one, tasks) for length in found]


@dataclass(frozen=True)
class Coverage:
    """How many lengths lie within ± 2 u of the truth, with the exact 99 % interval of that share."""

    n: int
    inside: int
    low: float
    high: float
    median_mm: float
    most_mm: float


def coverage(lengths: list[Length]) -> Coverage:
    """Clopper and Pearson's interval; one length a photo decides, the one furthest off in its own u would be too strict, so
    base legs and widths count: the two legs of a photo hang together."""
    chosen = [one for one in lengths if one.key != "leg_standing_mean_mm"]
    inside = sum(abs(one.error_mm) <= 2 * one.u_mm for one in chosen)
    low, high = binomtest(inside, len(chosen)).proportion_ci(0.99)
    size = np.abs([one.error_mm for one in lengths])
    return Coverage(len(chosen), inside, float(low), float(high), float(np.median(size)), float(np.quantile(size, 0.95)))


@dataclass(frozen=True)
class Repeat:
    """Photos of one coupon against each other: pooled standard deviation of their errors, and what the budget claims [mm]."""

    n_coupons: int
    seen_mm: float
    claimed_mm: float


def repeatability(lengths: list[Length], keys: str) -> Repeat:
    """Pooled over coupons and over the lengths whose key begins with `keys`.

    Claimed: a photo's own noise, corners and share of the toe edges, and how differently its pose lets the lasting doubts act.
    """
    groups: dict[tuple[str, str], list[Length]] = defaultdict(list)
    for one in lengths:
        if one.key.startswith(keys):
            groups[_coupon(one.photo), one.key].append(one)
    seen, claimed = [], []
    for group in groups.values():
        if len(group) < 2:
            continue
        seen.append((len(group) - 1, float(np.var([one.error_mm for one in group], ddof=1))))
        fresh = np.mean([one.noise_mm**2 + sum(e**2 for n, e in one.shared_mm.items() if _passes(n)) for one in group])
        names = {n for one in group for n in one.shared_mm if not _passes(n)}
        lasting = sum(float(np.var([one.shared_mm.get(n, 0.0) for one in group], ddof=1)) for n in names)
        claimed.append(float(fresh) + lasting)
    freedom = np.array([n for n, _ in seen])
    pooled = float(np.sqrt(np.sum(freedom * [v for _, v in seen]) / freedom.sum()))
    return Repeat(len({coupon for coupon, _ in groups}), pooled, float(np.sqrt(np.sum(freedom * claimed) / freedom.sum())))


def _passes(source: str) -> bool:
    return source.startswith(("corners ", "seen ")) or (source.startswith("toe edge ") and " photo " in source)


def _coupon(photo: str) -> str:
    match = re.fullmatch(r"(.+)-\d+\.\w+", photo)
    return match[1] if match else photo


def together(folder: Path) -> Iterator[tuple[str, list[Length], tuple[bool, ...]]]:
    """Each coupon's photos as one: its name, its lengths, and which photos are in them."""
    groups: dict[str, list[tuple[Path, Mapping[str, Any]]]] = defaultdict(list)
    for path, truth in sample_truths(folder):
        groups[_coupon(path.name)].append((path, truth))
    for name, photos in groups.items():
        coupon, scaling = coupon_of(photos[0][1])
        found = inspect_coupon([read_photo(path) for path, _ in photos], coupon, scaling=scaling)
        if found.joint.refused is not None or found.joint.size is None:
            yield name, [], found.used
            continue
        true = truth_means(found.as_dict(), next(t for p, t in photos if p.name == found.joint.photo.name))
        measures = found.joint.size.measures
        wanted = ("leg_base_mean_mm", "leg_standing_mean_mm") if coupon.joint == "tee" else ("width_mean_mm",)
        yield name, [_length(name, key, measures[key], true[key]) for key in wanted if key in true], found.used


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--evaluation", type=Path, help="folder of rendered photos with their truth")
    ask.add_argument("--poses", type=Path, help="folder of photos coupon-KK-P: the same KK is the same coupon")
    ask.add_argument("--workers", type=int, default=2)
    told = ask.parse_args()
    for true_toes in (True, False):
        toes = "true toes" if true_toes else "found toes"
        if told.evaluation:
            lengths = lengths_in(told.evaluation, true_toes=true_toes, workers=told.workers)
            for name in ("leg", "width", ""):
                print(f"{toes}, {name or 'all'}: {coverage([one for one in lengths if one.key.startswith(name)])}", flush=True)
        if told.poses:
            lengths = lengths_in(told.poses, true_toes=true_toes, workers=told.workers)
            for name in ("leg", "width"):
                print(f"{toes}, {name}: {repeatability(lengths, name)}; {coverage(lengths)}", flush=True)
    if told.poses:
        joint = list(together(told.poses))
        for name, _, used in joint:
            print(f"{name}: {sum(used)} of {len(used)} photos in the result")
        print(f"together: {coverage([one for _, found, _ in joint for one in found])}")


if __name__ == "__main__":
    main()
