"""The tables that cohort functions read and write: every column, with its meaning.

``STEPS`` has one row per case, annotator and step that occurs; a step without a row was not done
or not marked, which is not zero seconds. ``CASES`` has one row per case; further columns are
covariates. Times are float seconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from vidseg.model.column import Column, columns
from vidseg.model.problem import UsageError

STEPS = columns(
    Column("case", "identifier of the case"),
    Column("annotator", "who marked it"),
    Column("procedure", "code of the vocabulary"),
    Column("step", "code of the step in the vocabulary"),
    Column("name", "name of the step"),
    Column("level", "phase, step or task"),
    Column("segments", "visits: how many times the step was entered"),
    Column("active_s", "time in the step"),
    Column("elapsed_s", "first start to last end"),
    Column("interrupted_s", "elapsed minus active"),
    Column("share", "active time as a part (0 to 1) of the observed time of the case"),
    Column("open_start", "true: the recording does not show the step's start"),
    Column("open_end", "true: the recording does not show the step's end"),
)
CASES = columns(
    Column("case", "identifier of the case"),
    Column("surgeon", "pseudonym of the surgeon"),
    Column("role", "role of the surgeon in the case"),
    Column("case_number", "place of the case in the surgeon's own series, from 1"),
    Column("date", "date of the operation"),
    Column("experience", "level of experience, as the user names it"),
    Column("observed_s", "recorded time less excluded time"),
    Column("complete", "true: the recording shows the operation from start to end"),
)
ANY_PERCENTILE = "p<N>_s"
DISTRIBUTION = columns(
    Column("procedure", "code of the vocabulary"),
    Column("level", "phase, step or task"),
    Column("step", "code of the step"),
    Column("name", "name of the step", "step"),
    Column("cases_total", "cases annotated at this level with this vocabulary"),
    Column("cases", "cases in which the step has observed time; all times below are of these"),
    Column("missing", "cases without the step"),
    Column("unseen", "cases that have the step, but wholly within excluded time: length unknown"),
    Column(
        "censored",
        "cases in which the recording cuts the step off: true length is longer",
        "cut off",
    ),
    Column("visits", "visits in all"),
    Column("visits_mean", "visits per case"),
    Column("revisited", "cases with more than one visit"),
    Column("total_s", "time in the step over all cases"),
    Column("mean_s", "mean; cut-off steps enter as seen, so it is too low where censored > 0"),
    Column("sd_s", "standard deviation, n - 1; 2 cases at least", "sd"),
    Column("min_s", "shortest", "min"),
    Column("q1_s", "first quartile, Hyndman-Fan type 7; 4 cases at least", "q1"),
    Column("median_s", "median; cut-off steps enter as seen"),
    Column("q3_s", "third quartile, type 7; 4 cases at least", "q3"),
    Column("max_s", "longest", "max"),
    Column(
        ANY_PERCENTILE,
        "percentile N, type 7; needs a case beyond it on average: n >= 100 / min(N, 100 - N)",
    ),
    Column("median_low_s", "lower end of the bootstrap percentile interval of the median", "from"),
    Column("median_high_s", "upper end of the same", "to"),
    Column(
        "median_complete_s", "median of the steps not cut off; too low where long ones are cut off"
    ),
    Column("km_q1_s", "first quartile by Kaplan-Meier; only where censored > 0; inf: not reached"),
    Column("km_q1_low_s", "lower end of its interval (log-log, Brookmeyer-Crowley)"),
    Column("km_q1_high_s", "upper end of the same; inf: not reached"),
    Column("km_median_s", "median by Kaplan-Meier; inf: not reached", "K-M median"),
    Column("km_median_low_s", "lower end of its interval"),
    Column("km_median_high_s", "upper end of its interval; inf: not reached"),
    Column("km_q3_s", "third quartile by Kaplan-Meier; inf: not reached"),
    Column("km_q3_low_s", "lower end of its interval"),
    Column("km_q3_high_s", "upper end of its interval; inf: not reached"),
    Column(
        "share_of_steps", "the step's part (0 to 1) of the summed time of all steps of its level"
    ),
    Column("share_median", "median of the cases' shares of observed time"),
    Column("interrupted", "cases in which the step was interrupted"),
    Column("interrupted_total_s", "time away from the step between its visits, over all cases"),
    Column("interrupted_median_s", "median of that time over the interrupted cases"),
    Column("reason", "why figures are missing", "not given, and why"),
)
MEASURES = ("active_s", "elapsed_s")
"""The times of a step that can be studied."""
WHOLE = "whole case"
"""Code, name and level of the pseudo-step that stands for the observed time of a case."""


def check_steps(steps: pd.DataFrame) -> pd.DataFrame:
    """Give ``steps`` back if it can be used. Raises UsageError, naming what is wrong.

    Wanted: all columns of ``STEPS``; times finite and not below zero; one row per case and step,
    which means one annotator per case (see ``one_annotator``).
    """
    _need(steps, STEPS, "steps")
    for column in ("active_s", "elapsed_s", "interrupted_s"):
        times = steps[column].to_numpy(dtype=np.float64)
        if not (np.isfinite(times) & (times >= 0)).all():
            raise UsageError(f"the column {column} holds a value that is no length of time")
    twice = steps.duplicated(["case", "procedure", "level", "step"])
    if twice.any():
        row = steps[twice].iloc[0]
        both = steps[(steps["case"] == row["case"]) & (steps["step"] == row["step"])]
        who = ", ".join(sorted({repr(str(name)) for name in both["annotator"]}))
        raise UsageError(
            f"case {row['case']!r} has step {row['step']!r} more than once (annotators {who}); "
            "choose one annotator per case"
        )
    return steps


def check_cases(cases: pd.DataFrame, columns: Sequence[str] = ()) -> pd.DataFrame:
    """Give ``cases`` back if it has ``case`` and ``columns`` and no case twice, else UsageError."""
    _need(cases, ("case", *columns), "cases")
    twice = cases.loc[cases["case"].duplicated(), "case"]
    if len(twice):
        raise UsageError(f"case {twice.iloc[0]!r} stands twice among the cases")
    return cases


def _need(table: pd.DataFrame, columns: Iterable[str], what: str) -> None:
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise UsageError(f"the table of {what} lacks the columns {', '.join(missing)}")


def one_annotator(steps: pd.DataFrame, preferred: Sequence[str] = ()) -> pd.DataFrame:
    """Keep for each case the rows of one annotator: the first of ``preferred`` that marked it.

    Cases that none of ``preferred`` marked keep theirs if there is only one; UsageError if not.
    """
    place = {name: rank for rank, name in enumerate(preferred)}
    rank = steps["annotator"].map(place).fillna(len(place))
    best = rank.groupby([steps["procedure"], steps["case"]]).transform("min")
    kept = steps[rank == best]
    several = kept.groupby(["procedure", "case"])["annotator"].nunique()
    if (several > 1).any():
        case = several.index[several > 1][0][1]
        raise UsageError(f"case {case!r} has several annotators; say which one to take")
    return kept


def whole_cases(cases: pd.DataFrame, procedure: str = "") -> pd.DataFrame:
    """Give ``STEPS`` rows for the observed time of each case, as if it were one step.

    A case that is not ``complete`` counts as cut off; one without ``observed_s`` has no row.
    """
    check_cases(cases, ("observed_s", "complete"))
    known = cases[cases["observed_s"].notna()]
    return pd.DataFrame(
        {
            "case": known["case"],
            "annotator": "",
            "procedure": procedure,
            "step": WHOLE,
            "name": WHOLE,
            "level": WHOLE,
            "segments": 1,
            "active_s": known["observed_s"].astype(float),
            "elapsed_s": known["observed_s"].astype(float),
            "interrupted_s": 0.0,
            "share": 1.0,
            "open_start": False,
            "open_end": ~known["complete"].astype(bool),
        }
    ).reset_index(drop=True)
