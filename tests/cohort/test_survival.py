"""Kaplan-Meier and log-rank against the leukaemia trial, lifelines and statsmodels."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight, survdiff

from vidseg.cohort.survival import kaplan_meier, log_rank, survival_quantile

# Freireich et al. 1963, remission in weeks under 6-MP and placebo; + = still in remission.
# Klein and Moeschberger, Survival Analysis, tables 1.1 and 4.1B.
SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"
COHORT = st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=3, max_size=30).filter(
    lambda rows: any(seen for _, seen in rows)
)


def read(text: str) -> tuple[np.ndarray, np.ndarray]:
    words = text.split()
    return (
        np.array([float(word.rstrip("+")) for word in words]),
        np.array([not word.endswith("+") for word in words]),
    )


def test_published_curve() -> None:
    found = kaplan_meier(*read(SIX_MP))
    assert read(SIX_MP)[0].sum() == 359
    assert (found.n, found.censored) == (21, 12)
    assert found.times_s.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert found.at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]
    assert found.ended.tolist() == [3, 1, 1, 1, 1, 1, 1]
    surviving = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    greenwood = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    assert found.surviving == pytest.approx(surviving, abs=5e-5)
    assert found.error == pytest.approx(greenwood, abs=5e-5)
    assert survival_quantile(found, 0.5).value == 23
    assert survival_quantile(kaplan_meier(*read(PLACEBO)), 0.5).value == 8


def test_published_log_rank() -> None:
    chi_squared, freedom, p = log_rank([read(SIX_MP), read(PLACEBO)])
    assert chi_squared == pytest.approx(16.7929, abs=5e-5)
    assert freedom == 1
    assert p == pytest.approx(4.17e-5, abs=5e-8)


@settings(max_examples=60)
@given(COHORT)
def test_curve_against_lifelines(rows: list[tuple[int, bool]]) -> None:
    lifelines = pytest.importorskip("lifelines", reason="lifelines is for tests only")
    times, seen = np.array([t for t, _ in rows], float), np.array([s for _, s in rows])
    found = kaplan_meier(times, seen)
    theirs = lifelines.KaplanMeierFitter().fit(times, seen)
    curve = theirs.survival_function_.loc[found.times_s].iloc[:, 0].to_numpy()
    assert found.surviving == pytest.approx(curve, abs=1e-12)
    middle = (found.surviving > 1e-9) & (found.surviving < 1 - 1e-9)
    limits = theirs.confidence_interval_.loc[found.times_s[middle]]
    assert found.low[middle] == pytest.approx(limits.iloc[:, 0].to_numpy(), abs=1e-9)
    assert found.high[middle] == pytest.approx(limits.iloc[:, 1].to_numpy(), abs=1e-9)


@settings(max_examples=60)
@given(COHORT)
def test_greenwood_against_statsmodels(rows: list[tuple[int, bool]]) -> None:
    times, seen = np.array([t for t, _ in rows], float), np.array([s for _, s in rows])
    found = kaplan_meier(times, seen)
    with np.errstate(all="ignore"):
        theirs = SurvfuncRight(times, seen.astype(int))
    assert found.times_s.tolist() == theirs.surv_times.tolist()
    some = found.surviving > 1e-9
    assert found.error[some] == pytest.approx(theirs.surv_prob_se[some], abs=1e-12)


def test_median_interval_against_lifelines() -> None:
    lifelines = pytest.importorskip("lifelines", reason="lifelines is for tests only")
    from lifelines.utils import median_survival_times

    random = np.random.default_rng(8)
    for _ in range(30):
        times, stop = random.lognormal(3, 0.6, 40), random.exponential(60, 40)
        seen, shown = times <= stop, np.minimum(times, stop)
        found = survival_quantile(kaplan_meier(shown, seen), 0.5)
        theirs = lifelines.KaplanMeierFitter().fit(shown, seen)
        low, high = median_survival_times(theirs.confidence_interval_).iloc[0]
        assert found.value == theirs.median_survival_time_
        assert (found.low, found.high) == (low, high)


# lifelines 0.30 with pandas 3 draws a warning about its own calls.
@pytest.mark.filterwarnings("ignore:Starting with pandas version 4.0")
def test_log_rank_against_statsmodels_and_lifelines() -> None:
    statistics = pytest.importorskip("lifelines.statistics", reason="lifelines is for tests only")
    random = np.random.default_rng(9)
    for groups in (2, 3, 4):
        which = random.integers(0, groups, 80)
        times, seen = random.integers(1, 15, 80).astype(float), random.random(80) < 0.7
        found = log_rank([(times[which == g], seen[which == g]) for g in range(groups)])
        chi_squared, p = survdiff(times, seen.astype(int), which)
        assert (found[0], found[2]) == pytest.approx((chi_squared, p), rel=1e-9)
        theirs = statistics.multivariate_logrank_test(times, which, seen)
        assert found[0] == pytest.approx(theirs.test_statistic, rel=1e-9)


def test_half_exactly_is_reached_despite_rounding() -> None:
    times = np.arange(1.0, 13.0)
    found = kaplan_meier(times, np.ones(12, bool))
    assert survival_quantile(found, 0.5).value == 6


def test_not_reached_is_infinite_and_too_few_ends_say_so() -> None:
    seen = np.array([True] * 5 + [False] * 15)
    found = kaplan_meier(np.arange(1.0, 21.0), seen)
    assert survival_quantile(found, 0.5).value == np.inf
    few = survival_quantile(kaplan_meier([1, 2, 3], [True, True, False]), 0.5)
    assert few.reason == "too few: 2 steps seen to their end, 5 needed"
    assert np.isnan(few.value)


def test_no_time_that_tells_groups_apart() -> None:
    none = ([5.0, 6.0], [False, False])
    assert np.isnan(log_rank([none, none])[0])
