"""The library page: durations, curves, comparison and agreement, each where there is something."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from vidseg.cohort.compare import PAIRS
from vidseg.cohort.learning import LearningCurve
from vidseg.cohort.tables import WHOLE
from vidseg.export.figures import (
    MOST_SERIES,
    Series,
    curve_figure,
    durations_figure,
    groups_figure,
    shifts_figure,
)
from vidseg.export.library_page import (
    PageFigure,
    PageSection,
    write_library_page,
)
from vidseg.export.shown_table import ShownTable
from vidseg.library.filters import Filter
from vidseg.library.read import Cohort, read_cohort
from vidseg.library.store import Library
from vidseg.many.agree import agreement
from vidseg.many.compare import compared, comparison_shown
from vidseg.many.curve import CURVE_POINTS, CURVES, curves_of
from vidseg.many.durations import durations_of
from vidseg.many.report import CAUTIONS, About, Report, chosen
from vidseg.model.column import Column, Columns, picked
from vidseg.model.problem import UsageError

MOST_POINTS = 1_000
"""Points of one curve on the page; longer ones are thinned evenly, and that is said."""
CURVES_SHOWN = 3
"""Steps whose curves are shown beside the whole case's: those that take most time in all."""
MOST_GROUPS = 8


def library_page(
    library: Library,
    wanted: Filter,
    out: Path,
    *,
    by: str | None = None,
    measure: str = "active_s",
    title: str = "Library of cases",
) -> None:
    """Write the page. ``by`` names the fact that makes groups; by default experience, role or
    surgeon, the first that makes two to eight."""
    cohort = read_cohort(library, wanted)
    told = chosen(cohort, wanted)
    found = durations_of(cohort, wanted, measure)
    sections = [_durations(found)]
    schemas: dict[str, Columns] = dict(found.columns)
    curve = _curves(cohort, wanted, measure, found)
    if curve is not None:
        sections.append(curve)
        schemas["curves"] = CURVES
    group = by or _default_group(cohort)
    if group is not None:
        sections.append(_comparison(cohort, wanted, group, measure))
        schemas["pairs"] = PAIRS
    try:
        report = agreement(library, wanted)
    except UsageError:
        report = None  # no case has two annotators: there is nothing to show
    if report is not None:
        sections.append(_agreement(report))
        schemas["agreement"] = report.columns["pairs"]
    write_library_page(
        out,
        title=title,
        chosen=told,
        sections=sections,
        cautions=CAUTIONS,
        schemas=schemas,
    )


