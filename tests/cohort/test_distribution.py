"""Distribution of durations: type 7 quantiles, missing and cut-off steps, thresholds."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from vidseg.cohort.distribution import distribution
from vidseg.cohort.survival import kaplan_meier, survival_quantile
from vidseg.cohort.tables import DISTRIBUTION
from vidseg.model.problem import UsageError

Maker = Callable[..., pd.DataFrame]

# NIST/SEMATECH e-Handbook 7.2.6.2, its twelve measurements, and their 90th percentile by method R7.
# (By R6 it is the handbook's own 95.1981.)
WAFERS = [95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065]
WAFERS += [95.0925, 95.1990, 95.1682]


def one(table: pd.DataFrame, step: str = "cut") -> pd.Series:
    return table.set_index("step").loc[step]  # type: ignore[return-value]


def test_quantiles_are_hyndman_and_fan_type_7(make_steps: Maker) -> None:
    row = one(distribution(make_steps({"cut": list(range(1, 11))}), percentiles=(10, 90)))
    # Hyndman and Fan, Am Stat 1996;50:361-365, type 7 on 1 .. 10.
    found = row[["p10_s", "q1_s", "median_s", "q3_s", "p90_s"]].astype(float)
    assert found.tolist() == pytest.approx([1.9, 3.25, 5.5, 7.75, 9.1])
    assert (row["min_s"], row["max_s"], row["mean_s"]) == (1, 10, 5.5)
    assert row["sd_s"] == pytest.approx(3.0276504)


def test_percentile_of_nists_wafers(make_steps: Maker) -> None:
    row = one(distribution(make_steps({"cut": WAFERS}), percentiles=(90,)))
    assert np.quantile(WAFERS, 0.9, method="weibull") == pytest.approx(95.1981, abs=5e-5)
    assert row["p90_s"] == pytest.approx(95.1957, abs=5e-5)


def test_columns_are_documented(make_steps: Maker) -> None:
    table = distribution(make_steps({"cut": [1, 2, 3]}))
    assert {c for c in table.columns if not (c[0] == "p" and c[1].isdigit())} == {
        c for c in DISTRIBUTION if c != "p<N>_s"
    }


def test_a_missing_step_is_not_zero_seconds(make_steps: Maker) -> None:
    steps = make_steps({"cut": [10, 20, 30, 40, 50, 60], "sew": [5, None, None, 7, 9, None]})
    row = one(distribution(steps), "sew")
    assert (row["cases_total"], row["cases"], row["missing"]) == (6, 3, 3)
    assert (row["min_s"], row["mean_s"], row["median_s"]) == (5, 7, 7)


def test_a_step_wholly_in_excluded_time_is_unseen_not_zero(make_steps: Maker) -> None:
    row = one(distribution(make_steps({"cut": [10, 0, 30]})))
    assert (row["cases"], row["missing"], row["unseen"]) == (2, 0, 1)
    assert (row["min_s"], row["mean_s"]) == (10, 20)


def test_cut_off_steps_stand_beside_the_plain_figures(make_steps: Maker) -> None:
    random = np.random.default_rng(1)
    true = random.lognormal(4, 0.5, 3000)
    stop = random.exponential(120, 3000)
    steps = make_steps({"cut": np.minimum(true, stop)}, {"cut": stop < true})
    row = one(distribution(steps))
    assert row["censored"] == (stop < true).sum()
    assert row["median_s"] < 0.85 * np.median(true)
    assert row["median_complete_s"] < 0.95 * np.median(true)
    assert row["km_median_s"] == pytest.approx(np.median(true), rel=0.04)
    assert row["km_median_low_s"] < row["km_median_s"] < row["km_median_high_s"]
    curve = kaplan_meier(np.minimum(true, stop), true <= stop)
    assert row["km_q1_s"] == survival_quantile(curve, 0.25).value
    assert row["km_q3_s"] == survival_quantile(curve, 0.75).value
    assert "plain figures are too low" in row["reason"]


def test_without_cut_off_steps_there_is_no_second_set_of_figures(make_steps: Maker) -> None:
    row = one(distribution(make_steps({"cut": list(range(1, 30))})))
    assert np.isnan(row["km_median_s"])
    assert row["reason"] == ""


@pytest.mark.parametrize(
    ("n", "missing"),
    [
        (1, ["sd_s", "q1_s", "q3_s", "p5_s", "p10_s", "median_low_s"]),
        (3, ["q1_s", "q3_s", "p5_s", "p10_s", "median_low_s"]),
        (5, ["p5_s", "p10_s", "median_low_s"]),
        (9, ["p5_s", "p10_s"]),
        (19, ["p5_s"]),
        (20, []),
    ],
)
def test_small_numbers_give_reasons_instead_of_figures(
    make_steps: Maker, n: int, missing: list[str]
) -> None:
    row = one(distribution(make_steps({"cut": list(range(1, n + 1))})))
    shown = ["sd_s", "q1_s", "median_s", "q3_s", "p5_s", "p10_s", "median_low_s"]
    assert [column for column in shown if np.isnan(row[column])] == [
        column for column in shown if column in missing
    ]
    assert ("too few" in row["reason"]) == bool(missing)


def test_visits_shares_and_interruptions(make_steps: Maker) -> None:
    steps = make_steps({"cut": [10, 20], "sew": [30, 60]})
    steps.loc[0, ["segments", "elapsed_s", "interrupted_s", "share"]] = [3, 14.0, 4.0, 0.2]
    steps.loc[1, "share"] = 0.4
    table = distribution(steps)
    row = one(table)
    assert (row["visits"], row["visits_mean"], row["revisited"]) == (4, 2, 1)
    assert row["share_of_steps"] == 30 / 120
    assert row["share_median"] == pytest.approx(0.3)
    assert (row["interrupted"], row["interrupted_total_s"], row["interrupted_median_s"]) == (
        1,
        4,
        4,
    )
    assert table["share_of_steps"].sum() == pytest.approx(1)
    assert one(distribution(steps, measure="elapsed_s"))["mean_s"] == 17


def test_levels_are_kept_apart(make_steps: Maker) -> None:
    phases = make_steps({"open": [100]}, first_case=3).assign(level="phase")
    table = distribution(pd.concat([make_steps({"cut": [10, 20]}), phases]))
    assert table[["level", "cases_total", "missing"]].to_numpy().tolist() == [
        ["step", 2, 0],
        ["phase", 1, 0],
    ]


def test_an_unknown_measure_is_refused(make_steps: Maker) -> None:
    with pytest.raises(UsageError, match="no such time: length"):
        distribution(make_steps({"cut": [1]}), measure="length")
