"""One annotated case as a library keeps it: facts of the case, times, visits, events. No notes.

Notes and file names are left behind on purpose: they may identify a patient.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from vidseg.model.annotation import Annotation
from vidseg.model.span import Spans
from vidseg.model.timing import StepTiming

_DATE = re.compile(r"\d{4}(-\d\d(-\d\d)?)?")


@dataclass(frozen=True, slots=True)
class CaseFacts:
    """What is told of a case; empty text and None mean "not told".

    ``surgeon`` is a pseudonym. ``date`` is ``YYYY``, ``YYYY-MM`` or ``YYYY-MM-DD``. ``complete``:
    the recording shows the operation from start to end. ``covariates`` as (name, value).
    """

    surgeon: str = ""
    role: str = ""
    experience: str = ""
    case_number: int | None = None
    date: str = ""
    complete: bool | None = None
    covariates: tuple[tuple[str, str], ...] = ()


def facts_from(
    surgeon: str, role: str, case_number: int | None, covariates: Mapping[str, str]
) -> CaseFacts:
    """Give facts; the covariates ``experience``, ``date`` and ``complete`` get places of their own.

    A date or completeness that cannot be understood stays a covariate.
    """
    left = dict(covariates)
    experience = left.pop("experience", "")
    complete = {"true": True, "false": False}.get(left.get("complete", ""))
    if complete is not None:
        del left["complete"]
    date = left.get("date", "")
    if _DATE.fullmatch(date):
        del left["date"]
    else:
        date = ""
    return CaseFacts(surgeon, role, experience, case_number, date, complete, tuple(left.items()))


@dataclass(frozen=True, slots=True)
class Record:
    """One annotation of one case, timed.

    ``annotation`` names case, vocabulary and annotator and lies on the recording's clock, as
    ``recorded`` does; ``steps`` and the sums (ns) are in operative time. ``order`` lists the
    vocabulary's codes in its order.
    """

    annotation: Annotation
    procedure_name: str
    order: tuple[str, ...]
    recorded: Spans
    observed_ns: int
    excluded_ns: int
    steps: tuple[StepTiming, ...]
    facts: CaseFacts = field(default_factory=CaseFacts)
