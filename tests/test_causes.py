"""Causes against published symptom rows, trade knowledge, and its own claim to be calibrated."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from itertools import combinations
from math import sqrt
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from toeline.causes import reason, reason_from_signs
from toeline.causes.reasoning import infer, network
from toeline.causes.signs import Reading, all_signs
from toeline.coupon import Coupon
from toeline.measure.result import BeadSize, Stations
from toeline.processes import load_process, process_names
from toeline.quantity import Measured
from toeline.spatter.result import Interval, Particle, Spatter
from toeline.surface.result import SurfaceSign

ROWS = tomllib.loads((Path(__file__).parent / "references" / "symptoms.toml").read_text(encoding="utf-8"))
LETTERS = {"s": ("gmaw-s",), "p": ("gmaw-spray", "gmaw-p"), "g": ("fcaw-g",), "f": ("fcaw-s",)}
PHOTO_SIGNS = tuple(
    s.key for s in all_signs().values() if (s.quantity and s.key not in ("convex", "flat-face")) or s.missed is not None
)


def cases(kind: str) -> Iterator[tuple[str, Mapping[str, object]]]:
    for letter, names in LETTERS.items():
        for process in names:
            yield from ((process, row) for row in ROWS[kind] if letter in row["processes"])


def ranked(process: str, present: list[str], *, rest_absent: bool) -> list[str]:
    signs = {s: 0.08 for s in PHOTO_SIGNS} if rest_absent else {}
    signs |= {s: 0.92 for s in present}
    readings = {s: Reading(s, p, s) for s, p in signs.items()}
    coupon = Coupon(joint="tee", process=process)
    return [c.key for c in reason_from_signs(readings, process=load_process(process), coupon=coupon).causes]


def score(kind: str, *, rest_absent: bool) -> tuple[int, int, list[str], list[str]]:
    hits, n, missed, contrary = 0, 0, [], []
    for process, row in cases(kind):
        table = load_process(process).causes
        listed = [c for c in row["causes"] if c in table]
        assert listed, f"{process} knows none of the causes of {row['symptom']}"
        order = ranked(process, row["signs"], rest_absent=rest_absent)
        best = min(order.index(c) for c in listed)
        n += 1
        hits += best < 3
        if best >= 3:
            missed.append(f"{process}: {row['symptom']} → {order[:4]}")
        against = {table[c].opposite for c in listed} | {c.key for c in table.values() if c.opposite in listed}
        above = [c for c in order[:best] if c in against and c not in listed]
        if above:
            contrary.append(f"{process}: {row['symptom']}: {above} above {order[best]}")
    return hits, n, missed, contrary


@pytest.mark.parametrize("rest_absent", [False, True], ids=["rest unknown", "rest absent"])
@pytest.mark.parametrize("kind", ["published", "practice"])
def test_symptom_rows_find_a_listed_cause_among_the_first_three(kind: str, rest_absent: bool) -> None:
    hits, n, missed, contrary = score(kind, rest_absent=rest_absent)
    assert hits / n >= 0.9, missed
    assert not contrary


# ------------------------------------------------------------------------------------------------- coupons without a fault


def good_coupon(process: str, rng: np.random.Generator) -> tuple[BeadSize, tuple[SurfaceSign, ...], Spatter]:
    """A fillet as good hands make it: quantities spread so that 3 % stray over either edge, then measured with noise."""
    table = load_process(process)
    reach = NormalDist().inv_cdf(0.97)
    u_over_soft = 0.5

    def draw(name: str) -> Measured:
        norm = table.norms[name]
        if norm.low is not None and norm.high is not None:
            middle, spread = (norm.low + norm.high) / 2, (norm.high - norm.low) / 2 / reach
        else:
            edge, sign = (norm.high, -1) if norm.high is not None else (norm.low, 1)
            assert edge is not None
            spread = norm.soft
            middle = edge + sign * spread * reach
        u = u_over_soft * norm.soft
        return Measured(float(middle + spread * rng.normal() + u * rng.normal()), u)

    leg = draw("leg_ratio").scaled(6.0)
    half = draw("leg_difference_ratio").scaled(3.0)
    names = ("width_cv_ratio", "waviness_wander_mm", "waviness_weave_mm", "width_drift_mm", "straightness_mm")
    measures = {n: draw(n) for n in (*names, "toe_roughness_mm", "ripple_spacing_mm", "ripple_regularity_ratio")}
    measures |= {"leg_base_mean_mm": leg - half, "leg_standing_mean_mm": leg + half, "width_mean_mm": leg.scaled(sqrt(2))}
    empty = np.empty(0)
    size = BeadSize(Stations(*([empty] * 7)), measures, np.empty(0, dtype=bool))
    false_alarms = tuple(
        SurfaceSign(s.surface, float(rng.uniform(0.5, 0.95)), 20.0, 3.0)
        for s in all_signs().values()
        if s.missed is not None and rng.random() < 0.02
    )
    tint = SurfaceSign("heat tint", 0.9, 0.0, 100.0, size_mm=float(rng.uniform(0.7, 1.8)) * 6 * sqrt(2))
    low, high = table.spatter.normal_density_per_cm2
    density = float(rng.uniform(low, high))
    particles = tuple(
        Particle(0, 0, "base" if i % 2 else "standing", 5.0 * i, 5.0, float(d), 0.05, 1.0, 5.0, 0.95)
        for i, d in enumerate(rng.lognormal(np.log(0.6), 0.4, round(60 * density)))
    )
    spatter = Spatter(particles, 60.0, Interval(density, 0.85 * density, 1.15 * density), ())
    return size, (*false_alarms, tint), spatter


def test_coupons_without_a_fault_name_no_cause_above_three_tenths() -> None:
    rng = np.random.default_rng(20)
    named, n = [], 0
    for process in process_names():
        coupon = Coupon(joint="tee", process=process, position="flat", target_leg_mm=6.0, plate_thickness_mm=5.0)
        for _ in range(30):
            size, surface, spatter = good_coupon(process, rng)
            first = reason(size, surface=surface, spatter=spatter, coupon=coupon).causes[0]
            n += 1
            if first.probability > 0.3:
                named.append(f"{process}: {first.cause} {first.probability:.2f} {first.evidence_for}")
    assert len(named) / n <= 0.10, named


# ------------------------------------------------------------------------------------------------- is a probability a probability?


def simulated(process: str, n: int, rng: np.random.Generator) -> tuple[list[float], list[bool]]:
    """Beliefs and truths on coupons drawn from the process's network with every strength and leak doubled or halved at random."""
    table = load_process(process)
    net = network(table, "plate")
    k, column = len(net.causes), {s: j for j, s in enumerate(net.signs)}
    strength = np.zeros((k + 1, len(net.signs)))
    for i, cause in enumerate(net.causes):
        for sign, (w, _) in cause.links.items():
            strength[i, column[sign]] = w
    leak = np.array([table.leak(s) for s in net.signs])
    prior = np.array([c.prior for c in net.causes])
    opposites = {frozenset((c.key, c.opposite)) for c in net.causes if c.opposite}
    believed: list[float] = []
    true: list[bool] = []
    while len(believed) < n * k:
        there = rng.random(k) < prior
        keys = [c.key for c, t in zip(net.causes, there, strict=True) if t]
        if len(keys) > 4 or any(frozenset(pair) in opposites for pair in combinations(keys, 2)):
            continue
        shaken = np.clip(strength * 2.0 ** rng.choice([-1, 1], strength.shape), -0.97, 0.97)
        shaken_leak = leak * 2.0 ** rng.choice([-1, 1], leak.shape)
        made = 1 - (1 - shaken_leak) * np.prod(1 - np.maximum(shaken[:k][there], 0), axis=0)
        present = rng.random(len(made)) < made * np.prod(1 + np.minimum(shaken[:k][there], 0), axis=0)
        signs = {}
        for name in PHOTO_SIGNS:
            if rng.random() < 0.85:  # the rest stays unknown
                sure = rng.choice([0.75, 0.88, 0.95])
                says = present[column[name]] == (rng.random() < sure)
                signs[name] = float(sure if says else 1 - sure)
        belief = infer(net, signs).probability
        believed += [belief[c.key] for c in net.causes]
        true += list(there)
    return believed, true


def test_probabilities_are_calibrated_though_strengths_are_off_by_a_factor_of_two() -> None:
    """Reliability in ten bins, pooled over the processes; this tests the code, not the trade."""
    rng = np.random.default_rng(21)
    parts = [simulated(process, 90, rng) for process in process_names()]
    believed = np.concatenate([p[0] for p in parts])
    true = np.concatenate([p[1] for p in parts])
    for low in np.arange(0.0, 1.0, 0.1):
        here = (believed >= low) & (believed < low + 0.1)
        if here.sum() < 30:
            continue
        gap = abs(believed[here].mean() - true[here].mean())
        chance = 2 * sqrt(believed[here].mean() * (1 - believed[here].mean()) / here.sum())
        assert gap <= 0.1 + max(0.0, chance - 0.1), (low, gap, int(here.sum()))
