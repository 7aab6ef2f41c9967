"""Real operations: Cataract-101, figures recomputed apart from this project.

Cataract-101 (Schoeffmann et al., MMSys 2018), 101 operations, 4 surgeons, 25 frames a second.
"""

import pandas as pd
import pytest

from vidseg.cohort.adjust import adjust
from vidseg.cohort.compare import compare
from vidseg.cohort.distribution import distribution
from vidseg.cohort.learning import learning_curve
from vidseg.cohort.ranks import hodges_lehmann, mann_whitney
from vidseg.cohort.tables import whole_cases

Cohort = tuple[pd.DataFrame, pd.DataFrame]
SHOWN = ["visits", "cases", "mean_s", "sd_s", "median_s", "q1_s", "q3_s", "min_s", "max_s"]
PHASES = {
    "1": [104, 98, 24.14, 19.30, 16.82, 11.38, 26.94, 4.20, 115.36],
    "2": [232, 101, 30.79, 22.61, 23.84, 17.08, 38.52, 11.12, 183.76],
    "3": [104, 101, 47.14, 35.89, 34.36, 24.44, 57.56, 16.40, 252.32],
    "4": [101, 101, 33.12, 18.06, 27.48, 20.24, 39.80, 14.00, 98.32],
    "5": [104, 101, 150.18, 85.68, 121.32, 81.64, 211.20, 51.12, 486.60],
    "6": [120, 101, 62.64, 36.96, 51.00, 35.68, 78.76, 21.96, 249.12],
    "7": [110, 101, 20.35, 13.70, 16.56, 10.36, 27.28, 5.96, 79.36],
    "8": [105, 101, 27.82, 13.29, 25.08, 19.00, 33.16, 12.96, 102.12],
    "9": [106, 101, 60.64, 29.25, 48.80, 37.64, 77.64, 23.32, 186.24],
    "10": [180, 101, 32.56, 25.71, 24.88, 17.96, 36.56, 0.08, 127.16],
}
SHARES = [4.79, 6.30, 9.65, 6.78, 30.73, 12.82, 4.16, 5.69, 12.41, 6.66]
# Low experience mean and median, high mean and median, U of low against high.
BY_EXPERIENCE = {
    "1": [32.95, 25.66, 17.54, 13.36, 1821.5],
    "2": [42.96, 36.48, 21.01, 17.92, 2178.5],
    "3": [72.68, 65.08, 26.62, 24.82, 2422.0],
    "4": [45.04, 40.72, 23.55, 20.98, 2173.5],
    "5": [225.08, 223.60, 89.99, 85.06, 2486.0],
    "6": [90.17, 81.84, 40.52, 37.42, 2358.0],
    "7": [28.46, 27.28, 13.83, 12.06, 2099.5],
    "8": [34.07, 33.00, 22.80, 19.56, 2256.5],
    "9": [85.10, 79.16, 40.98, 39.96, 2444.0],
    "10": [42.01, 32.64, 24.97, 20.72, 1716.5],
}


def test_every_phase(cataract101: Cohort) -> None:
    table = distribution(cataract101[0]).set_index("step")
    for phase, figures in PHASES.items():
        found = table.loc[[phase], SHOWN].astype(float).round(9).iloc[0].tolist()
        assert found == pytest.approx(figures, abs=0.00501), phase
    assert table.loc["1", "missing"] == 3
    assert table["total_s"].sum() == pytest.approx(49_355.16)
    shares = [100 * table["share_of_steps"][phase] for phase in PHASES]
    assert shares == pytest.approx(SHARES, abs=0.00501)


def test_whole_operations(cataract101: Cohort) -> None:
    cases = cataract101[1]
    row = distribution(whole_cases(cases)).iloc[0]
    found = [row[c] for c in ("mean_s", "sd_s", "median_s", "min_s", "max_s")]
    assert found == pytest.approx([500.244, 218.618, 409.24, 227.56, 1111.12], abs=0.0005)
    # Published: about 14 hours, 1,263,116 frames.
    assert round(row["total_s"] * 25) == 1_263_116
    low = cases.loc[cases["experience"] == "low", "observed_s"]
    high = cases.loc[cases["experience"] == "high", "observed_s"]
    u, p, _ = mann_whitney(low, high)
    assert (len(low), len(high), u) == (45, 56, 2517.0)
    assert p == pytest.approx(9.06e-18, rel=5e-4)
    assert hodges_lehmann(low, high).value == pytest.approx(352.56)


def test_surgeons(cataract101: Cohort) -> None:
    found = compare(whole_cases(cataract101[1]), cataract101[1], "surgeon", ["1", "4", "2", "3"])
    assert found.groups["cases"].tolist() == [25, 20, 24, 32]
    assert found.groups["mean_s"].tolist() == pytest.approx(
        [744.31, 666.79, 353.75, 315.35], abs=0.00501
    )
    assert found.groups["median_s"].tolist() == pytest.approx(
        [710.92, 620.26, 354.28, 299.80], abs=0.00501
    )
    assert found.tests.iloc[0]["freedom"] == 3


def test_low_against_high_experience(cataract101: Cohort) -> None:
    found = compare(*cataract101, "experience", ["low", "high"])
    groups = found.groups.set_index(["step", "group"])
    tests = found.tests.set_index("step")
    for phase, figures in BY_EXPERIENCE.items():
        shown = [
            float(groups.loc[(phase, group), column])  # type: ignore[arg-type]
            for group in ("low", "high")
            for column in ("mean_s", "median_s")
        ]
        assert shown == pytest.approx(figures[:4], abs=0.00501), phase
        assert tests.loc[phase, "statistic"] == figures[4]
    assert [*groups.loc[("1", "low"), ["cases", "missing"]]] == [42, 3]
    assert (tests["p_holm"] < 0.01).all()


def test_four_surgeons_cannot_carry_a_sharp_ratio(cataract101: Cohort) -> None:
    steps, cases = cataract101
    found = adjust(whole_cases(cases), cases, ["experience"])
    term = found.terms.iloc[0]
    assert term["term"] == "experience: low against high"
    # Two surgeons each: 4 less 2 degrees of freedom, whatever the number of operations.
    assert term["freedom"] == 2
    assert term["ratio_low"] < 2 < term["ratio_high"]
    assert "only 4 surgeons" in found.models.iloc[0]["note"]
    assert len(adjust(steps, cases, ["experience"]).models) == 10


def test_curve_of_one_surgeon(cataract101: Cohort) -> None:
    # Case numbers here are places in the file, which is no order of operation: form only.
    found = learning_curve(*cataract101, "5", surgeon="3")
    assert len(found.points) == 32
    assert found.name.startswith("Phaco")
    assert found.power_law.n == 32
