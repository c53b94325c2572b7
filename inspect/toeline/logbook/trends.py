"""How a learner gets on: one measure of their coupons against time, with an honest word on whether it changes.

Numbers of different method versions are not comparable, so a trend never runs across a change of method: each stretch of one
method stands alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

import numpy as np
from scipy import stats

from toeline.logbook.store import Entry, once_a_photo

#: Rooms whose method version decides whether two lengths mean the same.
_ROOMS = ("photo", "scale", "bead", "measure")
#: Fewest coupons for a word on change: a line through fewer says nothing.
FEWEST = 4


@dataclass(frozen=True, slots=True)
class Point:
    """One coupon: when, what was measured, and how surely (u, standard uncertainty)."""

    when: datetime
    value: float
    u: float
    entry_id: int
    stretch: int


@dataclass(frozen=True, slots=True)
class Change:
    """The straight line through the newest stretch.

    Attributes
    ----------
    per_coupon : float
        Change of the measure from one coupon to the next.
    low, high : float
        95 % interval of it.
    start, end : float
        The line at the first and at the last coupon of the stretch.
    n : int
        Coupons in the stretch.
    """

    per_coupon: float
    low: float
    high: float
    start: float
    end: float
    n: int

    @property
    def real(self) -> bool:
        """The interval leaves out no change at all."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True)
class Progress:
    """A learner's coupons in order of time, and the change in the newest stretch; None with fewer than four coupons in it."""

    key: str
    points: tuple[Point, ...]
    change: Change | None

    @property
    def n_stretches(self) -> int:
        return len({point.stretch for point in self.points})


def progress(entries: Iterable[Entry], key: str) -> Progress:
    """One measure of these records against time.

    Parameters
    ----------
    entries : iterable of Entry
        Records of one learner, one process and one joint; the caller chooses them.
    key : str
        A measure's key; records without it are left out.

    Notes
    -----
    Ordinary least squares on the coupon's number in order (practice comes coupon by coupon, not by the calendar), interval by
    Student's t. Coupons scatter far more than the photo adds, so points are not weighted by their u.
    """
    listed = [e for e in once_a_photo(entries) if key in e.measures]
    points = [
        Point(e.when, e.measures[key].value, e.measures[key].u, e.id, stretch)
        for stretch, (_, alike) in enumerate(groupby(listed, key=lambda e: tuple(e.method.get(room) for room in _ROOMS)))
        for e in alike
    ]
    newest = [p.value for p in points if p.stretch == points[-1].stretch] if points else []
    return Progress(key, tuple(points), line(newest) if len(newest) >= FEWEST else None)


def line(values: list[float], *, level: float = 0.95) -> Change:
    """Least-squares line through values in order, with the interval of its slope."""
    n = len(values)
    fit = stats.linregress(np.arange(n), values)
    reach = float(stats.t.ppf(0.5 + level / 2, n - 2) * fit.stderr)
    slope, first = float(fit.slope), float(fit.intercept)
    return Change(slope, slope - reach, slope + reach, first, first + slope * (n - 1), n)


def change_in_words(change: Change | None, *, better: str = "") -> str:
    """One sentence; ``better`` is ``lower`` or ``higher`` where the measure has a good direction."""
    if change is None:
        return f"Too few coupons for a word on change: it takes {FEWEST} of one kind."
    if not change.real:
        return f"No change that these {change.n} coupons could show."
    went = "down" if change.per_coupon < 0 else "up"
    judged = {"lower": ("better", "worse"), "higher": ("worse", "better")}.get(better)
    word = f", which is {judged[0] if went == 'down' else judged[1]}" if judged else ""
    return f"Gone {went} over {change.n} coupons, from about {change.start:.2f} to {change.end:.2f}{word}; more than chance."
