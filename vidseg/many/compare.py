"""Groups of the library's cases side by side, and the same adjusted for case mix."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from vidseg.cohort.adjust import EXPECTED, MODELS, TERMS, adjust
from vidseg.cohort.compare import GROUPS, PAIRS, TESTS, Comparison, compare
from vidseg.cohort.tables import whole_cases
from vidseg.export.shown_table import ShownTable
from vidseg.library.filters import Filter
from vidseg.library.read import Cohort, read_cohort
from vidseg.library.store import Library
from vidseg.many.report import About, Note, Report, chosen, noted
from vidseg.model.column import Column, Columns, columns, picked
from vidseg.model.problem import UsageError

HEAD = columns(
    Column("procedure", "code of the vocabulary"),
    Column("level", "phase, step or task; 'whole case' for the observed time"),
    Column("step", "code of the step"),
    Column("name", "name of the step", "step"),
)
OWN = ("surgeon", "role", "experience", "date", "case_number")


def comparison(
    library: Library,
    wanted: Filter,
    by: str,
    groups: Sequence[str] = (),
    *,
    adjust_for: Sequence[str] = (),
    measure: str = "active_s",
    confidence: float = 0.95,
) -> Report:
    """Compare the groups that a fact or covariate makes. Raises UsageError for an unknown one."""
    cohort = read_cohort(library, wanted)
    found = compared(cohort, wanted, by, groups, measure=measure, confidence=confidence)
    tables = {"groups": found.groups, "tests": found.tests, "pairs": found.pairs}
    schemas: dict[str, Columns] = {
        "groups": HEAD | GROUPS,
        "tests": HEAD | TESTS,
        "pairs": HEAD | PAIRS,
    }
    shown = comparison_shown(found)
    method = [
        f"{found.ungrouped} cases are in none of the groups.",
        f"Intervals: {100 * confidence:g} %. p values are two-sided; those of the tests are "
        "corrected for the number of steps, those of the pairs for the number of pairs (Holm). The "
        "shift is first minus second: the median of all differences (Hodges and Lehmann).",
        "Rank tests take the cases as independent: many cases of few surgeons are not, and p is "
        "then too small. Groups that were not drawn by lot differ in more than their name.",
    ]
    if adjust_for:
        own = _adjustment(cohort, wanted, by, adjust_for, measure, confidence)
        tables, schemas = {**tables, **own.tables}, {**schemas, **own.columns}
        shown, method = (*shown, *own.shown), [*method, *own.words()]
    return Report(tables, schemas, shown, noted(chosen(cohort, wanted), *method))


def compared(
    cohort: Cohort,
    wanted: Filter,
    by: str,
    groups: Sequence[str] = (),
    *,
    measure: str = "active_s",
    confidence: float = 0.95,
) -> Comparison:
    """Compare every step, and the whole case unless steps were asked for."""
    _known(cohort, by)
    return compare(
        _with_whole(cohort, wanted),
        cohort.cases,
        by,
        list(groups) or None,
        measure=measure,
        confidence=confidence,
    )


def _with_whole(cohort: Cohort, wanted: Filter) -> pd.DataFrame:
    if wanted.steps:
        return cohort.steps
    return pd.concat([cohort.steps, whole_cases(cohort.cases)], ignore_index=True)


def _known(cohort: Cohort, name: str) -> None:
    names = [*OWN, *cohort.covariates]
    if name not in names:
        raise UsageError(f"no fact of the cases is named {name!r}; there are {', '.join(names)}")


def comparison_shown(found: Comparison) -> tuple[ShownTable, ...]:
    """Lay a comparison out: groups, tests and pairs."""
    step, group = HEAD["name"], replace(GROUPS["group"], heading=found.by)
    figures = ("cases", "missing", "censored", "mean_s", "median_s", "km_median_s")
    tests = ("test", "statistic", "freedom", "p", "p_holm", "note")
    pairs = (
        *("first", "second", "shift_s", "shift_low_s", "shift_high_s", "mean_difference_s"),
        *("mean_difference_low_s", "mean_difference_high_s", "p_holm", "note"),
    )
    return (
        ShownTable(f"Groups by {found.by}", found.groups, (step, group, *picked(GROUPS, *figures))),
        ShownTable("Tests", found.tests, (step, *picked(TESTS, *tests))),
        ShownTable("Pairs", found.pairs, (step, *picked(PAIRS, *pairs))),
    )


def _adjustment(
    cohort: Cohort,
    wanted: Filter,
    by: str,
    adjust_for: Sequence[str],
    measure: str,
    confidence: float,
) -> Report:
    """Model the steps on the groups and the covariates together."""
    names = [name for name in dict.fromkeys((by, *adjust_for)) if name != "surgeon"]
    for name in names:
        _known(cohort, name)
    found = adjust(
        _with_whole(cohort, wanted),
        cohort.cases,
        names,
        measure=measure,
        confidence=confidence,
    )
    terms = ("term", "ratio", "ratio_low", "ratio_high", "freedom", "p", "note")
    models = (
        *("cases", "missing", "censored", "surgeons", "baseline_s", "surgeon_spread"),
        *("residual_spread", "method", "note"),
    )
    return Report(
        {"models": found.models, "terms": found.terms, "expected": found.expected},
        {"models": HEAD | MODELS, "terms": HEAD | TERMS, "expected": HEAD | EXPECTED},
        (
            ShownTable(
                f"Adjusted for {', '.join(names)}: ratios of typical times",
                found.terms,
                (HEAD["name"], *picked(TERMS, *terms)),
            ),
            ShownTable("Models", found.models, (HEAD["name"], *picked(MODELS, *models))),
        ),
        (
            Note(
                About.METHOD,
                "The model takes log times as normal with the same spread everywhere and surgeons "
                "as a random effect; steps cut off are left out, which favours short ones. It "
                "describes and does not prove a cause.",
            ),
        ),
    )