def _clock(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds == seconds else "unknown"


def _durations(found: Report) -> PageSection:
    figures = []
    for place, shown in enumerate(found.shown, 1):
        words = "; ".join(
            f"{row['name']}: median {_clock(row['median_s'])}, quartiles {_clock(row['q1_s'])} to "
            f"{_clock(row['q3_s'])}, {row['cases']} cases"
            for row in shown.table.to_dict("records")
        )
        figures.append(
            PageFigure(
                shown.title,
                durations_figure(shown.table, f"durations-{place}"),
                f"Box figure of times by step. {words}.",
                shown,
            )
        )
    return PageSection(
        "durations",
        "Durations",
        "Circle: median, with its interval as a thick line. Box: quartiles. Thin line: 5th to 95th "
        "percentile where there are enough cases, else shortest to longest. ≥: some are cut off by "
        "the recording's edge, and the figures are too low. In brackets: cases.",
        figures=tuple(figures),
        notes=found.words(About.METHOD),
    )


def _curves(cohort: Cohort, wanted: Filter, measure: str, found: Report) -> PageSection | None:
    """Show the whole case and the longest steps over case numbers."""
    if cohort.cases["case_number"].notna().sum() == 0:
        return None
    together = cohort.cases["surgeon"].nunique() > MOST_SERIES
    table = found.tables["durations"]
    longest = (
        table[table["level"] != WHOLE].sort_values("total_s", ascending=False)["step"].tolist()
    )
    studied: list[tuple[Cohort, Filter]] = []
    if not wanted.steps:
        studied.append((cohort, wanted))
    for step in dict.fromkeys(longest[: CURVES_SHOWN if not wanted.steps else len(longest)]):
        rows = cohort.steps[cohort.steps["step"] == step]
        studied.append((Cohort(rows, cohort.cases, cohort.covariates), Filter(steps=(str(step),))))
    figures: list[PageFigure] = []
    tables: list[pd.DataFrame] = []
    notes: list[str] = []
    columns: tuple[Column, ...] = ()
    for one, own in studied:
        result = curves_of(one, own, together=together, measure=measure)
        by_step: dict[str, dict[str, LearningCurve]] = {}
        for (step, series), curve in result.curves.items():
            by_step.setdefault(step, {})[series] = curve
        figures += [
            figure
            for curves in by_step.values()
            if (figure := _curve_figure(curves, f"curve-{len(figures) + 1}")) is not None
        ]
        tables.append(result.report.tables["curves"])
        notes += result.report.words(About.METHOD)
        columns = result.report.shown[0].columns
    return PageSection(
        "curves",
        "Time against case number",
        "Each mark is a case; lines are power laws, drawn where ten cases or more give one.",
        figures=tuple(figures),
        tables=(ShownTable("Curves in figures", pd.concat(tables, ignore_index=True), columns),),
        notes=tuple(dict.fromkeys(notes)),
    )


def _curve_figure(curves: Mapping[str, LearningCurve], prefix: str) -> PageFigure | None:
    series: list[Series] = []
    rows: list[pd.DataFrame] = []
    words: list[str] = []
    thinned = False
    for name, curve in curves.items():
        points = curve.points
        if points.empty:
            continue
        if len(points) > MOST_POINTS:
            kept = np.unique(np.linspace(0, len(points) - 1, MOST_POINTS).round().astype(int))
            points, thinned = points.iloc[kept], True
        numbers = points["case_number"].to_numpy(dtype=np.float64)
        line = np.array([])
        law = curve.power_law
        if not law.reason:
            line = np.geomspace(numbers.min(), numbers.max(), 60)
            words.append(
                f"{name}: {law.n} cases, {100 * law.rate.value:.0f} % of the time is left at each "
                f"doubling ({100 * law.rate.low:.0f} to {100 * law.rate.high:.0f} %)"
            )
        else:
            words.append(f"{name}: {law.reason}")
        times = points["time_s"].to_numpy(dtype=np.float64)
        fitted = law.at(line) if len(line) else line
        series.append(Series(name, numbers, times, line, fitted))
        rows.append(points.assign(series=name))
    if not series:
        return None
    first = next(iter(curves.values()))
    caption = first.name[:1].upper() + first.name[1:]
    if thinned:
        caption += f" (every curve thinned evenly to {MOST_POINTS} cases at most)"
    columns = picked(CURVE_POINTS, "series", "case", "case_number", "time_s", "moving_median_s")
    return PageFigure(
        caption,
        curve_figure(series, prefix),
        f"Times of {first.name} against case number. {'; '.join(words)}.",
        ShownTable(f"{caption}: the points", pd.concat(rows, ignore_index=True), columns),
    )


def _default_group(cohort: Cohort) -> str | None:
    for name in ("experience", "role", "surgeon"):
        if 2 <= cohort.cases[name].nunique() <= MOST_GROUPS:
            return name
    return None


def _comparison(cohort: Cohort, wanted: Filter, by: str, measure: str) -> PageSection:
    found = compared(cohort, wanted, by, measure=measure)
    if len(found.names) > MOST_GROUPS:
        raise UsageError(
            f"{by} makes {len(found.names)} groups; a page shows {MOST_GROUPS} at most"
        )
    groups, tests, pairs = comparison_shown(found)
    steps = found.groups[found.groups["step"] != WHOLE]
    words = "; ".join(
        f"{row['name']}, {row['group']}: {_clock(row['median_s'])} ({row['cases']} cases)"
        for row in found.groups.to_dict("records")
    )
    figures = [
        PageFigure(
            f"Medians by {by}",
            groups_figure(steps, [str(name) for name in found.names], "groups-1"),
            f"Medians of groups by step. {words}.",
            groups,
        )
    ]
    if len(found.names) == 2:
        first, second = found.names
        own = found.pairs[found.pairs["step"] != WHOLE]
        words = "; ".join(
            f"{row['name']}: {_clock(row['shift_s'])} ({_clock(row['shift_low_s'])} to "
            f"{_clock(row['shift_high_s'])})"
            for row in own.to_dict("records")
        )
        figures.append(
            PageFigure(
                f"Shift between the groups with its 95 % interval: {first} minus {second}",
                shifts_figure(own, {"first": str(first), "second": str(second)}, "groups-2"),
                f"Shifts by step, {first} minus {second}. {words}.",
                pairs,
            )
        )
    return PageSection(
        "comparison",
        f"Comparison by {by}",
        f"{found.ungrouped} cases are in none of the groups.",
        figures=tuple(figures),
        tables=(tests,),
        notes=(
            "Rank tests take the cases as independent: many cases of few surgeons are not, and p "
            "is then too small. p values are corrected for their number (Holm).",
            "Groups that were not drawn by lot differ in more than their name; `vidseg library "
            "compare --adjust` takes measured differences into account.",
        ),
    )


def _agreement(report: Report) -> PageSection:
    return PageSection(
        "agreement",
        "Agreement of annotators",
        " ".join(report.words(About.CHOICE)),
        tables=tuple(shown for shown in report.shown if len(shown.table)),
        notes=report.words(About.METHOD),
    )
