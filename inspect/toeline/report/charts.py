"""Charts in the house look: quiet, legible on a phone, told apart by shape and label as by colour. Drawing never measures."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from toeline.logbook.trends import Progress
from toeline.logbook.tuning import TIME, Tuning
from toeline.report.look import INK, LINE_COLOURS, PAPER, QUIET
from toeline.report.tables import title, unit_of

Record = Mapping[str, Any]
Array = NDArray[np.float64]

#: Size that fills a phone's width at a readable letter height [inch].
SIZE_INCH = (4.1, 2.75)
_LETTER = 9.5
_STROKES = ("-", (0, (4, 1.6)))
_MARKS = ("o", "s")


def png(figure: Figure, *, dpi: int = 200) -> bytes:
    """A figure as a PNG file."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=dpi)
    return out.getvalue()


def width_chart(record: Record) -> Figure:
    """Legs of a tee, or the width of a flat bead, along the bead with their ± (k = 2) and the target.

    Parameters
    ----------
    record : mapping
        A result's JSON object with stations.
    """
    stations, coupon = record["stations"], record["coupon"]
    along = _numbers(stations["along_mm"])
    legs = bool(stations["leg_base_mm"]) and record["joint"] == "tee"
    keys = ("leg_base", "leg_standing") if legs else ("width",)
    names = ("base leg", "standing leg") if legs else ("width",)
    target = coupon["target_leg_mm"] if legs else coupon["target_width_mm"]
    figure, axes = _blank("mm along the bead", f"{'leg' if legs else 'width'} [mm]")
    for part in record["bead"]["parts"]:
        if part["kind"] != "steady":
            axes.axvspan(part["from_mm"], part["to_mm"], color=QUIET, alpha=0.13, lw=0)
    steady = [(part["from_mm"], part["to_mm"]) for part in record["bead"]["parts"] if part["kind"] == "steady"]
    inside = np.any([(along >= low) & (along <= high) for low, high in steady], axis=0) if steady else along > -np.inf
    lines = []
    for number, (key, name) in enumerate(zip(keys, names, strict=True)):
        value, spread = _numbers(stations[f"{key}_mm"]), 2 * _numbers(stations[f"{key}_u_mm"])
        colour = LINE_COLOURS[number if legs else 1]
        axes.fill_between(along, value - spread, value + spread, color=colour, alpha=0.18, lw=0)
        axes.plot(along, value, color=colour, lw=1.7, ls=_STROKES[number], label=name)
        lines.append(np.concatenate([value - spread, value + spread])[np.tile(inside, 2)])
    if target is not None:
        axes.axhline(target, color=INK, lw=1.1, ls=":")
        _say(axes, target, f"target {target:g}")
        lines.append(np.array([target]))
    _room(axes, np.concatenate(lines))
    axes.set_xlim(float(np.nanmin(along)), float(np.nanmax(along)))
    unsteady = any(part["kind"] != "steady" for part in record["bead"]["parts"])
    _legend(figure, axes, "band: ± at k = 2" + ("; grey: start, crater, restarts" if unsteady else ""))
    return figure


def speed_chart(record: Record) -> Figure:
    """Local travel speed along a fillet: in mm/min where wire and feed are known, else as a share of the mean."""
    travel = record["travel"]
    mean = (travel["mean_mm_per_min"] or {}).get("value")
    along, speed = _numbers(travel["along_mm"]), _numbers(travel["speed_ratio"]) * (mean or 100.0)
    figure, axes = _blank("mm along the bead", "travel [mm/min]" if mean else "travel [% of the mean]")
    axes.plot(along, speed, color=LINE_COLOURS[1], lw=1.7)
    axes.axhline(mean or 100.0, color=INK, lw=1.1, ls=":")
    _say(axes, mean or 100.0, "mean")
    _room(axes, np.concatenate([speed, [0.8 * (mean or 100.0), 1.2 * (mean or 100.0)]]))
    return figure


