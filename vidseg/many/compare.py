"""Groups of the library's cases side by side, and the same adjusted for case mix."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from vidseg.cohort.adjust import EXPECTED, MODELS, TERMS, adjust
from vidseg.cohort.compare import GROUPS, PAIRS, TESTS, Comparison, compare
from vidseg.cohort.tables import whole_cases
from vidseg.library.filters import Filter
from vidseg.library.read import Cohort, read_cohort
from vidseg.library.store import Library
from vidseg.many.report import CAUTIONS, Report, Shown, chosen
from vidseg.model.problem import UsageError

HEAD = {
    "procedure": "code of the vocabulary",
    "level": "phase, step or task; 'whole case' for the observed time",
    "step": "code of the step",
    "name": "name of the step",
}
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
    tables: dict[str, pd.DataFrame] = {
        "groups": found.groups,
        "tests": found.tests,
        "pairs": found.pairs,
    }
    meanings: dict[str, Mapping[str, str]] = {
        "groups": HEAD | GROUPS,
        "tests": HEAD | TESTS,
        "pairs": HEAD | PAIRS,
    }
    screen = list(comparison_screen(found))
    notes = [
        chosen(cohort, wanted),
        f"{found.ungrouped} cases are in none of the groups.",
        f"Intervals: {100 * confidence:g} %. p values are two-sided; those of the tests are "
        "corrected for the number of steps, those of the pairs for the number of pairs (Holm). The "
        "shift is first minus second: the median of all differences (Hodges and Lehmann).",
        "Rank tests take the cases as independent: many cases of few surgeons are not, and p is "
        "then too small. Groups that were not drawn by lot differ in more than their name.",
    ]
    if adjust_for:
        _add_adjustment(
            cohort, wanted, by, adjust_for, measure, confidence, tables, meanings, screen, notes
        )
    return Report(tables, meanings, tuple(screen), (*notes, *CAUTIONS))


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


def comparison_screen(found: Comparison) -> tuple[Shown, ...]:
    """Lay a comparison out for the screen."""
    return (
        Shown(
            f"Groups by {found.by}",
            found.groups,
            {
                "name": "step",
                "group": found.by,
                "cases": "cases",
                "missing": "missing",
                "censored": "cut off",
                "mean_s": "mean s",
                "median_s": "median s",
                "km_median_s": "K-M median",
            },
        ),
        Shown(
            "Tests",
            found.tests,
            {
                "name": "step",
                "test": "test",
                "statistic": "U, H or chi²",
                "freedom": "freedom",
                "p": "p",
                "p_holm": "p, Holm",
                "note": "note",
            },
        ),
        Shown(
            "Pairs",
            found.pairs,
            {
                "name": "step",
                "first": "first",
                "second": "second",
                "shift_s": "shift s",
                "shift_low_s": "from",
                "shift_high_s": "to",
                "mean_difference_s": "mean difference s",
                "mean_difference_low_s": "from",
                "mean_difference_high_s": "to",
                "p_holm": "p, Holm",
                "note": "note",
            },
        ),
    )


def _add_adjustment(
    cohort: Cohort,
    wanted: Filter,
    by: str,
    adjust_for: Sequence[str],
    measure: str,
    confidence: float,
    tables: dict[str, pd.DataFrame],
    meanings: dict[str, Mapping[str, str]],
    screen: list[Shown],
    notes: list[str],
) -> None:
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
    tables |= {"models": found.models, "terms": found.terms, "expected": found.expected}
    meanings |= {"models": HEAD | MODELS, "terms": HEAD | TERMS, "expected": HEAD | EXPECTED}
    screen += [
        Shown(
            f"Adjusted for {', '.join(names)}: ratios of typical times",
            found.terms,
            {
                "name": "step",
                "term": "term",
                "ratio": "ratio",
                "ratio_low": "from",
                "ratio_high": "to",
                "freedom": "freedom",
                "p": "p",
                "note": "note",
            },
        ),
        Shown(
            "Models",
            found.models,
            {
                "name": "step",
                "cases": "cases",
                "missing": "missing",
                "censored": "cut off",
                "surgeons": "surgeons",
                "baseline_s": "baseline s",
                "surgeon_spread": "spread of surgeons",
                "residual_spread": "of cases",
                "method": "method",
                "note": "note",
            },
        ),
    ]
    notes.append(
        "The model takes log times as normal with the same spread everywhere and surgeons as a "
        "random effect; steps cut off are left out, which favours short ones. It describes and "
        "does not prove a cause."
    )
