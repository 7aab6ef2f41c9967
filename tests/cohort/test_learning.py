"""A learning curve put together: which cases enter, and what is said of the others."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from vidseg.cohort.learning import POINTS, learning_curve
from vidseg.model.problem import UsageError

Maker = Callable[..., pd.DataFrame]


def facts(numbers: list[float], surgeon: str = "S1") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "case": [f"case-{place:03d}" for place in range(1, len(numbers) + 1)],
            "surgeon": surgeon,
            "case_number": numbers,
        }
    )


def test_who_enters_and_who_does_not(make_steps: Maker) -> None:
    times = [300 * n**-0.3 for n in range(1, 41)]
    listed: list[float | None] = [*times]
    listed[4] = None
    listed[5] = 0.0
    cut = [False] * 40
    cut[5] = cut[6] = True
    numbers = [float(n) for n in range(1, 41)]
    numbers[7] = np.nan
    steps = make_steps({"cut": listed, "sew": [5.0] * 40}, {"cut": cut})
    found = learning_curve(steps, facts(numbers), "cut", bin_size=20)
    assert (found.missing, found.unseen, found.censored, found.unnumbered) == (1, 1, 1, 1)
    assert found.name == "Cut"
    assert list(found.points.columns) == list(POINTS)
    assert len(found.points) == 36
    assert found.points["case_number"].is_monotonic_increasing
    assert found.power_law.exponent.value == pytest.approx(-0.3)
    assert found.slope.slope.value < 0
    assert found.trend.s == -36 * 35 / 2
    assert found.experience.bins["cases"].tolist() == [16, 20]
    assert found.censored == 1


def test_order_is_by_case_number_not_by_row(make_steps: Maker) -> None:
    numbers = list(range(1, 31))
    random = np.random.default_rng(1)
    shuffled = random.permutation(30)
    times = [100.0 + 10 * numbers[place] for place in shuffled]
    cases = facts([float(numbers[place]) for place in shuffled])
    found = learning_curve(make_steps({"cut": times}), cases, "cut")
    assert found.points["time_s"].is_monotonic_increasing
    assert found.points["moving_median_s"].is_monotonic_increasing
    assert found.trend.tau == 1


def test_one_surgeon_or_all(make_steps: Maker) -> None:
    cases = pd.concat(
        [facts(list(range(1, 13))), facts(list(range(1, 13)), "S2")], ignore_index=True
    )
    cases["case"] = [f"case-{place:03d}" for place in range(1, 25)]
    steps = make_steps({"cut": [100.0] * 12 + [200.0 + n for n in range(12)]})
    both = learning_curve(steps, cases, "cut")
    assert len(both.points) == 24
    assert any("2 surgeons are taken together" in note for note in both.notes)
    second = learning_curve(steps, cases, "cut", surgeon="S2")
    assert len(second.points) == 12
    assert second.slope.slope.value == pytest.approx(1)
    with pytest.raises(UsageError, match="no case of surgeon 'S3'"):
        learning_curve(steps, cases, "cut", surgeon="S3")
    unnumbered = learning_curve(steps, cases.assign(case_number=np.nan), "cut")
    assert unnumbered.points.empty
    assert unnumbered.unnumbered == 24
    assert unnumbered.power_law.reason == "too few: 0 cases, 10 needed"


def test_numbers_of_the_user_are_checked(make_steps: Maker) -> None:
    with pytest.raises(UsageError, match="case number 0"):
        learning_curve(make_steps({"cut": [1.0, 2.0]}), facts([0.0, 1.0]), "cut")
    with pytest.raises(UsageError, match=r"case number 1\.5"):
        learning_curve(make_steps({"cut": [1.0, 2.0]}), facts([1.5, 1.0]), "cut")
