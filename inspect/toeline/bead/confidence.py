"""How probable it is that both toe lines are right, from what the trace itself shows.

A logistic model of a dozen traits, fitted on marked photos and rendered coupons, plain and spoilt (`training/confidence.py`), whose
numbers are kept in `confidence.json`. Right means: both toes lie within 8 % of the width of the true ones in the mean.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.finder import Band
from toeline.bead.stations import Stations, presence
from toeline.bead.tracing import STEP_COLUMNS, Trace

Array = NDArray[np.float64]

HIGHEST = 0.98
"""No picture says more than this: marks of two people agree no better [ratio]."""

SECOND_CREASE = 0.3
"""Toe probability from which a line between the toes counts as a second crease [ratio]."""
ACROSS = np.linspace(-1.0, 2.0, 121)
"""Places across the bead, in widths from the first toe, at which its roughness is read [ratio]."""
FAR, NEAR, BETWEEN = (-0.95, -0.5), (-0.3, -0.05), (0.25, 0.75)
"""Zones beyond the first toe and between both [ratio]."""
LEAST_RELIEF = 0.2
"""A face less rough than this above the plate is taken for this rough, in logs."""
USUAL_BAND = 3.0
USUAL_TOE = (0.6, 0.35)
"""Stand-ins where a learned map says nothing of the toe line apart: its usual probability along the lines, and the lower tenth [ratio]."""

__all__ = ["Traits", "confidence", "read_traits"]


@dataclass(frozen=True, slots=True)
class Traits:
    """What a trace shows of its own certainty; each grows or falls with how often traces like it are right.

    Attributes
    ----------
    spread, spread_high : float
        Mean and upper tenth of the toes' posterior standard deviation over the width, in logs.
    rival : float
        Mean probability that a toe lies on another edge [ratio].
    apart, apart_high : float
        Mean and upper tenth of the distance from the second opinion on the lines over the width [ratio].
    toe, toe_low : float
        Mean and lower tenth along the lines of the learned map's toe probability [ratio]; of the edge score behind classical lines.
    inside, outside : float
        Mean log odds of weld metal between the toes and just beyond them, the side that looks more like weld.
    parting : float
        Lower tenth of the change of these odds at the toes.
    inner : float
        Share of the bead with a second crease between its toes [ratio].
    uneven : float
        Spread of the toes' steps from one width to the next over the width, in logs.
    seen : float
        Share of toe stations that are not bridged [ratio].
    fine : float
        Width in view px, in logs: how finely the picture shows the bead.
    long : float
        Length over width, in logs.
    band : float
        Total contrast of the band that the bead was found in, in logs; what is usual on a tee, where none was looked for.
    crowd : float
        Total contrast of the next best bead over the chosen one's [ratio].
    textured : float
        How rough it is just beyond the toes, the rougher side: 0 as farther off on that side, 1 as between them [ratio]. A part of the face that
        was missed may be as dull as plate, but no plate is rough in that way; where farther off is face as well it can't show.
    """

    spread: float
    spread_high: float
    rival: float
    apart: float
    apart_high: float
    toe: float
    toe_low: float
    inside: float
    outside: float
    parting: float
    inner: float
    uneven: float
    seen: float
    fine: float
    long: float
    band: float
    crowd: float
    textured: float

    def vector(self, names: Sequence[str]) -> Array:
        """Some traits in order, shape (n,)."""
        return np.array([getattr(self, name) for name in names], dtype=np.float64)


def read_traits(trace: Trace, stations: Stations, bands: tuple[Band, ...]) -> Traits:
    """The traits of one trace."""
    width_px = float(np.median(stations.across_px[0] - stations.across_px[1]))
    span = slice(int(stations.at[0]), int(stations.at[-1]) + 1)
    inside, parting = presence(trace)
    spread = np.log(np.maximum(stations.u_px / width_px, 1e-3))
    step = float(np.median(np.diff(stations.along_px))) if len(stations.along_px) > 1 else 1.0
    reach = int(min(max(1, round(width_px / step)), len(stations.along_px) - 1))
    jumps = np.abs(stations.across_px[:, reach:] - stations.across_px[:, :-reach]) / width_px
    toe, toe_low = _on_toe(trace, stations)
    return Traits(
        spread=float(spread.mean()),
        spread_high=float(np.quantile(spread, 0.9)),
        rival=float(stations.rival.mean()),
        apart=float(np.minimum(stations.apart, 1.0).mean()),
        apart_high=float(np.quantile(np.minimum(stations.apart, 1.0), 0.9)),
        toe=toe,
        toe_low=toe_low,
        inside=float(np.median(inside[span])),
        outside=float(np.median(stations.beyond, axis=1).max()),
        parting=float(np.quantile(parting[:, span], 0.1)),
        inner=float(np.mean(stations.inner > SECOND_CREASE)),
        uneven=float(np.log(jumps.mean() + 1e-3)),
        seen=float(stations.seen.mean()),
        fine=float(np.log(width_px)),
        long=float(np.log(max(float(stations.along_px[-1]), 1.0) / width_px)),
        band=float(np.log(max(bands[0].total, 0.1))) if bands else USUAL_BAND,
        crowd=float(bands[1].total / bands[0].total) if len(bands) > 1 else 0.0,
        textured=_textured(trace, stations),
    )


def _on_toe(trace: Trace, stations: Stations) -> tuple[float, float]:
    """Mean and lower tenth of what says of the lines themselves that they are toes."""
    if trace.strip.weld is None:
        edges = trace.edge_along[:, int(stations.at[0]) : int(stations.at[-1]) + 1]
        reach = max(1, round(trace.width_rows / STEP_COLUMNS))
        return float(edges.mean()), float(np.quantile(cv2.blur(edges, (reach, 1), borderType=cv2.BORDER_REPLICATE), 0.1))
    return USUAL_TOE if trace.toe is None else (float(stations.toe.mean()), float(np.quantile(stations.toe, 0.1)))


def _textured(trace: Trace, stations: Stations) -> float:
    """Roughness from 5 % to 30 % of the width beyond the lines, above that farther off, over that between them; over the middle stations."""
    spare = len(stations.at) // 10
    at = stations.at[spare : len(stations.at) - spare]
    index = np.arange(len(trace.columns), dtype=np.float64)
    first, second = (np.interp(at, index, row) for row in trace.lines.rows)
    rows = (first + ACROSS[:, None] * (second - first)).astype(np.float32)
    columns = np.broadcast_to(at.astype(np.float32), rows.shape).copy()
    rough = cv2.remap(trace.rough, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.remap(trace.seen, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT) > 0.5

    def usual(low: float, high: float) -> float:
        zone = (ACROSS > low) & (ACROSS < high)
        n = seen[zone].sum(axis=0)
        means = (rough[zone] * seen[zone]).sum(axis=0)[n > 2] / n[n > 2]
        return float(np.median(means)) if len(means) else float("nan")

    far, near = np.array([usual(*FAR), usual(1 - FAR[1], 1 - FAR[0])]), np.array([usual(*NEAR), usual(1 - NEAR[1], 1 - NEAR[0])])
    between = usual(*BETWEEN)
    known = np.isfinite(far) & np.isfinite(near) & np.isfinite(between)
    if not known.any():
        return 0.0
    return float((near - far)[known].max() / max(between - far[known].min(), LEAST_RELIEF))


def confidence(traits: Traits, source: str) -> float:
    """Probability that both toe lines are right [ratio].

    Parameters
    ----------
    traits : Traits
    source : str
        Which evidence the lines came from: ``learned``; ``classical`` in a plain photo; or ``plates``, classical where strips tell of plate.
    """
    model = _models()[source]
    off = (traits.vector(model["traits"]) - np.asarray(model["middle"])) / np.asarray(model["scale"])
    logit = float(model["offset"]) + float(np.clip(off, -3.0, 3.0) @ np.asarray(model["weights"]))
    return float(min(HIGHEST, 1 / (1 + np.exp(-logit))))


@cache
def _models() -> Mapping[str, Mapping[str, Any]]:
    told = json.loads(files("toeline").joinpath("bead/confidence.json").read_text(encoding="utf-8"))
    names = {field.name for field in fields(Traits)}
    for source, model in told["models"].items():
        if not names.issuperset(model["traits"]):
            raise ValueError(f"confidence.json was fitted on other traits than {source} has now; run training.confidence again")
    return told["models"]  # type: ignore[no-any-return]
