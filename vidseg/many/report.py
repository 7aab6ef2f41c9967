"""What a study of many cases gives: tables with the meaning of every column, and what to heed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import pandas as pd

from vidseg.export.shown_table import ShownTable
from vidseg.library.filters import Filter
from vidseg.library.read import Cohort
from vidseg.model.column import Columns

CAUTIONS = (
    "Time is not skill: a small pupil, a dense nucleus or teaching costs minutes.",
    "Small samples mislead: look at the numbers of cases and the intervals before the figures.",
    "Not for credentialing, grading or treatment; vidseg is not a medical device.",
)
"""These go with every output."""


class About(StrEnum):
    """What a note is about."""

    CHOICE = "choice"
    """Which cases were studied."""
    METHOD = "method"
    """How the figures were made, and what they suppose."""
    CAUTION = "caution"
    """What no figure tells."""


@dataclass(frozen=True, slots=True)
class Note:
    """A sentence that goes along with figures."""

    about: About
    text: str


@dataclass(frozen=True, slots=True)
class Report:
    """``tables`` by name, their ``columns``, what page and screen show of them, and notes."""

    tables: Mapping[str, pd.DataFrame]
    columns: Mapping[str, Columns]
    shown: tuple[ShownTable, ...]
    notes: tuple[Note, ...]

    def words(self, *about: About) -> tuple[str, ...]:
        """Give the notes about these matters, of all without any."""
        return tuple(note.text for note in self.notes if not about or note.about in about)


def noted(choice: str, *method: str) -> tuple[Note, ...]:
    """Make the notes of a report: which cases, how, and the cautions."""
    return (
        *([Note(About.CHOICE, choice)] if choice else []),
        *(Note(About.METHOD, text) for text in method),
        *(Note(About.CAUTION, text) for text in CAUTIONS),
    )


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
