"""Case-mix adjustment against statsmodels, a closed form, and known truth."""

import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.mixed_linear_model import MixedLM

from vidseg.cohort.adjust import EXPECTED, MODELS, TERMS, adjust
from vidseg.cohort.mixed import least_squares, random_intercept

Maker = Callable[..., pd.DataFrame]

# Yield of dyestuff from six batches, five samples each (Davies 1947; Dyestuff in R's lme4, Dyes in
# the examples of BUGS): mean 1527.5, sd between 42.00, within 49.51, error 19.38.
DYESTUFF = np.array(
    [
        [1545, 1440, 1440, 1520, 1580],
        [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625],
        [1520, 1455, 1450, 1480, 1445],
    ],
    dtype=float,
)
HEAD = ["procedure", "level", "step", "name"]


def test_dyestuff() -> None:
    found = random_intercept(DYESTUFF.ravel(), np.ones((30, 1)), np.repeat(np.arange(6), 5))
    # Balanced groups: restricted likelihood gives the estimates of the analysis of variance.
    within = DYESTUFF.var(axis=1, ddof=1).mean()
    between = DYESTUFF.mean(axis=1).var(ddof=1) - within / 5
    assert found.effects[0] == pytest.approx(1527.5)
    assert found.within == pytest.approx(np.sqrt(within), rel=1e-6)
    assert found.between == pytest.approx(np.sqrt(between), rel=1e-5)
    assert (round(found.between, 2), round(found.within, 2)) == (42.0, 49.51)
    assert found.errors[0] == pytest.approx(19.38, abs=0.005)


