"""One operation as data: what is known of it, and what came out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from vidseg.model.annotation import Annotation, Sheet
from vidseg.model.consent import Consent
from vidseg.model.edits import Edit, EditMap
from vidseg.model.problem import Problem, Severity
from vidseg.model.procedure import Procedure
from vidseg.model.recording import Captions, Recording
from vidseg.model.timing import Timing


@dataclass(frozen=True, slots=True)
class Case:
    """What the user gives: paths and facts, nothing opened yet. No patient identifier belongs
    here: ``id`` and ``surgeon`` are pseudonyms of the user's choosing.

    ``starts`` (ns, from any common origin) says when each recording began, where that is known;
    ``edits`` what was done to the recording afterwards. ``consent`` None: nothing is written of it.
    """

    id: str
    recordings: tuple[Path, ...]
    annotation: Path | None
    procedure: str | None = None
    captions: Path | None = None
    starts: tuple[int, ...] = ()
    edits: tuple[Edit, ...] = ()
    surgeon: str = ""
    role: str = ""
    case_number: int | None = None
    covariates: tuple[tuple[str, str], ...] = ()
    consent: Consent | None = None


@dataclass(frozen=True, slots=True)
class CaseResult:
    """What one case came to.

    ``timing`` is in operative time, ``recording_timing`` in the recording's own; without declared
    edits they are the same.
    """

    case: Case
    procedure: Procedure
    recording: Recording
    sheet: Sheet
    annotation: Annotation
    timing: Timing
    recording_timing: Timing
    edits: EditMap
    captions: Captions | None
    problems: tuple[Problem, ...]

    @property
    def has_errors(self) -> bool:
        """Whether any problem is an error."""
        return any(p.severity is Severity.ERROR for p in self.problems)