def spatter_chart(record: Record) -> Figure:
    """Spatter per cm² of visible plate by distance from the toe, one mark a band and plate, with 95 % intervals."""
    bands = record["spatter"]["bands"]
    plates = list(dict.fromkeys(band["plate"] for band in bands))
    figure, axes = _blank("mm from the toe", "particles per cm²")
    top = 0.0
    for number, plate in enumerate(plates):
        listed = [b for b in bands if b["plate"] == plate and b["density_per_cm2"] is not None]
        shift = (number - (len(plates) - 1) / 2) * 1.2
        middle = np.array([(b["from_mm"] + b["to_mm"]) / 2 + shift for b in listed])
        densities = [b["density_per_cm2"] for b in listed]
        _marks(axes, middle, densities, number, f"{plate} plate" if plate != "plate" else "plate")
        top = max([top, *(d["high"] for d in densities)])
    edges = sorted({edge for band in bands for edge in (band["from_mm"], band["to_mm"])})
    axes.set_xticks(edges)
    axes.set_ylim(0, top * 1.08 or 1.0)
    _legend(figure, axes)
    return figure


def tuning_chart(tuning: Tuning, *, axis_title: str = "") -> Figure:
    """Spatter of coupons against a setting or against time: rings are coupons, squares the settings with 95 % intervals."""
    named = tuning.axis == TIME or any(isinstance(group.at, str) for group in tuning.groups)
    places = {group.at: float(n) if named else float(group.at) for n, group in enumerate(tuning.groups)}
    figure, axes = _blank(axis_title or ("day" if tuning.axis == TIME else tuning.axis), "particles per cm²")
    x, steps = np.array([places[spot.at] for spot in tuning.spots]), np.diff(sorted(places.values()))
    aside = 0.07 * float(steps.min() if len(steps) else 1.0)
    densities = [spot.density_per_cm2.value for spot in tuning.spots]
    axes.plot(x - aside, densities, "o", ms=4.5, mfc="none", mec=QUIET, mew=1.1, label="one coupon")
    rates = [{"value": g.rate_per_cm2.value, "low": g.rate_per_cm2.low, "high": g.rate_per_cm2.high} for g in tuning.groups]
    _marks(axes, np.array(list(places.values())) + aside, rates, 1, "together, 95 %")
    axes.set_ylim(0, max([*(r["high"] for r in rates), *densities]) * 1.08 or 1.0)
    if named:
        axes.set_xticks(list(places.values()), [_day(at) if tuning.axis == TIME else str(at) for at in places])
        axes.set_xlim(-0.6, len(places) - 0.4)
    else:
        at = _clear(sorted(places.values()))
        axes.set_xticks(at, [f"{x:.4g}" for x in at])
        axes.margins(x=0.18)
    _legend(figure, axes)
    return figure


