"""How the duration of a step goes with the case number, all views of it together.

A falling curve shows less time, not more skill: case mix, supervision and who does which part of
an operation change along with experience.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from vidseg.cohort.bins import Experience, experience_bins
from vidseg.cohort.changes import Changes, level_changes
from vidseg.cohort.select import level_of, levels
from vidseg.cohort.trend import (
    PowerLaw,
    Slope,
    Trend,
    mann_kendall,
    moving_median,
    power_law,
    theil_sen,
)
from vidseg.model.column import Column, columns
from vidseg.model.problem import UsageError

POINTS = columns(
    Column("case", "identifier of the case"),
    Column("surgeon", "pseudonym of the surgeon"),
    Column("case_number", "place of the case in the surgeon's own series, from 1"),
    Column("time_s", "duration of the step"),
    Column("moving_median_s", "median over a window of cases around this one"),
)


@dataclass(frozen=True, slots=True)
class LearningCurve:
    """One step over case numbers. ``points`` has the columns of ``POINTS``, by case number.

    ``missing`` cases lack the step, ``unseen`` have it wholly within excluded time,
    ``unnumbered`` lack a case number, ``censored`` are cut off by the recording's edge: none of
    them enters. ``notes`` say what to bear in mind.
    """

    procedure: str
    step: str
    name: str
    surgeon: str | None
    points: pd.DataFrame
    missing: int
    unseen: int
    unnumbered: int
    censored: int
    power_law: PowerLaw
    slope: Slope
    trend: Trend
    changes: Changes
    experience: Experience
    notes: tuple[str, ...]


def learning_curve(
    steps: pd.DataFrame,
    cases: pd.DataFrame,
    step: str,
    *,
    procedure: str | None = None,
    surgeon: str | None = None,
    measure: str = "active_s",
    window: int = 9,
    bin_size: int = 50,
    confidence: float = 0.95,
) -> LearningCurve:
    """Study one step over the case numbers of one surgeon, or of all of them together.

    Raises UsageError for tables, a step or a surgeon that cannot be used.
    """
    found = levels(steps, cases, ("surgeon", "case_number"), measure)
    level = level_of(found, step, procedure)
    table = level.times(step, measure)
    if surgeon is not None:
        table = table[table["surgeon"] == surgeon]
        if table.empty:
            raise UsageError(
                f"no case of surgeon {surgeon!r} is annotated at the level of {step!r}"
            )
    seen = table[table["time_s"].notna()]
    numbered = seen[seen["case_number"].notna()]
    _check_numbers(numbered["case_number"])
    points = (
        numbered[~numbered["censored"]]
        .sort_values("case_number", kind="stable")
        .reset_index()[["case", "surgeon", "case_number", "time_s"]]
    )
    numbers = points["case_number"].to_numpy(dtype=np.float64).astype(np.int64)
    times = points["time_s"].to_numpy(dtype=np.float64)
    points = points.assign(case_number=numbers, moving_median_s=moving_median(times, window))
    unseen = int(table["unseen"].sum())
    fit = power_law(numbers, times, confidence)
    censored = int(numbered["censored"].sum())
    return LearningCurve(
        procedure=level.procedure,
        step=step,
        name=dict(level.steps())[step],
        surgeon=surgeon,
        points=points,
        missing=int(table["time_s"].isna().sum()) - unseen,
        unseen=unseen,
        unnumbered=len(seen) - len(numbered),
        censored=censored,
        power_law=fit,
        slope=theil_sen(numbers, times, confidence),
        trend=mann_kendall(numbers, times),
        changes=level_changes(numbers, times),
        experience=experience_bins(numbers, times, bin_size),
        notes=_notes(points, fit),
    )


def _check_numbers(numbers: pd.Series) -> None:
    values = pd.to_numeric(numbers, errors="coerce")
    bad = numbers[values.isna() | (values < 1) | (values % 1 != 0)]
    if len(bad):
        raise UsageError(
            f"case {bad.index[0]!r} has case number {bad.iloc[0]}; numbers are whole, from 1"
        )


def _notes(points: pd.DataFrame, fit: PowerLaw) -> tuple[str, ...]:
    notes: list[str] = []
    surgeons = points["surgeon"].nunique()
    if surgeons > 1:
        notes.append(
            f"{surgeons} surgeons are taken together: their cases are not independent, and who "
            "contributes late cases shapes the curve."
        )
    if fit.neighbours > 2 / np.sqrt(max(fit.n, 1)):
        notes.append(
            f"Neighbouring cases resemble each other (correlation {fit.neighbours:.2f}): "
            "intervals are too narrow, and changes are found too easily."
        )
    return tuple(notes)
