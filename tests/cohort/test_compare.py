"""Groups compared: which test, which counts, and what is said where there is no number."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vidseg.cohort.compare import GROUPS, PAIRS, TESTS, compare
from vidseg.cohort.ranks import hodges_lehmann, holm
from vidseg.cohort.survival import log_rank
from vidseg.model.problem import UsageError

Maker = Callable[..., pd.DataFrame]

HEAD = ["procedure", "level", "step", "name"]


def facts(groups: list[str | None]) -> pd.DataFrame:
    return pd.DataFrame(
        {"case": [f"case-{n:03d}" for n in range(1, len(groups) + 1)], "role": groups}
    )


def made(seed: int, sizes: dict[str, int]) -> tuple[dict[str, list[float]], pd.DataFrame]:
    random = np.random.default_rng(seed)
    groups = [name for name, n in sizes.items() for _ in range(n)]
    times = {
        "cut": [float(random.lognormal(4 if g == "A" else 4.6, 0.4)) for g in groups],
        "sew": [float(random.lognormal(3, 0.4)) for g in groups],
    }
    return times, facts(groups)  # type: ignore[arg-type]


def test_two_groups(make_steps: Maker) -> None:
    times, cases = made(1, {"A": 20, "B": 25})
    times["sew"][0] = None  # type: ignore[call-overload]
    found = compare(make_steps(times), cases, "role")
    assert list(found.groups.columns) == HEAD + list(GROUPS)
    assert set(found.tests.columns) == {*HEAD, *TESTS}
    assert {str(c).replace("_low_s", "_s").replace("_high_s", "_s") for c in found.pairs} == {
        *HEAD,
        *PAIRS,
    }
    a, b = times["cut"][:20], times["cut"][20:]
    test = found.tests.set_index("step").loc["cut"]
    theirs = stats.mannwhitneyu(a, b, method="exact")
    assert (test["test"], test["statistic"]) == ("Mann-Whitney", theirs.statistic)
    assert test["p"] == pytest.approx(theirs.pvalue)
    assert found.tests["p_holm"].tolist() == pytest.approx(holm(found.tests["p"]).tolist())
    pair = found.pairs.set_index("step").loc["cut"]
    shift = hodges_lehmann(a, b)
    assert (pair["shift_s"], pair["shift_low_s"], pair["shift_high_s"]) == (
        shift.value,
        shift.low,
        shift.high,
    )
    assert pair["median_difference_s"] == pytest.approx(np.median(a) - np.median(b))
    sew = found.groups[found.groups["step"] == "sew"].set_index("group")
    assert [*sew.loc["A", ["cases_total", "cases", "missing"]]] == [20, 19, 1]
    assert sew.loc["B", "missing"] == 0


def test_three_groups_and_their_order(make_steps: Maker) -> None:
    times, cases = made(2, {"A": 12, "B": 14, "C": 16})
    found = compare(make_steps(times), cases, "role", ["C", "A", "B"])
    test = found.tests.iloc[0]
    parts = [times["cut"][26:], times["cut"][:12], times["cut"][12:26]]
    assert (test["test"], test["freedom"]) == ("Kruskal-Wallis", 2)
    assert test["p"] == pytest.approx(stats.kruskal(*parts).pvalue)
    cut = found.pairs[found.pairs["step"] == "cut"]
    assert cut[["first", "second"]].to_numpy().tolist() == [["C", "A"], ["C", "B"], ["A", "B"]]
    assert cut["p_holm"].tolist() == pytest.approx(holm(cut["p"]).tolist())


def test_cut_off_steps_go_to_the_log_rank_test(make_steps: Maker) -> None:
    times, cases = made(3, {"A": 20, "B": 20})
    cut = [place % 4 == 0 for place in range(40)]
    found = compare(make_steps(times, {"cut": cut}), cases, "role")
    test = found.tests.set_index("step").loc["cut"]
    seen = ~np.array(cut)
    both = np.array(times["cut"])
    chi_squared, _, p = log_rank([(both[:20], seen[:20]), (both[20:], seen[20:])])
    assert (test["test"], test["statistic"], test["p"]) == ("log-rank", chi_squared, p)
    assert test["note"] == "10 cut off, taken as longer than seen"
    assert found.tests.set_index("step").loc["sew", "test"] == "Mann-Whitney"
    assert "10 cut off, taken as seen here" in str(found.pairs.set_index("step").loc["cut", "note"])
    groups = found.groups[found.groups["step"] == "cut"]
    assert groups["censored"].tolist() == [5, 5]
    assert groups["km_median_s"].notna().all()


def test_an_unseen_step_is_not_counted_as_cut_off(make_steps: Maker) -> None:
    times, cases = made(7, {"A": 10, "B": 10})
    times["cut"][0] = 0.0
    found = compare(make_steps(times, {"cut": [True, *[False] * 19]}), cases, "role")
    row = found.groups.iloc[0]
    assert (row["cases"], row["missing"], row["unseen"], row["censored"]) == (9, 0, 1, 0)
    assert found.tests.iloc[0]["test"] == "Mann-Whitney"


def test_too_few_is_a_note_and_no_number(make_steps: Maker) -> None:
    times, cases = made(4, {"A": 4, "B": 20})
    found = compare(make_steps(times), cases, "role")
    assert found.tests["p"].isna().all()
    assert found.tests["note"].tolist() == ["too few: 4 and 20 cases, 5 of each needed"] * 2
    assert found.pairs[["shift_s", "u", "p_holm", "mean_difference_s"]].isna().all(axis=None)
    cut = [True, *[False] * 23]
    found = compare(make_steps(times, {"cut": cut}), cases, "role")
    assert found.tests.iloc[0]["note"] == "too few: 4 cases in a group, 5 needed"


def test_cases_without_a_group_are_counted_not_compared(make_steps: Maker) -> None:
    times, cases = made(5, {"A": 10, "B": 10})
    cases.loc[[0, 1], "role"] = None
    found = compare(make_steps(times), cases, "role")
    assert (found.ungrouped, found.names) == (2, ("A", "B"))
    assert found.groups["cases"].tolist() == [8, 10, 8, 10]


def test_groups_must_exist(make_steps: Maker) -> None:
    times, cases = made(6, {"A": 6, "B": 6})
    with pytest.raises(UsageError, match="no case has role = 'D'"):
        compare(make_steps(times), cases, "role", ["A", "D"])
    with pytest.raises(UsageError, match="two different groups"):
        compare(make_steps(times), cases, "role", ["A"])
    with pytest.raises(UsageError, match="lacks the columns sex"):
        compare(make_steps(times), cases, "sex")
