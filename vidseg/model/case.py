"""One operation as data: what is known of it, and what came out."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path

from vidseg.model.annotation import Annotation, Sheet
from vidseg.model.consent import Consent
from vidseg.model.edits import Edit, EditMap
from vidseg.model.problem import Problem, Severity
from vidseg.model.procedure import Procedure, vocabulary_file
from vidseg.model.recording import Captions, Recording
from vidseg.model.span import Spans
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

    @property
    def files(self) -> tuple[Path, ...]:
        """All files that go in."""
        others = (self.annotation, self.captions, vocabulary_file(self.procedure))
        return (*self.recordings, *(path for path in others if path is not None))


@dataclass(frozen=True, slots=True)
class Reading:
    """An annotation understood, with or without its recording.

    ``recorded`` is the time that the recording holds, or is taken to. ``timing`` is in operative
    time, ``recording_timing`` in the recording's own; without declared edits they are the same.
    """

    sheet: Sheet
    procedure: Procedure
    annotation: Annotation
    recorded: Spans
    timing: Timing
    recording_timing: Timing
    edits: EditMap
    problems: tuple[Problem, ...]

    @property
    def has_errors(self) -> bool:
        """Whether any problem is an error."""
        return any(p.severity is Severity.ERROR for p in self.problems)


@dataclass(frozen=True, slots=True)
class CaseResult(Reading):
    """What one case came to: its reading, with the recording and the captions."""

    case: Case
    recording: Recording
    captions: Captions | None

    @classmethod
    def of(
        cls, reading: Reading, case: Case, recording: Recording, captions: Captions | None
    ) -> CaseResult:
        """Put a reading beside what it was read with."""
        read = {field.name: getattr(reading, field.name) for field in fields(Reading)}
        return cls(**read, case=case, recording=recording, captions=captions)
