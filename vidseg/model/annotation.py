"""What an annotator wrote (marks, rows as written) and what it means (segments and events)."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from vidseg.model.problem import Problem
from vidseg.model.procedure import Step
from vidseg.model.span import Span, Spans


@dataclass(frozen=True, slots=True)
class Frame:
    """A moment written as a frame number, from 0."""

    number: int


@dataclass(frozen=True, slots=True)
class Timecode:
    """A moment written as an SMPTE label; ``;`` before the frames means drop-frame."""

    text: str


@dataclass(frozen=True, slots=True)
class InPart:
    """A moment written on the clock of one part: ``part`` counts from 1, ``at`` in ns."""

    part: int
    at: int


TO_BE_CONFIRMED = "draft: to be confirmed"
"""How the note of a row begins that a draft proposed and nobody has confirmed."""

Moment = int | Frame | Timecode | InPart
"""A moment as written: nanoseconds, a frame number, a timecode label, or a time in a part."""


class Edge(StrEnum):
    """What stands in place of a moment: OPEN says the step goes on beyond the recording."""

    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Mark:
    """One row as written, before anything is known of vocabulary or recording.

    ``end`` is None where the row has no end (a point, or a list of starts only). ``Edge.OPEN``
    as start or end says that the recording does not show that edge. ``attributes`` holds the
    extra columns, in file order. ``line`` counts from 1 in ``source``.
    """

    label: str
    start: Moment | Edge
    end: Moment | Edge | None
    note: str = ""
    source: str = ""
    line: int | None = None
    attributes: tuple[tuple[str, str], ...] = ()

    @property
    def unconfirmed(self) -> bool:
        """Whether a draft proposed this row and nobody has confirmed it."""
        return self.note == TO_BE_CONFIRMED or self.note.startswith(f"{TO_BE_CONFIRMED}; ")


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that one annotation file says, rows and header facts, and the problems met reading it.

    ``starts_only`` is True for lists in which a row runs until the next one starts.
    ``procedure``, ``case`` and ``annotator`` are what the file itself names, if anything.
    """

    source: str
    marks: tuple[Mark, ...]
    problems: tuple[Problem, ...] = ()
    starts_only: bool = False
    procedure: str | None = None
    case: str | None = None
    annotator: str | None = None

    @property
    def in_frames(self) -> bool:
        """Whether a row is written as frame number or timecode, which a frame rate places."""
        return any(
            isinstance(moment, Frame | Timecode)
            for mark in self.marks
            for moment in (mark.start, mark.end)
        )


@dataclass(frozen=True, slots=True)
class Segment:
    """One visit to a step: a known step with both ends, in case time, snapped to frames.

    ``open_start`` / ``open_end``: the recording does not show that edge, so the true length is
    unknown and at least ``span.length``.
    """

    step: Step
    span: Span
    note: str = ""
    line: int | None = None
    open_start: bool = False
    open_end: bool = False
    attributes: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Event:
    """A point event at ``at`` (ns, case time)."""

    step: Step
    at: int
    note: str = ""
    line: int | None = None
    attributes: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Cue:
    """One caption: ``text`` (may hold line breaks) shown during ``span`` (ns)."""

    span: Span
    text: str


@dataclass(frozen=True, slots=True)
class Annotation:
    """The meaning of a sheet: segments sorted by start, events by time, excluded spans."""

    case: str
    procedure: str
    annotator: str = ""
    source: str = ""
    segments: tuple[Segment, ...] = ()
    events: tuple[Event, ...] = ()
    excluded: tuple[Segment, ...] = field(default=())

    @property
    def excluded_spans(self) -> Spans:
        """The excluded time as one set, nested and repeated spans counted once."""
        return Spans(segment.span for segment in self.excluded)
