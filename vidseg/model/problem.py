"""What can be wrong: problems in data (values, collected) and exceptions (work stops).

::

    VidsegError
    ├── FormatError(source, line, reason)   a file cannot be read as what it claims to be
    ├── MediaError(path, reason)            a recording cannot be opened, read or written
    ├── SharingError(problems)              something that may identify someone would leave
    ├── LibraryError(reason)                the library of cases refuses
    └── UsageError(reason)                  a request that cannot be met as asked
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from vidseg.model.span import Span


class Severity(StrEnum):
    """ERROR makes results untrustworthy (exit code 1); WARNING wants a look; NOTE informs."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


ERRORS = {
    "bad-row": "a row that cannot be read: wrong number of cells, or not the format's form",
    "bad-time": "a cell or line that should hold a time does not",
    "ambiguous-time": "a spreadsheet cell that may mean minutes or hours",
    "bad-cue": "a caption cue that is malformed",
    "cue-order": "a WebVTT cue that starts before the one above it",
    "several-cases": "a table that holds more than one case where one is expected",
    "no-label": "a row without a step",
    "no-start": "a row without a start",
    "no-end": "a step with a start but no end, in a file that has ends",
    "length-disagrees": "start, end and length of a row do not fit together",
    "unknown-step": "a label that is not in the vocabulary",
    "near-miss-step": "a label that is nearly one of the vocabulary's",
    "ends-before-start": "a row whose end is not after its start",
    "shorter-than-a-frame": "a row that holds no frame of the recording",
    "outside-recording": "a time before the start or after the end of the recording",
    "bad-timecode": "a timecode label that does not exist at the recording's rate",
    "no-clock": "a row that cannot be placed without the recording, its rate or its length",
    "no-steps": "no row could be used",
    "duplicate-row": "the same step with the same times twice",
    "forbidden-overlap": "two steps of one level at the same time, against the vocabulary",
    "damaged-clip": "a clip that shows pictures which the recording holds damaged",
}
WARNINGS = {
    "joined-without-clock": "parts whose start times are not known; they are taken to touch",
    "parts-overlap": "a part that repeats the end of the one before; its repeat is left out",
    "chapters-not-joined": "parts that cannot be joined by copying into one chaptered file",
    "in-inserted-material": "a row that lies in material declared as inserted",
    "unexplained-finding": "an audit finding that no declared edit or excluded span explains",
    "unknown-removal": "a step that touches footage removed at unknown length: at least so long",
    "loose-cue": "a caption cue that is read although its form is not quite right",
    "several-editions": "more than one set of Matroska chapters; the default one is read",
    "order-violated": "a step that starts before one it should follow",
    "rows-not-in-order": "a list of starts whose rows are not in order of time",
    "unexpected-repeat": "a step visited again that by the vocabulary occurs once",
    "same-step-again": "two rows of one step without a break; kept as two visits",
    "required-step-missing": "a step the vocabulary requires has no row",
    "implausible-length": "a step shorter or longer in all than the vocabulary's bounds",
    "outside-parent": "a step that lies partly outside its phase",
    "not-confirmed": "rows that a draft proposed and nobody has confirmed; they count like others",
    "event-with-end": "a point event with an end, which is not used",
    "identifying-metadata": "a field or file name of the recording that may identify someone",
    "identifying-text": "words of a note, caption or name that may identify someone",
    "doubtful-clock": "something in the recording that makes its times doubtful",
}
NOTES = {
    "unread-part": "a part of a file that an annotation has no place for",
    "unlabelled-gap": "more than a minute without a label between the first and last step",
    "between-frames": "written times that fall between frames and are moved to the nearest",
    "at-recording-edge": "a step that touches the recording's edge and is taken as complete",
    "poor-still": "no clear frame was found for the still of a step",
}

CODES: dict[str, tuple[Severity, str]] = {
    code: (severity, meaning)
    for severity, codes in (
        (Severity.ERROR, ERRORS),
        (Severity.WARNING, WARNINGS),
        (Severity.NOTE, NOTES),
    )
    for code, meaning in codes.items()
}
"""Every problem code, with its severity and meaning. Codes are permanent."""

GUIDE = {
    "chapters-not-joined": "formats",
    "damaged-clip": "media",
    "doubtful-clock": "media",
    "identifying-metadata": "sharing",
    "identifying-text": "sharing",
    "in-inserted-material": "formats",
    "joined-without-clock": "formats",
    "not-confirmed": "drafting",
    "parts-overlap": "formats",
    "unexplained-finding": "media",
    "unknown-removal": "formats",
}
"""The page of the guide that says more on a code; ``problems`` where none is named."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One finding in data. ``line`` counts from 1 in ``source``; ``span`` is in case time (ns).

    ``code`` is permanent and listed in ``CODES``, which also fixes its severity: see ``of``.
    """

    code: str
    severity: Severity
    message: str
    source: str = ""
    line: int | None = None
    span: Span | None = None

    @classmethod
    def of(
        cls,
        code: str,
        message: str,
        source: str = "",
        line: int | None = None,
        span: Span | None = None,
    ) -> Problem:
        """Make a problem with the severity its code has. Raises KeyError for an unknown code."""
        return cls(code, CODES[code][0], message, source, line, span)

    def __str__(self) -> str:
        place = self.source + (f":{self.line}" if self.line is not None else "")
        return f"{place + ': ' if place else ''}{self.severity} [{self.code}] {self.message}"


class VidsegError(Exception):
    """Base of all exceptions that a user can mend."""


class FormatError(VidsegError):
    """A file cannot be read as what it claims to be."""

    def __init__(self, source: str, line: int | None, reason: str) -> None:
        super().__init__(source, line, reason)
        self.source, self.line, self.reason = source, line, reason

    def __str__(self) -> str:
        place = self.source + (f":{self.line}" if self.line is not None else "")
        return f"{place}: {self.reason}"


class MediaError(VidsegError):
    """A recording cannot be opened, read or written."""

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return f"{self.path}: {self.reason}"


class SharingError(VidsegError):
    """Something that may identify someone would stand in what is shared; it was not written."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__(problems)
        self.problems = problems

    def __str__(self) -> str:
        return "; ".join(map(str, self.problems))


class LibraryError(VidsegError):
    """The library of cases refuses."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason

    def __str__(self) -> str:
        return self.reason


class UsageError(VidsegError):
    """A request that cannot be met as asked: options that clash, a step that does not exist."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason

    def __str__(self) -> str:
        return self.reason
