"""Lengths of one bead as several photos show them, averaged station by station.

What is one and the same doubt in all photos stays in the average; what each photo adds by itself averages down.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from toeline.errors import CannotMeasure
from toeline.measure.result import Lengths, Row
from toeline.quantity import Measured, combine

Array = NDArray[np.float64]

SAME_EDGE = 0.7
"""Share of a toe edge's variance that is the same in all photos of a coupon: what counts as the edge is, how light and view show it
is not (own judgement) [ratio]."""


def with_own_edges(lengths: Lengths, number: int) -> Lengths:
    """The same lengths with each toe edge's doubt split: one part the same in all photos, one this photo's own."""
    rows = {}
    for name, row in lengths.rows.items():
        shared: dict[str, Array] = {}
        for source, effect in row.shared.items():
            if source.startswith("toe edge "):
                shared[source] = np.sqrt(SAME_EDGE) * effect
                shared[f"{source} photo {number}"] = np.sqrt(1.0 - SAME_EDGE) * effect
            else:
                shared[source] = effect
        rows[name] = Row(row.values, row.own, shared)
    return Lengths(lengths.along_mm, rows, lengths.steady, lengths.correlation_mm, lengths.length, lengths.unit)


def average(every: Sequence[Lengths], places_mm: Sequence[Array], weights: Sequence[float]) -> Lengths:
    """The weighted mean of several photos' lengths at the stations of the first.

    Parameters
    ----------
    every : sequence of Lengths
    places_mm : sequence of ndarray
        Where each photo's stations lie along the first photo's `along_mm` [mm].
    weights : sequence of float
        Adding up to one.

    Raises
    ------
    CannotMeasure
        The photos show no stretch in common.
    """
    first = every[0]
    low, high = max(float(p.min()) for p in places_mm), min(float(p.max()) for p in places_mm)
    inside = (first.along_mm >= low) & (first.along_mm <= high)
    if np.count_nonzero(inside) < 3:
        raise CannotMeasure(
            "The photos show no stretch of the bead in common.", advice="Take all photos so that the whole bead is in view."
        )
    along = first.along_mm[inside]
    steady = np.ones(len(along), dtype=bool)
    for lengths, place in zip(every, places_mm, strict=True):
        steady &= np.interp(along, place, lengths.steady.astype(float)) > 0.5
    rows = {}
    for name in first.rows:
        values, squares = np.zeros(len(along)), np.zeros(len(along))
        shared: dict[str, Array] = {}
        for lengths, place, weight in zip(every, places_mm, weights, strict=True):
            row = lengths.rows[name]
            values += weight * np.interp(along, place, row.values)
            squares += (weight * np.interp(along, place, row.own)) ** 2
            for source, effect in row.shared.items():
                shared[source] = shared.get(source, np.zeros(len(along))) + weight * np.interp(along, place, effect)
        rows[name] = Row(values, np.sqrt(squares), shared)
    correlation = float(np.dot(weights, [lengths.correlation_mm for lengths in every]))
    return Lengths(along, rows, steady, correlation, combine([one.length for one in every], weights), first.unit)


def weights_of(every: Sequence[Lengths]) -> list[float]:
    """How much each photo counts: by how surely its own picture shows the toes."""
    own = []
    for lengths in every:
        row = lengths.rows["width"]
        edges = [effect for source, effect in row.shared.items() if source.startswith("toe edge ") and " photo " in source]
        own.append(float(np.mean(row.own**2 + sum(e**2 for e in edges))))
    worth = 1.0 / np.maximum(own, 1e-9)
    return [float(w) for w in worth / worth.sum()]


def strangest(sizes: Sequence[Mapping[str, Measured]], keys: Sequence[str]) -> tuple[int, str, float]:
    """The photo that differs most from the mean of the others, by which measure, and how many standard uncertainties.

    Doubts that the photos share cancel in the difference; what is left is what each photo adds by itself.
    """
    worst = (0, keys[0], 0.0)
    for key in keys:
        for k, size in enumerate(sizes):
            others = [other[key] for i, other in enumerate(sizes) if i != k]
            off = combine([size[key], *others], [1.0, *[-1.0 / len(others)] * len(others)])
            z = abs(off.value) / max(off.u, 1e-9)
            if z > worst[2]:
                worst = (k, key, z)
    return worst
