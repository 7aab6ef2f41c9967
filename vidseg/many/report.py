"""What a study of many cases gives: tables with the meaning of every column, and what to heed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from vidseg.library.filters import Filter
from vidseg.library.read import Cohort

CAUTIONS = (
    "Time is not skill: a small pupil, a dense nucleus or teaching costs minutes.",
    "Small samples mislead: look at the numbers of cases and the intervals before the figures.",
    "Not for credentialing, grading or treatment; vidseg is not a medical device.",
)
"""These go with every output."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A table on the screen: its columns by name with their headings."""

    title: str
    table: pd.DataFrame
    columns: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Report:
    """``tables`` by name, ``meanings`` of their columns, what the screen shows, and notes."""

    tables: Mapping[str, pd.DataFrame]
    meanings: Mapping[str, Mapping[str, str]]
    screen: tuple[Shown, ...]
    notes: tuple[str, ...]


def chosen(cohort: Cohort, wanted: Filter) -> str:
    """Say how many cases were chosen and what is not known of them."""
    cases = cohort.cases
    parts = [f"{len(cases)} cases ({wanted.words()})"]
    if wanted.annotators:
        parts.append("one annotator per case, in the order named")
    for name, what in (
        ("surgeon", "surgeon"),
        ("case_number", "case number"),
    ):
        missing = int(cases[name].isna().sum())
        if missing:
            parts.append(f"{missing} without a {what}")
    incomplete = int((~cases["complete"]).sum())
    if incomplete:
        parts.append(f"{incomplete} whose recording is not complete")
    return "; ".join(parts) + "."