def progress_chart(progress: Progress, *, target: float | None = None) -> Figure:
    """A learner's measure coupon by coupon with ± (k = 2); the line where there is a change, a gap where the method changed."""
    figure, axes = _blank("coupon, oldest first", f"{title(progress.key)} [{unit_of(progress.key) or 'ratio'}]")
    values = np.array([p.value for p in progress.points])
    spread = 2 * np.array([p.u for p in progress.points])
    x = np.arange(1, len(values) + 1)
    axes.errorbar(x, values, spread, fmt="o", ms=5, color=LINE_COLOURS[1], elinewidth=1.2, capsize=0)
    stretches = [p.stretch for p in progress.points]
    for n in range(1, len(stretches)):
        if stretches[n] != stretches[n - 1]:
            axes.axvline(n + 0.5, color=QUIET, lw=1)
            said: dict[str, Any] = {"transform": axes.get_xaxis_transform(), "va": "top", "size": _LETTER - 1.5, "color": QUIET}
            axes.text(n + 0.55, 0.98, "new method", **said)
    told = [values - spread, values + spread]
    if progress.change is not None and progress.change.real:
        newest = x[-progress.change.n :]
        axes.plot([newest[0], newest[-1]], [progress.change.start, progress.change.end], color=INK, lw=1.3)
    if target is not None:
        axes.axhline(target, color=INK, lw=1.1, ls=":")
        _say(axes, target, f"target {target:g}")
        told.append(np.array([target]))
    _room(axes, np.concatenate(told))
    axes.set_xlim(0.4, len(values) + 0.6)
    axes.set_xticks(x[:: max(1, len(x) // 10)])
    return figure


def _clear(places: list[float], apart: float = 0.12) -> list[float]:
    """Of sorted places those that can be labelled without running into each other: an even share of the span apart."""
    span = (places[-1] - places[0]) or 1.0
    kept: list[float] = []
    for place in places:
        if not kept or place - kept[-1] >= apart * span:
            kept.append(place)
    return kept


def _blank(x_title: str, y_title: str) -> tuple[Figure, Axes]:
    """An empty chart in the house look."""
    figure = Figure(figsize=SIZE_INCH, facecolor=PAPER, layout="constrained")
    axes = figure.add_subplot(facecolor=PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(QUIET)
    axes.tick_params(labelsize=_LETTER, colors=INK, length=3, color=QUIET)
    axes.set_xlabel(x_title, size=_LETTER, color=INK)
    axes.set_ylabel(y_title, size=_LETTER, color=INK)
    axes.grid(axis="y", color=QUIET, alpha=0.25, lw=0.6)
    axes.set_axisbelow(True)
    return figure, axes


def _marks(axes: Axes, x: Array, rates: Sequence[Mapping[str, float]], number: int, name: str) -> None:
    """Values with their intervals."""
    values = np.array([rate["value"] for rate in rates])
    reach = np.array([[v - r["low"], r["high"] - v] for v, r in zip(values, rates, strict=True)]).reshape(-1, 2).T
    colour, mark = LINE_COLOURS[number % 2], _MARKS[number % 2]
    axes.errorbar(x, values, np.maximum(reach, 0), fmt=mark, ms=6.5, color=colour, elinewidth=1.6, label=name)


def _say(axes: Axes, y: float, words: str) -> None:
    """A few words on a level line, at the right end above it."""
    box = {"facecolor": PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 0.6}
    place: dict[str, Any] = {"xycoords": ("axes fraction", "data"), "textcoords": "offset points", "ha": "right"}
    axes.annotate(words, (1, y), (0, 3), **place, size=_LETTER - 1, color=INK, bbox=box)


def _room(axes: Axes, values: Array) -> None:
    """A little room above and below; never so little that noise looks large."""
    seen = values[np.isfinite(values)]
    low, high = (float(seen.min()), float(seen.max())) if len(seen) else (0.0, 1.0)
    half = max((high - low) / 2 * 1.12, 0.1 * abs(high + low) / 2, 1e-6)
    axes.set_ylim((low + high) / 2 - half, (low + high) / 2 + half)


def _legend(figure: Figure, axes: Axes, note: str = "") -> None:
    handles, names = axes.get_legend_handles_labels()
    if not handles:
        return
    shown = figure.legend(
        handles, names, loc="outside upper left", ncols=3, fontsize=_LETTER, frameon=False, labelcolor=INK, handlelength=2.2,
        title=note or None, title_fontsize=_LETTER - 1.5, alignment="left", borderaxespad=0.2,
    )  # fmt: skip
    shown.get_title().set_color(QUIET)


def _numbers(values: Sequence[float | None]) -> Array:
    """A list from a record as an array; not-a-number where it says nothing."""
    return np.array([np.nan if value is None else value for value in values], dtype=float)


def _day(at: float | str) -> str:
    day = date.fromisoformat(str(at))
    return f"{day.day} {day:%b}\n{day.year}"


__all__ = ["png", "progress_chart", "spatter_chart", "speed_chart", "tuning_chart", "width_chart"]
