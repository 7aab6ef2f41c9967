"""What goes in: rows from a timing, what is refused, and which annotator counts."""

from collections.abc import Callable

import pandas as pd
import pytest

from vidseg.cohort.select import level_of, levels
from vidseg.cohort.tables import (
    check_cases,
    check_steps,
    one_annotator,
    whole_cases,
)
from vidseg.model.problem import UsageError

Maker = Callable[..., pd.DataFrame]


def test_two_annotators_of_a_case_are_not_counted_twice(make_steps: Maker) -> None:
    one = make_steps({"cut": [10, 20]})
    both = pd.concat([one, one[one["case"] == "case-001"].assign(annotator="B", active_s=12.0)])
    with pytest.raises(UsageError, match="annotators 'A', 'B'"):
        check_steps(both)
    assert list(one_annotator(both, ["B"])["active_s"]) == [20, 12]
    with pytest.raises(UsageError, match="'case-001' has several annotators"):
        one_annotator(both)


@pytest.mark.parametrize("bad", [-1.0, float("nan"), float("inf")])
def test_no_length_of_time(make_steps: Maker, bad: float) -> None:
    with pytest.raises(UsageError, match="active_s"):
        check_steps(make_steps({"cut": [10]}).assign(active_s=bad))


def test_missing_columns_are_named(make_steps: Maker) -> None:
    with pytest.raises(UsageError, match="steps lacks the columns share, open_end"):
        check_steps(make_steps({"cut": [1]}).drop(columns=["share", "open_end"]))
    with pytest.raises(UsageError, match="cases lacks the columns role"):
        check_cases(pd.DataFrame({"case": ["a"]}), ["role"])
    with pytest.raises(UsageError, match="'a' stands twice"):
        check_cases(pd.DataFrame({"case": ["a", "a"]}))


def test_a_case_of_unknown_facts_is_refused(make_steps: Maker) -> None:
    with pytest.raises(UsageError, match="'case-002' is not in the table of cases"):
        levels(make_steps({"cut": [1, 2]}), pd.DataFrame({"case": ["case-001"]}))


def test_a_step_of_two_vocabularies_must_be_told_apart(make_steps: Maker) -> None:
    steps = pd.concat(
        [
            make_steps({"cut": [1]}),
            make_steps({"cut": [2]}, first_case=2).assign(procedure="other"),
        ]
    )
    found = levels(steps, pd.DataFrame({"case": ["case-001", "case-002"]}))
    with pytest.raises(UsageError, match=r"test \(step\), other \(step\)"):
        level_of(found, "cut")
    assert level_of(found, "cut", "other").procedure == "other"
    with pytest.raises(UsageError, match="no case has a step 'sew'"):
        level_of(found, "sew")


def test_whole_cases_are_cut_off_where_incomplete() -> None:
    cases = pd.DataFrame(
        {"case": ["a", "b", "c"], "observed_s": [10.0, 20.0, None], "complete": [True, False, True]}
    )
    whole = check_steps(whole_cases(cases))
    assert list(whole["active_s"]) == [10, 20]
    assert list(whole["open_end"]) == [False, True]


def test_unseen_is_neither_a_time_nor_cut_off(make_steps: Maker) -> None:
    steps = make_steps({"cut": [3, 0, None, 4], "sew": [1, 1, 1, 1]}, {"cut": [False, True] * 2})
    cases = pd.DataFrame({"case": [f"case-{n:03d}" for n in range(1, 5)]})
    table = levels(steps, cases)[0].times("cut")
    assert table["time_s"].isna().tolist() == [False, True, True, False]
    assert table["unseen"].tolist() == [False, True, False, False]
    assert table["censored"].tolist() == [False, False, False, True]
