"""Changes of level against ruptures and known steps."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vidseg.cohort.changes import MOST, level_changes, noise, optimal_changes


def test_known_steps() -> None:
    # ruptures' Pelt(model="l2", min_size=2, jump=1) and Dynp give the same ends.
    random = np.random.default_rng(1)
    series = np.repeat([0.0, 5, 1, 8], 50) + random.normal(0, 0.5, 200)
    assert optimal_changes(series, 10) == [50, 100, 150]
    assert optimal_changes(np.repeat([0.0, 1], 10), 1) == [10]


@settings(max_examples=40)
@given(st.integers(0, 10_000), st.integers(12, 60), st.floats(0.5, 20), st.integers(2, 5))
def test_no_dearer_than_ruptures(seed: int, n: int, penalty: float, shortest: int) -> None:
    ruptures = pytest.importorskip("ruptures", reason="ruptures is for tests only")
    random = np.random.default_rng(seed)
    series = random.normal(0, 1, n) + np.repeat(random.normal(0, 2, 4), -(-n // 4))[:n]

    def price(places: list[int]) -> float:
        parts = np.split(series, places)
        assert all(len(part) >= shortest for part in parts)
        return sum(float(((p - p.mean()) ** 2).sum()) for p in parts) + penalty * len(places)

    found = optimal_changes(series, penalty, shortest)
    search = ruptures.Pelt(model="l2", min_size=shortest, jump=1).fit(series)
    theirs = price(search.predict(pen=penalty)[:-1])
    assert price(found) <= theirs + 1e-9
    dynamic = ruptures.Dynp(model="l2", min_size=shortest, jump=1).fit(series)
    if found:
        exact = price(dynamic.predict(n_bkps=len(found))[:-1])
        assert price(found) == pytest.approx(exact, abs=1e-9)


def test_durations_that_drop_once() -> None:
    random = np.random.default_rng(3)
    numbers = np.arange(11, 91)
    times = np.where(numbers < 51, 300, 200) * np.exp(random.normal(0, 0.08, 80))
    found = level_changes(numbers, times)
    assert [(s.first, s.last) for s in found.stretches] == [(11, 50), (51, 90)]
    assert [s.level_s for s in found.stretches] == pytest.approx([300, 200], rel=0.05)
    log = np.log(times[:40])
    assert found.stretches[0].level_s == pytest.approx(np.exp(log.mean()))
    assert found.penalty == pytest.approx(3 * np.log(80) * noise(np.log(times)) ** 2)


def test_level_durations_seldom_show_a_change() -> None:
    random = np.random.default_rng(4)
    numbers = np.arange(1, 101)
    alarms = sum(
        len(level_changes(numbers, 100 * np.exp(random.normal(0, 0.3, 100))).stretches) > 1
        for _ in range(200)
    )
    assert alarms <= 12  # 2 % expected


def test_noise_ignores_changes_of_level() -> None:
    random = np.random.default_rng(5)
    series = random.normal(0, 2, 20_000) + np.repeat([0, 30, -10, 50], 5000)
    assert noise(series) == pytest.approx(2, rel=0.03)


def test_no_search_says_why() -> None:
    assert level_changes(np.arange(9), np.ones(9)).reason == "too few: 9 cases, 20 needed"
    same = level_changes(np.arange(30), np.ones(30))
    assert same.reason == "more than half of the neighbouring times are the same"
    many = level_changes(np.arange(MOST + 1), np.ones(MOST + 1))
    assert many.reason == f"too many: {MOST + 1} cases, {MOST} at most"
    assert optimal_changes([1, 2, 3], 1, 2) == []
