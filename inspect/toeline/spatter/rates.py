"""Is there more spatter than last time? Exact intervals and tests for counts, widened for bursts.

Two different numbers have two different intervals. What is on *this* plate has only detection error (see
``catalogue``). The *rate* of a process at its settings has counting chance too, and spatter comes in bursts: coupons
welded alike scatter more than counting chance. That extra scatter is kept as the squared coefficient of variation of
the rate from coupon to coupon (the negative binomial's shape, variance = mean + cv² · mean²), because it can be
pooled over settings that spatter little and settings that spatter much. For one group of coupons it becomes a
variance factor (quasi-Poisson), by which counts and exposures are both divided before the exact formulas are used:
with no bursts they are the exact Poisson formulas.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import inf, log, sqrt

import numpy as np
from scipy import optimize, stats

from toeline.errors import BadUsage
from toeline.spatter.result import Interval

ASSUMED_CV2 = 0.20
"""Coupons of one setting differ by about √0.2 = 45 % for no reason a welder could name (common practice, no source) [ratio²]."""
ASSUMED_DF = 3.0
"""The assumption counts as much as this many spare coupons, and fades as coupons are welded."""


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts of coupons welded alike, each with what it was counted over.

    Attributes
    ----------
    counts : tuple of int
        Particles on each coupon.
    exposures : tuple of float
        What they were counted over, in one unit: visible plate [cm²], bead length [mm] or wire [g].
    """

    counts: tuple[int, ...]
    exposures: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.counts or len(self.counts) != len(self.exposures):
            raise BadUsage("A count needs the area or length it was counted over.", advice="Give as many exposures as counts.")
        if min(self.counts) < 0 or min(self.exposures) <= 0:
            raise BadUsage("A count below zero or over no plate at all can't be compared.", advice="Leave that coupon out.")

    @property
    def n(self) -> int:
        return sum(self.counts)

    @property
    def exposure(self) -> float:
        return float(sum(self.exposures))

    @property
    def rate(self) -> float:
        return self.n / self.exposure


@dataclass(frozen=True, slots=True)
class Bursts:
    """How much coupons welded alike differ beyond counting chance.

    Attributes
    ----------
    cv2_ratio : float
        Squared coefficient of variation of the rate from coupon to coupon.
    df : float
        How many spare coupons this rests on; ``inf`` where it is known.
    n_spare : int
        How many of them were really welded (the rest is assumed).
    """

    cv2_ratio: float
    df: float
    n_spare: int = 0

    def variance_factor(self, tally: Tally, *, rate: float | None = None, level: float = 0.95) -> float:
        """Variance of the tally's sum over the Poisson variance, raised as Student's t asks for where it rests on few coupons.

        ``rate`` is the tally's own unless given [particles per unit of exposure].
        """
        exposures = np.asarray(tally.exposures)
        mean_rate = tally.rate if rate is None else rate
        burst = 1.0 + self.cv2_ratio * mean_rate * float(np.sum(exposures**2)) / tally.exposure
        return burst * (1.0 if self.df == inf or self.cv2_ratio == 0 else _student_widening(self.df, level))


@cache
def _student_widening(df: float, level: float) -> float:
    return float(stats.t.ppf(0.5 + level / 2, df) / stats.norm.ppf(0.5 + level / 2)) ** 2


NO_BURSTS = Bursts(0.0, inf)


def count_interval(n: float, *, level: float = 0.95) -> tuple[float, float]:
    """Exact (central) interval of a Poisson mean from one count.

    F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437–442.
    """
    alpha = 1.0 - level
    low = 0.0 if n <= 0 else float(stats.chi2.ppf(alpha / 2, 2 * n) / 2)
    return low, float(stats.chi2.ppf(1 - alpha / 2, 2 * n + 2) / 2)


def rate_interval(tally: Tally, *, bursts: Bursts = NO_BURSTS, level: float = 0.95) -> Interval:
    """Rate of the process at these settings, per unit of exposure, with its interval."""
    factor = bursts.variance_factor(tally, level=level)
    low, high = count_interval(tally.n / factor, level=level)
    return Interval(tally.rate, low * factor / tally.exposure, high * factor / tally.exposure)


