"""Rates of spatter: published worked examples, scipy and statsmodels as referees, simulated bursts."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats import rates as referee

from toeline.errors import BadUsage
from toeline.spatter.rates import (
    NO_BURSTS,
    Bursts,
    Tally,
    change_in_words,
    compare_rates,
    count_interval,
    learn_bursts,
    rate_interval,
    scatter_test,
    smallest_change,
)

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.3.1: defects on 25 wafers.
WAFERS = (16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13)
# Dyed cloth, a textbook u chart: flaws and inspected units.
CLOTH = Tally((14, 12, 20, 11, 7, 10, 21, 16, 19, 23), (10, 8, 13, 10, 9.5, 10, 12, 10.5, 12, 12.5))


@pytest.mark.parametrize(
    ("n", "level", "low", "high"),
    [
        (0, 0.95, 0.0, 3.6889),  # tables of exact Poisson limits, Garwood 1936
        (10, 0.95, 4.7954, 18.3904),
        (25, 0.90, 17.3821, 34.9161),
        (25, 0.95, 16.1787, 36.9049),
        (25, 0.99, 13.9954, 41.0004),
    ],
)
def test_garwood_limits_agree_with_published_tables(n: int, level: float, low: float, high: float) -> None:
    assert count_interval(n, level=level) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.parametrize("n", [0, 1, 5, 16, 200])
def test_garwood_limits_agree_with_statsmodels(n: int) -> None:
    found = rate_interval(Tally((n,), (12.5,)))
    assert (found.low, found.high) == pytest.approx(referee.confint_poisson(n, 12.5, method="exact-c"), rel=1e-9)


def test_rate_of_dyed_cloth() -> None:
    assert CLOTH.n == 153 and CLOTH.exposure == 107.5
    assert CLOTH.rate == pytest.approx(1.42326, abs=5e-6)  # centre line of the textbook's u chart
    assert scatter_test(CLOTH)[2] > 0.05  # all ten points lie inside the limits


def test_wafers_scatter_more_than_counting_chance() -> None:
    # Sum 400 is NIST's; 37.875 on 24 and 0.0357 follow from the published counts.
    chi2, df, p = scatter_test(Tally(WAFERS, (1.0,) * 25))
    assert sum(WAFERS) == 400
    assert (chi2, df) == (pytest.approx(37.875, abs=1e-9), 24)
    assert p == pytest.approx(0.0357, abs=5e-5)
    assert p == pytest.approx(stats.chisquare(WAFERS).pvalue, rel=1e-9)


def test_two_rates_breast_cancer_example() -> None:
    # 60 in 51477.5 against 30 in 54308.7: ratio 2.109998 in the paper that test comments of a statistics library quote;
    # exact one-sided p and exact 90 % interval derived from the binomial distribution.
    now, before = Tally((60,), (51477.5,)), Tally((30,), (54308.7,))
    change = compare_rates(now, before, level=0.90)
    assert change.ratio == pytest.approx(2.109998, abs=5e-7)
    assert change.p / 2 == pytest.approx(0.000428, abs=5e-7)
    assert (change.low, change.high) == pytest.approx((1.4335, 3.1450), abs=6e-5)


def test_two_rates_interval_and_p_agree_at_the_edge() -> None:
    # 2 in 17877 against 9 in 16660 (documentation of a rate-ratio test): p just above 0.05, the interval just covers 1.
    change = compare_rates(Tally((2,), (17877.0,)), Tally((9,), (16660.0,)))
    assert change.ratio == pytest.approx(0.20709, abs=5e-6)
    assert change.p == pytest.approx(0.050106, abs=5e-7)
    assert (change.low, change.high) == pytest.approx((0.02177, 1.00055), abs=5e-6)
    assert not change.real
    # 41 in 28010 against 15 in 19017 (exact limits derived).
    change = compare_rates(Tally((15,), (19017.0,)), Tally((41,), (28010.0,)))
    assert (change.low, change.high) == pytest.approx((0.2771, 0.9943), abs=5e-5)
    assert change.p / 2 == pytest.approx(0.02383, abs=5e-6)
    assert change.real


@pytest.mark.parametrize(("n_now", "n_before"), [(0, 7), (3, 0), (12, 30), (200, 150)])
def test_exact_test_agrees_with_scipy(n_now: int, n_before: int) -> None:
    now, before = Tally((n_now,), (20.0,)), Tally((n_before,), (35.0,))
    share = 20.0 / 55.0
    sides = [stats.binomtest(n_now, n_now + n_before, share, alternative=side).pvalue for side in ("less", "greater")]
    change = compare_rates(now, before)
    assert change.p == pytest.approx(min(1.0, 2 * min(sides)), rel=1e-9)
    limits = stats.binomtest(n_now, n_now + n_before, share).proportion_ci(0.95, method="exact")
    to_ratio = 35.0 / 20.0
    assert change.low == pytest.approx(limits.low / (1 - limits.low) * to_ratio, rel=1e-9)
    high = inf if limits.high == 1.0 else limits.high / (1 - limits.high) * to_ratio
    assert change.high == pytest.approx(high, rel=1e-9)


def test_none_before_and_none_now_is_not_a_change() -> None:
    change = compare_rates(Tally((0,), (20.0,)), Tally((0,), (20.0,)))
    assert (change.low, change.high, change.p) == (0.0, inf, 1.0)
    assert "nothing to compare" in change_in_words(change)


def test_smallest_change_agrees_with_statsmodels_power() -> None:
    """The ratio that would show four times in five: statsmodels' power of the log-ratio test is about 0.8 there."""
    now, before = Tally((40,), (50.0,)), Tally((40,), (50.0,))
    up, down = smallest_change(now, before)
    for ratio in (up, down):
        power = referee.power_poisson_ratio_2indep(
            0.8 * ratio,
            0.8,
            50.0,
            nobs_ratio=1,
            alpha=0.05,
            value=1.0,
            method_var="alt",
            alternative="two-sided",
            return_results=False,
        )
        assert power == pytest.approx(0.8, abs=0.05)
    assert smallest_change(Tally((1,), (5.0,)), Tally((1,), (5.0,)))[1] == 0.0  # even none at all would not show
    wider_up, wider_down = smallest_change(now, before, bursts=Bursts(0.1, 10))
    assert wider_up > up and wider_down < down