def simulated(
    seed: int, sizes: list[int], spread: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    groups = np.repeat(np.arange(len(sizes)), sizes)
    n = len(groups)
    matrix = np.column_stack([np.ones(n), random.normal(0, 1, n), groups % 2])
    surgeon = random.normal(0, spread, len(sizes))[groups]
    return matrix @ [4, 0.2, -0.3] + surgeon + random.normal(0, 0.3, n), matrix, groups


@pytest.mark.parametrize("seed", range(6))
def test_mixed_model_against_statsmodels(seed: int) -> None:
    log, matrix, groups = simulated(seed, [5, 9, 14, 20, 8, 11, 30, 4], 0.25)
    found = random_intercept(log, matrix, groups)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = MixedLM(log, matrix, groups=groups).fit(reml=True)
    assert theirs.converged
    assert found.effects == pytest.approx(np.asarray(theirs.fe_params), rel=1e-4, abs=1e-5)
    # statsmodels inverts the information of effects and variances together, which moves its
    # errors by parts of a percent; those of least squares with the estimated variances follow.
    assert found.errors == pytest.approx(np.asarray(theirs.bse_fe), rel=0.01)
    assert found.between**2 == pytest.approx(theirs.cov_re[0, 0], rel=2e-3, abs=1e-6)
    assert found.within**2 == pytest.approx(theirs.scale, rel=1e-4)


def restricted_likelihood(
    log: np.ndarray, matrix: np.ndarray, groups: np.ndarray, between: float, within: float
) -> tuple[float, np.ndarray]:
    """Twice the restricted log likelihood, less a constant, and errors: written out in full."""
    variance = within**2 * np.eye(len(log)) + between**2 * (groups[:, None] == groups)
    weight = np.linalg.inv(variance)
    inner = matrix.T @ weight @ matrix
    left = log - matrix @ np.linalg.solve(inner, matrix.T @ weight @ log)
    value = -np.linalg.slogdet(variance)[1] - np.linalg.slogdet(inner)[1] - left @ weight @ left
    return float(value), np.sqrt(np.diag(np.linalg.inv(inner)))


@pytest.mark.parametrize("seed", range(6, 12))
def test_mixed_model_is_at_the_top_of_the_likelihood(seed: int) -> None:
    log, matrix, groups = simulated(seed, [3, 9, 1, 20, 8, 11], 0.1 * (seed - 6))
    found = random_intercept(log, matrix, groups)
    best, errors = restricted_likelihood(log, matrix, groups, found.between, found.within)
    assert found.errors == pytest.approx(errors, rel=1e-8)
    for between in (*np.linspace(0, 1, 26), found.between * 1.02, found.between * 0.98):
        for within in (found.within * 0.95, found.within, found.within * 1.05):
            other = restricted_likelihood(log, matrix, groups, float(between), within)[0]
            assert other <= best + 1e-7


def test_no_spread_between_groups_is_least_squares() -> None:
    random = np.random.default_rng(1)
    groups = np.repeat(np.arange(10), 8)
    matrix = np.column_stack([np.ones(80), random.normal(0, 1, 80)])
    residual = random.normal(0, 1, 80)
    # Group means taken out: less spread between groups than chance would give.
    residual -= (np.bincount(groups, residual) / 8)[groups]
    log = matrix @ [1, 2] + residual
    found, plain = random_intercept(log, matrix, groups), least_squares(log, matrix)
    assert found.between == pytest.approx(0, abs=1e-6)
    assert found.effects == pytest.approx(plain.effects)
    assert found.errors == pytest.approx(plain.errors)
    theirs = OLS(log, matrix).fit()
    assert plain.effects == pytest.approx(theirs.params)
    assert plain.errors == pytest.approx(theirs.bse)


def cohort(
    make_steps: Maker, surgeons: int = 8, each: int = 15, seed: int = 2
) -> tuple[pd.DataFrame, pd.DataFrame, np.ndarray[tuple[int], np.dtype[np.float64]]]:
    random = np.random.default_rng(seed)
    n = surgeons * each
    who = np.repeat(np.arange(surgeons), each)
    grade = random.integers(1, 5, n)
    role = np.where(random.random(n) < 0.6, "senior", "trainee")
    log = 4 + 0.1 * (grade - 2.5) + 0.4 * (role == "trainee")
    log = log + random.normal(0, 0.2, surgeons)[who] + random.normal(0, 0.25, n)
    cases = pd.DataFrame(
        {
            "case": [f"case-{place:03d}" for place in range(1, n + 1)],
            "surgeon": [f"S{place}" for place in who],
            "grade": grade,
            "role": role,
            "team": np.where(who % 2 == 0, "red", "blue"),
        }
    )
    return make_steps({"cut": np.exp(log).tolist()}), cases, log


def test_ratios_with_intervals(make_steps: Maker) -> None:
    steps, cases, log = cohort(make_steps)
    found = adjust(steps, cases, ["role", "grade"])
    model = found.models.iloc[0]
    assert set(found.models.columns) == {
        *HEAD,
        *MODELS,
        "baseline_low_s",
        "baseline_high_s",
    }
    assert set(found.terms.columns) == {*HEAD, *TERMS, "ratio_low", "ratio_high"}
    assert list(found.expected.columns) == [*HEAD, *EXPECTED]
    assert (model["method"], model["cases"], model["surgeons"]) == ("mixed model", 120, 8)
    assert found.terms["term"].tolist() == [
        "role: trainee against senior",
        "grade, for each 1 more",
    ]
    matrix = np.column_stack(
        [np.ones(120), cases["role"] == "trainee", cases["grade"] - cases["grade"].mean()]
    ).astype(float)
    fit = random_intercept(log, matrix, pd.factorize(cases["surgeon"])[0])
    t = stats.t.ppf(0.975, 120 - 8 - 2)
    role = found.terms.iloc[0]
    assert role["freedom"] == 110
    assert role["ratio"] == pytest.approx(np.exp(fit.effects[1]))
    assert role["ratio_low"] == pytest.approx(np.exp(fit.effects[1] - t * fit.errors[1]))
    assert role["ratio_high"] == pytest.approx(np.exp(fit.effects[1] + t * fit.errors[1]))
    assert role["ratio_low"] < np.exp(0.4) < role["ratio_high"]
    assert model["baseline_s"] == pytest.approx(np.exp(fit.effects[0]))
    assert model["surgeon_spread"] == pytest.approx(np.exp(fit.between))
    first = found.expected.iloc[0]
    assert first["expected_s"] == pytest.approx(np.exp(matrix[0] @ fit.effects))
    assert first["ratio"] == pytest.approx(np.exp(log[0]) / first["expected_s"])
    spread = np.hypot(fit.between, fit.within)
    high = first["expected_s"] * np.exp(stats.norm.ppf(0.975) * spread)
    assert first["expected_high_s"] == pytest.approx(high)


def test_what_differs_between_surgeons_rests_on_surgeons(make_steps: Maker) -> None:
    steps, cases, _ = cohort(make_steps)
    found = adjust(steps, cases, ["team", "grade"])
    # Intercept and team are constant within a surgeon: 8 surgeons less 2; grade: 120 - 8 - 1.
    assert found.terms["freedom"].tolist() == [6, 111]
    steps, cases, _ = cohort(make_steps, surgeons=2, each=20)
    two = adjust(steps, cases, ["team"])
    assert two.terms.iloc[0]["note"] == "too few surgeons to tell this from the surgeons themselves"
    assert np.isnan(two.terms.iloc[0][["ratio_low", "p"]].astype(float)).all()
    assert "only 2 surgeons" in two.models.iloc[0]["note"]


def test_one_surgeon_is_least_squares_and_says_so(make_steps: Maker) -> None:
    steps, cases, log = cohort(make_steps, surgeons=1, each=40)
    found = adjust(steps, cases, ["grade"])
    model = found.models.iloc[0]
    assert model["method"] == "ordinary least squares"
    assert model["note"].startswith("one surgeon only")
    theirs = OLS(log, np.column_stack([np.ones(40), cases["grade"]])).fit()
    low, high = np.exp(theirs.conf_int()[1])
    term = found.terms.iloc[0]
    assert (term["ratio_low"], term["ratio_high"]) == pytest.approx((low, high))
    assert term["p"] == pytest.approx(theirs.pvalues[1])


def test_missing_facts_and_cut_off_steps_are_counted(make_steps: Maker) -> None:
    steps, cases, _ = cohort(make_steps)
    cases["grade"] = cases["grade"].astype(float)
    cases.loc[[0, 1, 2], "grade"] = np.nan
    cases.loc[3, "surgeon"] = None
    steps.loc[[4, 5], "open_end"] = True
    steps.loc[6, ["active_s", "open_end"]] = [0.0, True]
    model = adjust(steps, cases, ["grade"]).models.iloc[0]
    assert (model["cases"], model["missing"], model["censored"]) == (113, 5, 2)


def test_no_model_says_why(make_steps: Maker) -> None:
    steps, cases, _ = cohort(make_steps, surgeons=3, each=6)
    few = adjust(steps, cases, ["grade"])
    assert few.models.iloc[0]["note"] == "too few: 18 cases, 20 needed"
    assert few.terms.empty
    assert few.expected.empty
    steps, cases, _ = cohort(make_steps)
    cases["again"] = cases["grade"] * 2
    cases["same"] = "x"
    note = adjust(steps, cases, ["grade", "again"]).models.iloc[0]["note"]
    assert note == "the covariates determine each other: grade, again"
    assert adjust(steps, cases, ["same"]).models.iloc[0]["note"] == "same is the same in all cases"


def test_all_steps_are_compared_with_the_same_value(make_steps: Maker) -> None:
    steps, cases, _ = cohort(make_steps)
    seniors = cases.loc[cases["role"] == "senior", "case"]
    other = steps.assign(step="sew", name="Sew")
    few_seniors = other[~other["case"].isin(seniors.iloc[20:])]
    found = adjust(pd.concat([steps, few_seniors]), cases, ["role"])
    assert found.terms["term"].tolist() == ["role: trainee against senior"] * 2
    none = adjust(pd.concat([steps, other[~other["case"].isin(seniors)]]), cases, ["role"])
    assert none.models["note"].tolist()[1] == "role is the same in all cases"