def scatter_test(tally: Tally) -> tuple[float, int, float]:
    """Do coupons welded alike scatter more than counting chance? Pearson's χ², its degrees of freedom and one-sided p.

    R. A. Fisher's index of dispersion, generalised to unequal exposures.
    """
    expected = tally.rate * np.asarray(tally.exposures)
    df = len(tally.counts) - 1
    if df == 0 or tally.n == 0:
        return 0.0, df, 1.0
    chi2 = float(np.sum((np.asarray(tally.counts) - expected) ** 2 / expected))
    return chi2, df, float(stats.chi2.sf(chi2, df))


def learn_bursts(tallies: Sequence[Tally], *, assumed_cv2: float = ASSUMED_CV2, assumed_df: float = ASSUMED_DF) -> Bursts:
    """Coupon-to-coupon scatter, pooled over all settings of one process.

    The squared coefficient of variation is where Pearson's χ² of the negative binomial equals its degrees of freedom (moment
    method, N. E. Breslow, "Extra-Poisson variation in log-linear models", Applied Statistics 33 (1984) 38–44); then it is drawn
    towards the assumed one by ``assumed_df`` imagined coupons. ``assumed_df=0`` leaves the data alone.
    """
    groups = [t for t in tallies if len(t.counts) > 1 and t.n > 0]
    df = sum(len(t.counts) - 1 for t in groups)
    if df == 0:
        return Bursts(assumed_cv2, assumed_df) if assumed_df > 0 else NO_BURSTS
    counts = np.concatenate([np.asarray(t.counts, dtype=float) for t in groups])
    means = np.concatenate([t.rate * np.asarray(t.exposures) for t in groups])

    def excess(cv2: float) -> float:
        return float(np.sum((counts - means) ** 2 / (means + cv2 * means**2)) - df)

    found = 0.0 if excess(0.0) <= 0 else float(optimize.brentq(excess, 0.0, 1e3)) if excess(1e3) < 0 else 1e3
    return Bursts((df * found + assumed_df * assumed_cv2) / (df + assumed_df), df + assumed_df, df)


@dataclass(frozen=True, slots=True)
class Change:
    """How the rate now compares with the rate before.

    Attributes
    ----------
    ratio : float
        Rate now over rate before; ``inf`` or ``nan`` where there were none before.
    low, high : float
        Its interval.
    p : float
        Probability of a difference at least as rare by chance and bursts alone (central, two-sided).
    smallest_up, smallest_down : float
        Ratios above and below 1 that these coupons would have shown four times in five; 0 where even none at all would not have.
    bursts : Bursts
    """

    ratio: float
    low: float
    high: float
    p: float
    smallest_up: float
    smallest_down: float
    bursts: Bursts

    @property
    def real(self) -> bool:
        """More than chance and bursts explain."""
        return self.low > 1.0 or self.high < 1.0


def _odds(share: float) -> float:
    return inf if share >= 1.0 else share / (1.0 - share)


def compare_rates(now: Tally, before: Tally, *, bursts: Bursts = NO_BURSTS, level: float = 0.95) -> Change:
    """Exact conditional test of two rates, and the exact interval of their ratio.

    Given the sum of both counts, the first is binomial (J. Przyborowski and H. Wilenski, Biometrika 31 (1940) 313–323); the
    ratio's interval follows from the central one of the share (C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404–413), in
    its beta form, which takes counts divided by the bursts' variance factor as well.
    """
    factor_now = bursts.variance_factor(now, level=level)
    factor_before = bursts.variance_factor(before, level=level)
    n_now, n_before = now.n / factor_now, before.n / factor_before
    odds_if_equal = (now.exposure / factor_now) / (before.exposure / factor_before)
    share = odds_if_equal / (1.0 + odds_if_equal)
    alpha = 1.0 - level
    low = 0.0 if n_now <= 0 else _odds(float(stats.beta.ppf(alpha / 2, n_now, n_before + 1)))
    high = inf if n_before <= 0 else _odds(float(stats.beta.ppf(1 - alpha / 2, n_now + 1, n_before)))
    at_least = 1.0 if n_now <= 0 else float(stats.beta.cdf(share, n_now, n_before + 1))
    at_most = 1.0 if n_before <= 0 else float(stats.beta.sf(share, n_now + 1, n_before))
    ratio = now.rate / before.rate if before.n else (inf if now.n else float("nan"))
    up, down = smallest_change(now, before, bursts=bursts, level=level)
    return Change(ratio, low / odds_if_equal, high / odds_if_equal, min(1.0, 2 * min(at_least, at_most)), up, down, bursts)