def test_bursts_are_found_from_coupons_welded_alike() -> None:
    rng = np.random.default_rng(41)
    tallies = []
    for mean in (8.0, 30.0, 120.0):
        rates = rng.gamma(1 / 0.15, 0.15 * mean, 200)
        tallies.append(Tally(tuple(int(k) for k in rng.poisson(rates)), (1.0,) * 200))
    assert learn_bursts(tallies, assumed_df=0).cv2_ratio == pytest.approx(0.15, rel=0.2)  # the simulated value
    plain = [Tally(tuple(int(k) for k in rng.poisson(30.0, 300)), (1.0,) * 300)]
    assert learn_bursts(plain, assumed_df=0).cv2_ratio < 0.01


def _share_called_real(cv2: float, n_coupons: int, mean: float, ratio: float, n_trials: int) -> float:
    rng = np.random.default_rng([int(1000 * cv2), n_coupons, int(mean), int(10 * ratio)])
    n_real = 0
    for _ in range(n_trials):
        pair = []
        for times in (ratio, 1.0):
            rates = rng.gamma(1 / cv2, cv2, n_coupons) if cv2 else np.ones(n_coupons)
            exposures = rng.uniform(20.0, 40.0, n_coupons)
            counts = rng.poisson(mean * times * rates * exposures / 30.0)
            pair.append(Tally(tuple(int(k) for k in counts), tuple(float(e) for e in exposures)))
        n_real += compare_rates(pair[0], pair[1], bursts=learn_bursts(pair)).real
    return n_real / n_trials


@pytest.mark.parametrize("cv2", [0.0, 0.1, 0.2])
def test_bursts_rarely_pass_for_a_change(cv2: float) -> None:
    shares = [_share_called_real(cv2, n, mean, 1.0, 80) for n in (1, 2, 4) for mean in (10.0, 80.0)]
    assert float(np.mean(shares)) <= 0.05


def test_a_large_change_is_seen_through_bursts() -> None:
    assert _share_called_real(0.05, 4, 40.0, 4.0, 60) > 0.8


def test_counting_chance_alone_is_not_enough_where_spatter_comes_in_bursts() -> None:
    """Without the bursts the exact test cries wolf: this is why they are in the model."""
    rng = np.random.default_rng(3)
    pairs = rng.poisson(rng.gamma(1 / 0.2, 0.2 * 80.0, (200, 2)))
    false = [compare_rates(Tally((int(a),), (1.0,)), Tally((int(b),), (1.0,)), bursts=NO_BURSTS).real for a, b in pairs]
    assert np.mean(false) > 0.3


@pytest.mark.parametrize(
    ("now", "before", "said"),
    [
        (60, 30, "About twice as much spatter as last time (1.3 to 3.2 times); more than chance."),
        (5, 60, "About 0.083 times as much spatter as last time (0.026 to 0.21 times); more than chance."),
        (0, 30, "Spatter last time, none now; more than chance."),
    ],
)
def test_sentences(now: int, before: int, said: str) -> None:
    assert change_in_words(compare_rates(Tally((now,), (50.0,)), Tally((before,), (50.0,)))) == said


def test_sentence_for_no_change_says_what_would_have_shown() -> None:
    said = change_in_words(compare_rates(Tally((32,), (50.0,)), Tally((30,), (50.0,))))
    assert said.startswith("No change from last time that these coupons could show")
    assert "would have shown" in said


def test_assumed_bursts_are_owned_up_to() -> None:
    now, before = Tally((900,), (50.0,)), Tally((20,), (50.0,))
    assert "was assumed" in change_in_words(compare_rates(now, before, bursts=learn_bursts([now, before])))


def test_counts_over_no_plate_are_refused() -> None:
    with pytest.raises(BadUsage):
        Tally((3,), (0.0,))
    with pytest.raises(BadUsage):
        Tally((), ())
