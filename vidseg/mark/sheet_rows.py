"""Rows ↔ the marks of an annotation file. What the user did not change is written as it was.

A file may write a moment as a timecode, a frame or a time between frames. The row holds where that
lies on the case clock, on a frame's start; what was written is kept beside it, and written again
as long as the row still has that value.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from vidseg.mark.rows import MarkRow, Rows
from vidseg.measure.case.resolve import resolve
from vidseg.measure.case.ruler import SNAP_TOLERANCE_NS, Clock, Ruler
from vidseg.model.annotation import (
    TO_BE_CONFIRMED,
    Edge,
    Frame,
    InPart,
    Mark,
    Moment,
    Sheet,
    Timecode,
)
from vidseg.model.procedure import Kind, Procedure
from vidseg.model.recording import Recording


@dataclass(frozen=True, slots=True)
class Origin:
    """What a row was in the file, and the row made of it."""

    row: MarkRow
    label: str
    start: Moment | Edge | None
    end: Moment | Edge | None


Origins = Mapping[str, Origin]


@dataclass(frozen=True, slots=True)
class Desk:
    """What rows are laid on: recording, vocabulary, and the clock that files are written on."""

    recording: Recording
    procedure: Procedure = field(repr=False)
    clock: Clock = "recording"

    def place(self, moment: Moment | Edge | None) -> int | None:
        """Give the frame boundary of a written moment (ns); None where it cannot be placed."""
        if moment is None or isinstance(moment, Edge):
            return None
        try:
            at = Ruler(self.recording, clock=self.clock).place(moment)
        except (IndexError, LookupError, ValueError):
            return None
        last = self.recording.parts[-1].rate
        slack = max(SNAP_TOLERANCE_NS, int(500_000_000 / last) if last else 0)
        if at < 0 or at > self.recording.length + slack:
            return None
        return self.recording.snap(at)

    def moment(self, at_ns: int) -> Moment:
        """Give the moment to write for a time (ns): on the timecode clock a frame number."""
        return at_ns if self.clock == "recording" else Frame(self.recording.frame_at(at_ns))

    def running(self, row: MarkRow) -> bool:
        """Say whether a row is a step that has begun and not ended."""
        step = self.procedure.find(row.label)
        return (
            row.end_ns is None
            and row.start_ns is not None
            and step is not None
            and step.kind is not Kind.EVENT
        )


def new_id() -> str:
    """Make an id for a row."""
    return secrets.token_hex(8)


def with_ends(sheet: Sheet, desk: Desk) -> Sheet:
    """Give a list of starts an end for each row; any other sheet as it is.

    Rows that only say that no step is running have done their work then, and are left out.
    """
    if not sheet.starts_only:
        return sheet
    numbered = replace(
        sheet, marks=tuple(replace(mark, line=n) for n, mark in enumerate(sheet.marks))
    )
    annotation, _ = resolve(numbered, desk.procedure, desk.recording, clock=desk.clock)
    ends = {
        row.line: row.span.end
        for row in (*annotation.segments, *annotation.excluded)
        if row.line is not None
    }
    marks = tuple(
        replace(mark, end=desk.moment(ends[number]) if number in ends else mark.end)
        for number, mark in enumerate(sheet.marks)
        if not desk.procedure.is_idle(mark.label)
    )
    return replace(sheet, marks=marks, starts_only=False)


def origins_of(sheet: Sheet, desk: Desk) -> dict[str, Origin]:
    """Make a row of every mark, each with a new id."""
    found = [_origin(mark, desk) for mark in with_ends(sheet, desk).marks]
    return {origin.row.id: origin for origin in found}


def _origin(mark: Mark, desk: Desk) -> Origin:
    step = desk.procedure.find(mark.label)
    draft = mark.unconfirmed
    row = MarkRow(
        new_id(),
        step.code if step is not None else mark.label,
        0 if mark.start is Edge.OPEN else desk.place(mark.start),
        desk.recording.length if mark.end is Edge.OPEN else desk.place(mark.end),
        mark.start is Edge.OPEN,
        mark.end is Edge.OPEN,
        mark.note[len(TO_BE_CONFIRMED) + 2 :] if draft else mark.note,
        mark.attributes,
        draft,
    )
    return Origin(row, mark.label, mark.start, mark.end)


def mark_of(row: MarkRow, origin: Origin | None, desk: Desk, source: str, line: int) -> Mark | None:
    """Write a row as a mark; None for a row whose start was never placed and is not known."""
    label = row.label
    start: Moment | Edge | None = None if row.start_ns is None else desk.moment(row.start_ns)
    end: Moment | Edge | None = None if row.end_ns is None else desk.moment(row.end_ns)
    if origin is not None:
        was = origin.row
        label = origin.label if row.label == was.label else label
        start = origin.start if row.start_ns == was.start_ns else start
        end = origin.end if row.end_ns == was.end_ns else end
    if row.open_start or (start is Edge.OPEN and row.start_ns is not None):
        start = Edge.OPEN if row.open_start else desk.moment(row.start_ns or 0)
    if row.open_end or end is Edge.OPEN:
        end = Edge.OPEN if row.open_end else desk.moment(row.end_ns or 0)
    if start is None:
        return None
    note = "; ".join(filter(None, (TO_BE_CONFIRMED, row.note))) if row.draft else row.note
    return Mark(label, start, end, note, source, line, row.attributes)


def marks_of(
    rows: Iterable[MarkRow], origins: Origins, desk: Desk, source: str
) -> tuple[Mark, ...]:
    """Write rows as marks, in their order; ``line`` counts them from 1."""
    made = [mark_of(row, origins.get(row.id), desk, source, n) for n, row in enumerate(rows, 1)]
    return tuple(mark for mark in made if mark is not None)


def adopted(origins: Origins, found: Origins, rows: Rows, asked: Iterable[str]) -> Origins:
    """Take over what a changed file holds of its rows.

    A row that is asked about, and of which only the file knew when it began, keeps what it had:
    else its start would be lost where it is kept.
    """
    kept = {name for name in asked if name in rows and rows[name].start_ns is None}
    return {**origins, **{name: one for name, one in found.items() if name not in kept}}


def origin_json(origin: Origin) -> list[Any]:
    """Give what the file held of a row as JSON data, exactly."""
    return [origin.label, _moment_json(origin.start), _moment_json(origin.end)]


def origin_from(data: list[Any], row: MarkRow) -> Origin:
    """Read back what ``origin_json`` gave. Raises ValueError or KeyError for anything else."""
    label, start, end = data
    return Origin(row, label, _moment_from(start), _moment_from(end))


def _moment_json(moment: Moment | Edge | None) -> object:
    match moment:
        case Frame(number):
            return {"frame": number}
        case Timecode(text):
            return {"timecode": text}
        case InPart(part, at):
            return {"part": part, "at": at}
        case Edge():
            return moment.value
    return moment


def _moment_from(data: Any) -> Moment | Edge | None:
    if data is None or isinstance(data, int):
        return data
    if isinstance(data, str):
        return Edge(data)
    if "frame" in data:
        return Frame(data["frame"])
    if "timecode" in data:
        return Timecode(data["timecode"])
    return InPart(data["part"], data["at"])