def smallest_change(
    now: Tally, before: Tally, *, bursts: Bursts = NO_BURSTS, level: float = 0.95, power: float = 0.8
) -> tuple[float, float]:
    """The smallest ratios, up and down, that would have shown with the given power.

    Normal approximation on square roots of counts (variance ¼ whatever the mean: M. S. Bartlett, JRSS Supplement 3 (1936) 68–78),
    with the common rate as the rate before. Down is 0 where even no spatter at all would not have shown.
    """
    rate = max(now.n + before.n, 1) / (now.exposure + before.exposure)
    reach = float(stats.norm.ppf(0.5 + level / 2) + stats.norm.ppf(power))

    def gap(ratio: float) -> float:
        spread = 0.0
        for tally, times in ((now, ratio), (before, 1.0)):
            spread += bursts.variance_factor(tally, rate=rate * times, level=level) / (4 * tally.exposure)
        return abs(sqrt(rate * ratio) - sqrt(rate)) / sqrt(spread) - reach

    top = 2.0
    while gap(top) < 0 and top < 1e6:
        top *= 2.0
    up = float(optimize.brentq(gap, 1.0, top)) if gap(top) >= 0 else inf
    down = float(optimize.brentq(gap, 1e-9, 1.0)) if gap(1e-9) > 0 else 0.0
    return up, down


_WORDS = (
    (4.0, "about four times as much"),
    (3.0, "about three times as much"),
    (2.0, "about twice as much"),
    (1.5, "about one and a half times as much"),
    (0.75, "about three quarters as much"),
    (0.5, "about half as much"),
    (1 / 3, "about a third as much"),
    (0.25, "about a quarter as much"),
)


def _how_much(ratio: float) -> str:
    """A ratio in words: the nearest round one where it is within an eighth of it."""
    for round_ratio, words in _WORDS:
        if abs(log(ratio / round_ratio)) < log(9 / 8):
            return words
    return f"about {ratio:.2g} times as much"


def _times(low: float, high: float) -> str:
    return f"at least {low:.2g} times" if high == inf else f"{low:.2g} to {high:.2g} times"


def change_in_words(change: Change, *, since: str = "last time") -> str:
    """One sentence that a welder understands.

    >>> change_in_words(compare_rates(Tally((60,), (50.0,)), Tally((30,), (50.0,))))
    'About twice as much spatter as last time (1.3 to 3.2 times); more than chance.'
    """
    if not change.real:
        if change.ratio != change.ratio:
            return f"No spatter now and none {since}: nothing to compare."
        sentence = f"No change from {since} that these coupons could show ({_times(change.low, change.high)})."
        if change.smallest_up < inf:
            less = f" or below {change.smallest_down:.2g} times" if change.smallest_down > 0 else ""
            sentence += f" Only a change above {change.smallest_up:.2g} times{less} would have shown."
        return sentence
    if change.ratio == 0:
        sentence = f"Spatter {since}, none now"
    elif change.ratio == inf:
        sentence = f"Spatter now, none {since}"
    else:
        sentence = f"{_how_much(change.ratio).replace('as much', 'as much spatter')} as {since}"
    verdict = "more than chance" if change.bursts.cv2_ratio == 0 else "more than chance and bursts"
    span = "" if change.ratio == 0 else f" ({_times(change.low, change.high)})"
    sentence = f"{sentence}{span}; {verdict}."
    if change.bursts.cv2_ratio > 0 and change.bursts.n_spare == 0:
        sentence += " How much coupons welded alike differ was assumed: weld each setting twice to be sure."
    return sentence[0].upper() + sentence[1:]
