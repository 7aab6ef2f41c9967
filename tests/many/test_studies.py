"""Studies of few cases, worked by hand or by another library."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vidseg.cli.library.study_tables import table_text
from vidseg.export.cohort_tables import DICTIONARY, write_cohort_tables
from vidseg.library.filters import Filter
from vidseg.library.store import Library
from vidseg.many.agree import agreement
from vidseg.many.compare import comparison
from vidseg.many.curve import Watch, curves
from vidseg.many.durations import durations
from vidseg.many.export import TABLES, export_tables
from vidseg.many.page import library_page
from vidseg.many.report import CAUTIONS, About, Report
from vidseg.model.column import column_of
from vidseg.model.problem import UsageError

from .conftest import BY_BOTH, HIGH, LOW

A = Filter(annotators=("A",))
RHEXIS = Filter(steps=("capsulorhexis",), annotators=("A",))
STUDIES: dict[str, Callable[[Library], Report]] = {
    "durations": lambda library: durations(library, A),
    "compare": lambda library: comparison(library, A, "experience", adjust_for=("pupil_mm",)),
    "curve": lambda library: (
        curves(
            library, A, watch=Watch(target_s=60, fail_above_s=90, reference=("experience", "high"))
        ).report
    ),
    "agree": lambda library: agreement(library, Filter()),
}


def row_of(table: pd.DataFrame, **what: object) -> pd.Series:
    for name, value in what.items():
        table = table[table[name] == value]
    assert len(table) == 1
    return table.iloc[0]


def test_durations_by_hand(library: Library) -> None:
    """Seventeen of eighteen cases have a rhexis; the ninth of their times in order is 33 s."""
    table = durations(library, A).tables["durations"]
    times = [*LOW, *HIGH]
    rhexis = row_of(table, step="capsulorhexis")
    assert (rhexis["cases"], rhexis["missing"], rhexis["cases_total"]) == (17, 1, 18)
    assert rhexis["mean_s"] == pytest.approx((394 + 170) / 17)
    assert (rhexis["median_s"], rhexis["min_s"], rhexis["max_s"]) == (33, 19, 50)
    # scipy's standard deviation with n - 1, and its quartiles of type 7
    assert rhexis["sd_s"] == pytest.approx(stats.tstd(times))
    quartiles = stats.mstats.mquantiles(times, [0.25, 0.75], alphap=1, betap=1)
    assert [rhexis["q1_s"], rhexis["q3_s"]] == pytest.approx(quartiles)
    whole = row_of(table, level="whole case")
    assert (whole["cases"], whole["median_s"]) == (18, 300)


def test_groups_by_hand(library: Library) -> None:
    report = comparison(library, RHEXIS, "experience")
    groups, tests, pairs = (report.tables[name] for name in ("groups", "tests", "pairs"))
    assert row_of(groups, group="low")["mean_s"] == pytest.approx(394 / 10)
    assert row_of(groups, group="high")["median_s"] == 24
    # Mann and Whitney's U as scipy has it
    found = stats.mannwhitneyu(LOW, HIGH, method="exact")
    assert tests["statistic"].iloc[0] in (found.statistic, 70 - found.statistic)
    assert tests["p"].iloc[0] == pytest.approx(found.pvalue)
    # Hodges and Lehmann: the median of all differences of first and second
    first, second = pairs[["first", "second"]].iloc[0]
    times = {"low": LOW, "high": HIGH}
    differences = np.subtract.outer(times[first], times[second])
    assert pairs["shift_s"].iloc[0] == np.median(differences)
    with pytest.raises(UsageError, match="no fact of the cases is named 'weather'"):
        comparison(library, RHEXIS, "weather")


def test_curves_by_hand(library: Library) -> None:
    report = curves(library, RHEXIS).report
    low = row_of(report.tables["curves"], series="S1")
    assert (low["cases"], low["missing"]) == (10, 0)
    # Kendall's tau and Theil and Sen's slope as scipy has them
    numbers = range(1, 11)
    assert low["tau"] == pytest.approx(stats.kendalltau(numbers, LOW).statistic)
    assert low["slope_s"] == pytest.approx(stats.theilslopes(LOW, numbers).slope)
    points = report.tables["points"]
    own = points[points["series"] == "S1"]
    assert own["time_s"].tolist() == list(LOW)
    assert own["case_number"].tolist() == list(numbers)


def test_agreement_by_hand(library: Library) -> None:
    """B is two seconds later throughout, so that of each rhexis all but two seconds are shared:
    Dice is that over the whole."""
    report = agreement(library, Filter())
    rhexis = row_of(report.tables["steps"], step="capsulorhexis")
    times = LOW[:BY_BOTH]
    assert (rhexis["first"], rhexis["second"], rhexis["cases"]) == ("A", "B", BY_BOTH)
    assert rhexis["dice"] == pytest.approx((sum(times) - 2 * BY_BOTH) / sum(times))
    assert (rhexis["start_bias_s"], rhexis["end_bias_s"]) == (2, 2)
    edges = report.tables["boundaries"]
    assert row_of(edges, tolerance_s=1.0)["agreement"] == 0
    assert row_of(edges, tolerance_s=2.0)["agreement"] == 1
    with pytest.raises(UsageError, match="no case has two annotators"):
        agreement(library, Filter(experiences=("high",)))


@pytest.mark.parametrize("study", STUDIES)
def test_every_column_is_said_once_and_shown_the_same(
    library: Library, tmp_path: Path, study: str
) -> None:
    """File, dictionary and screen agree on what there is and what it means."""
    report = STUDIES[study](library)
    out = tmp_path / "out.csv"
    write_cohort_tables(report.tables, report.columns, report.words(), out)
    dictionary = pd.read_csv(tmp_path / f"out-{DICTIONARY}.csv", keep_default_na=False)
    for name, table in report.tables.items():
        known = [column_of(str(column), report.columns[name]) for column in table.columns]
        assert all("as the user named it" not in column.meaning for column in known)
        told = dictionary[dictionary["table"] == name]
        assert told["column"].tolist() == [column.name for column in known]
        assert told["meaning"].tolist() == [column.meaning for column in known]
        assert told["unit"].tolist() == [column.unit for column in known]
    for shown in report.shown:
        by_name = [
            columns
            for name, columns in report.columns.items()
            if shown.table is report.tables.get(name)
        ]
        own = by_name[0] if by_name else report.columns["durations"]
        for column in shown.columns:
            assert column.name in shown.table
            assert column.meaning == column_of(column.name, own).meaning
        if len(shown.table):
            heads = table_text(shown).splitlines()[0]
            assert shown.columns[0].heading in heads


@pytest.mark.parametrize("study", STUDIES)
def test_notes_say_what_they_are_about(library: Library, study: str) -> None:
    report = STUDIES[study](library)
    assert report.words(About.CAUTION) == CAUTIONS
    assert len(report.words(About.CHOICE)) == 1
    assert report.words(About.METHOD)
    assert report.words() == (
        *report.words(About.CHOICE), *report.words(About.METHOD), *CAUTIONS,
    )  # fmt: skip


def test_the_page_shows_what_the_studies_give(library: Library, tmp_path: Path) -> None:
    library_page(library, A, tmp_path / "page.html")
    html = (tmp_path / "page.html").read_text(encoding="utf-8")
    report = durations(library, A)
    for shown in report.shown:
        assert shown.title in html
    for column in report.columns["durations"].values():
        assert f"<code>{column.name}</code>" in html
    for caution in CAUTIONS:
        assert html.count(caution) == 1
    assert "33.18" in html  # the mean worked by hand above


def test_tidy_tables_have_the_columns_they_are_said_to_have(
    library: Library, tmp_path: Path
) -> None:
    export_tables(library, Filter(), tmp_path / "tables")
    for name, columns in TABLES.items():
        table = pd.read_csv(tmp_path / "tables" / f"{name}.csv")
        extra = ["pupil_mm"] if name == "cases" else []
        assert sorted(table.columns) == sorted([*columns, *extra])
