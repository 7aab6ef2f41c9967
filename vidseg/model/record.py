"""One annotated case as a library keeps it: facts of the case, times, visits, events. No notes.

Notes and file names are left behind on purpose: they may identify a patient.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from vidseg.model.annotation import Annotation
from vidseg.model.span import Spans
from vidseg.model.timing import StepTiming


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
