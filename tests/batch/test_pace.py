"""The remaining time, and how it is said."""

import numpy as np
import pytest

from vidseg.batch.pace import Pace, span_words, words


def test_nothing_is_said_before_three_cases_are_done() -> None:
    pace = Pace({str(number): 10 for number in range(5)})
    for number in range(2):
        pace.ended(str(number), 2.0, worked=True)
        assert pace.left_s(1) is None
    pace.ended("2", 2.0, worked=True)
    low, high = pace.left_s(1) or (0, 0)
    assert low < 4.0 < high
    assert pace.left_s(0) is None


def test_failed_cases_do_not_make_it_look_fast() -> None:
    pace = Pace({str(number): 10 for number in range(10)})
    for number in range(3):
        pace.ended(str(number), 5.0, worked=True)
    before = pace.left_s(1)
    pace.weights["more"] = 10
    pace.ended("more", 0.01, worked=False)
    assert pace.left_s(1) == before


def test_the_range_holds_the_truth_as_often_as_it_should() -> None:
    """Two standard errors: about 95 of 100 for normal errors, checked by simulation with numpy."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(400):
        sizes = rng.integers(500, 1500, 60)
        seconds = sizes * 0.01 * rng.normal(1, 0.5, 60).clip(0.05)
        pace = Pace({str(n): int(size) for n, size in enumerate(sizes)})
        for number in range(30):
            pace.ended(str(number), float(seconds[number]), worked=True)
        low, high = pace.left_s(1) or (0, 0)
        held += low <= seconds[30:].sum() <= high
    assert 0.9 < held / 400 < 0.99


def test_the_largest_case_alone_is_the_least() -> None:
    pace = Pace({"a": 1, "b": 1, "c": 1, "large": 1000})
    for name in "abc":
        pace.ended(name, 1.0, worked=True)
    low, high = pace.left_s(8) or (0, 0)
    assert low == pytest.approx(900)
    assert high == pytest.approx(1100)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.2, "1 s"),
        (61, "61 s"),
        (600, "10 min"),
        (3 * 3600 + 25 * 60, "3 h 20 min"),
        (2e5, "56 h"),
    ],
)
def test_a_time_is_said_as_roughly_as_it_is_known(seconds: float, said: str) -> None:
    assert words(seconds) == said
    assert span_words((seconds, seconds)) == said
    assert span_words(None) == "not known yet"
