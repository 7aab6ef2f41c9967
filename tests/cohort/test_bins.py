"""Bins of experience, by hand and against scipy."""

import numpy as np
import pytest
from scipy import stats

from vidseg.cohort.bins import BINS, PAIRS, experience_bins
from vidseg.cohort.ranks import holm


def test_bins_by_case_number() -> None:
    # Bins of 50 cases as in Rali 2022 (J Cataract Refract Surg 48:44-50): 1-50, 51-100, ...
    numbers = np.array([1, 2, 50, 51, 100, 101])
    found = experience_bins(numbers, [10.0, 20, 30, 40, 60, 5])
    assert list(found.bins.columns) == list(BINS)
    assert found.bins[["first", "last", "cases"]].to_numpy().tolist() == [
        [1, 50, 3],
        [51, 100, 2],
        [101, 150, 1],
    ]
    assert found.bins["mean_s"].tolist() == [20, 50, 5]
    assert found.bins["error_s"].tolist()[:2] == pytest.approx([10 / np.sqrt(3), 10])
    assert np.isnan(found.bins["error_s"].iloc[2])
    assert found.bins["median_s"].tolist() == [20, 50, 5]
    assert found.reason == "too few: 0 bins with 5 cases or more, 2 needed"
    assert np.isnan(found.p)


def test_tests_between_bins() -> None:
    random = np.random.default_rng(1)
    numbers = np.arange(1, 64)
    times = 300 - 2 * numbers + random.normal(0, 40, 63)
    found = experience_bins(numbers, times, 20)
    groups = [times[:20], times[20:40], times[40:60]]
    assert found.bins["tested"].tolist() == [True, True, True, False]
    theirs = stats.kruskal(*groups)
    assert (found.h, found.freedom, found.p) == pytest.approx((theirs.statistic, 2, theirs.pvalue))
    assert list(found.pairs.columns) == list(PAIRS)
    assert found.pairs[["first_bin", "second_bin"]].to_numpy().tolist() == [[1, 2], [1, 3], [2, 3]]
    p = [
        stats.mannwhitneyu(groups[a], groups[b], method="exact").pvalue
        for a, b in ((0, 1), (0, 2), (1, 2))
    ]
    assert found.pairs["p"].tolist() == pytest.approx(p)
    assert found.pairs["p_holm"].tolist() == pytest.approx(holm(p).tolist())


def test_a_bin_of_one_case_is_no_bin() -> None:
    with pytest.raises(ValueError, match="two case numbers"):
        experience_bins([1, 2], [1.0, 2.0], 1)
