"""What can be wrong: problems in data (values, collected) and exceptions (work stops).

::

    VidsegError
    ├── FormatError(source, line, reason)   a file cannot be read as what it claims to be
    ├── MediaError(path, reason)            a recording cannot be opened, read or written
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


@dataclass(frozen=True, slots=True)
class Problem:
    """One finding in data. ``line`` counts from 1 in ``source``; ``span`` is in case time (ns)."""

    code: str
    severity: Severity
    message: str
    source: str = ""
    line: int | None = None
    span: Span | None = None

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
