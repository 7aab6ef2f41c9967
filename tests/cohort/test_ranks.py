"""Rank tests and shifts against Hollander and Wolfe, brute force, scipy and statsmodels."""

from itertools import combinations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from vidseg.cohort.ranks import (
    PAIRS_AT_ONCE,
    differences_at,
    hodges_lehmann,
    holm,
    kruskal_wallis,
    mann_whitney,
)

# Hollander and Wolfe, Nonparametric Statistical Methods, permeability of human chorioamnion.
TERM = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
EARLY = [1.15, 0.88, 0.90, 0.74, 1.21]


def test_hollander_and_wolfe() -> None:
    u, p, reason = mann_whitney(TERM, EARLY)
    assert (u, reason) == (35, "")
    assert p == pytest.approx(0.2544, abs=5e-5)
    assert p / 2 == pytest.approx(0.1272, abs=5e-5)
    shift = hodges_lehmann(TERM, EARLY)
    assert shift.value == pytest.approx(0.305, abs=1e-12)
    assert (shift.low, shift.high) == pytest.approx((-0.15, 0.76), abs=1e-12)


def test_exact_p_by_counting_all_ways() -> None:
    random = np.random.default_rng(1)
    pool = random.permutation(11).astype(float)
    a, b = pool[:5], pool[5:]
    u, p, _ = mann_whitney(a, b)
    counts = [
        sum(x > y for x in (pool[i] for i in pick) for y in np.delete(pool, pick))
        for pick in map(list, combinations(range(11), 5))
    ]
    tail = min(np.mean(np.array(counts) <= u), np.mean(np.array(counts) >= u))
    assert p == pytest.approx(min(1, 2 * tail), abs=1e-12)


@pytest.mark.parametrize("sizes", [(6, 9), (12, 12), (20, 31)])
def test_interval_holds_the_shifts_the_exact_test_accepts(sizes: tuple[int, int]) -> None:
    random = np.random.default_rng(sizes[0])
    a, b = random.normal(1, 1, sizes[0]), random.normal(0, 1, sizes[1])
    found = hodges_lehmann(a, b)

    def p(shift: float) -> float:
        return float(stats.mannwhitneyu(a - shift, b, method="exact").pvalue)

    assert p(found.low + 1e-9) > 0.05 >= p(found.low - 1e-9)
    assert p(found.high - 1e-9) > 0.05 >= p(found.high + 1e-9)
    assert found.value == pytest.approx(np.median(np.subtract.outer(a, b)))


def test_interval_with_ties_holds_what_the_normal_test_accepts() -> None:
    random = np.random.default_rng(4)
    a, b = random.integers(0, 40, 70).astype(float), random.integers(5, 45, 60).astype(float)
    found = hodges_lehmann(a, b)

    def p(shift: float) -> float:
        return float(stats.mannwhitneyu(a - shift, b, method="asymptotic").pvalue)

    # Differences are whole: between the limits the test accepts, beyond the next whole it rejects.
    assert p(found.low + 0.5) > 0.05 > p(found.low - 1.5)
    assert p(found.high - 0.5) > 0.05 > p(found.high + 1.5)


def test_interval_of_larger_groups_is_that_of_the_normal_test() -> None:
    random = np.random.default_rng(8)
    a, b = random.normal(1, 1, 55), random.normal(0, 1, 60)
    found = hodges_lehmann(a, b)
    listed = np.sort(np.subtract.outer(a, b).ravel())

    def p_between(place: int) -> float:
        shift = (listed[place] + listed[place + 1]) / 2
        return float(stats.mannwhitneyu(a - shift, b, method="asymptotic").pvalue)

    # The limits are differences: two ranks further in the test accepts, two further out it rejects.
    low, high = (int(np.flatnonzero(listed == limit)[0]) for limit in (found.low, found.high))
    assert p_between(low + 2) > 0.05 > p_between(low - 3)
    assert p_between(high - 3) > 0.05 > p_between(high + 2)
    assert low == len(listed) - 1 - high


def test_differences_counted_are_differences_listed() -> None:
    random = np.random.default_rng(5)
    for values in (random.normal(0, 1, 3000), random.integers(0, 500, 3000).astype(float)):
        a, b = np.sort(values[:1700]), np.sort(values[1700:])
        assert len(a) * len(b) > PAIRS_AT_ONCE
        listed = np.sort(np.subtract.outer(a, b).ravel())
        ranks = [1, 2, 777_777, len(listed) // 2, len(listed) - 1, len(listed)]
        assert differences_at(a, b, ranks) == [listed[rank - 1] for rank in ranks]


def test_millions_of_equal_differences() -> None:
    a, b = np.zeros(2000), np.zeros(2000)
    a[-1] = 7.0
    assert differences_at(a, b, [1, 3_998_000, 3_998_001]) == [0.0, 0.0, 7.0]


def test_kruskal_wallis_against_its_formula() -> None:
    random = np.random.default_rng(6)
    groups = [random.integers(0, 12, n).astype(float) for n in (8, 11, 9)]
    pooled = np.concatenate(groups)
    ranks = stats.rankdata(pooled)
    n = len(pooled)
    parts = np.split(ranks, np.cumsum([len(g) for g in groups])[:-1])
    h = 12 / (n * (n + 1)) * sum(p.sum() ** 2 / len(p) for p in parts) - 3 * (n + 1)
    _, ties = np.unique(pooled, return_counts=True)
    h /= 1 - (ties**3 - ties).sum() / (n**3 - n)
    found = kruskal_wallis(groups)
    assert found[0] == pytest.approx(h)
    assert found[1] == pytest.approx(stats.chi2.sf(h, 2))


def test_holm_against_statsmodels() -> None:
    p = np.random.default_rng(7).random(12) ** 3
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], abs=1e-15)
    with_gap = holm([0.01, np.nan, 0.04])
    assert with_gap[[0, 2]] == pytest.approx([0.02, 0.04])
    assert np.isnan(with_gap[1])


def test_too_few_or_all_the_same_is_no_number() -> None:
    u, p, reason = mann_whitney([1, 2, 3, 4], [1, 2, 3, 4, 5])
    assert np.isnan([u, p]).all()
    assert reason == "too few: 4 and 5 cases, 5 of each needed"
    assert hodges_lehmann([1, 2, 3, 4], [1, 2, 3, 4, 5]).reason == reason
    assert kruskal_wallis([[1] * 5, [1] * 5, [1] * 6])[2] == "all times are the same"
    extreme = hodges_lehmann(np.arange(5.0), np.arange(10.0, 15.0), confidence=0.9999)
    assert extreme.reason == "too few for an interval at 0.9999"
