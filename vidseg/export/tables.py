"""The tables a researcher takes away: durations, segments, events, and what every column means.

Times are decimal seconds, exact to the nanosecond; an unknown value is an empty cell.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Annotated, TypedDict, TypeVar, cast, get_type_hints

from vidseg.disk.formulas import csv_cell
from vidseg.model.annotation import Annotation, Event, Segment
from vidseg.model.case import Reading
from vidseg.model.clock import format_seconds
from vidseg.model.column import Column, Columns, columns
from vidseg.model.recording import Recording
from vidseg.model.timing import StepTiming, Timing

FrameNumber = str | int
"""A frame's number; empty without a recording."""
TableRow = Mapping[str, object]
Row = TypeVar("Row", bound=TableRow)


class DurationRow(TypedDict):
    """A step that occurs, with its times."""

    case: Annotated[str, "identifier of the case"]
    step: Annotated[str, "code of the step in the vocabulary"]
    name: Annotated[str, "name of the step"]
    level: Annotated[str, "phase, step or task"]
    segments: Annotated[int, "visits: how many times the step was entered"]
    first_start_s: Annotated[
        str, "start of the first visit, seconds from the first displayed frame"
    ]
    last_end_s: Annotated[str, "end of the last visit, seconds"]
    active_s: Annotated[
        str, "time in the step: union of its visits, excluded spans and holes left out"
    ]
    elapsed_s: Annotated[str, "first start to last end, excluded spans and holes left out"]
    interrupted_s: Annotated[
        str, "elapsed minus active: time away from the step between its visits"
    ]
    shared_s: Annotated[
        str, "part of the active time that another step of the same level counts too"
    ]
    recording_active_s: Annotated[
        str,
        "active time on the recording's clock; other than active_s only where "
        "edits of the recording are declared",
    ]
    share: Annotated[str, "active time as a part (0 to 1) of the observed time of the case"]
    open_start: Annotated[
        int, "1: the recording does not show the step's start, the true length is longer"
    ]
    open_end: Annotated[
        int, "1: the recording does not show the step's end, the true length is longer"
    ]


class SegmentRow(TypedDict):
    """A visit or an excluded span."""

    case: Annotated[str, "identifier of the case"]
    order: Annotated[int, "place of the visit in the case, from 1, by start"]
    step: Annotated[str, "code of the step in the vocabulary"]
    name: Annotated[str, "name of the step"]
    level: Annotated[str, "phase, step, task or excluded"]
    start_s: Annotated[str, "start, seconds from the first displayed frame"]
    end_s: Annotated[str, "end, seconds; the first instant that no longer belongs to the visit"]
    start_frame: Annotated[
        FrameNumber, "number of the first frame in, from 0; empty without a recording"
    ]
    end_frame: Annotated[FrameNumber, "number of the first frame out; empty without a recording"]
    length_s: Annotated[str, "end minus start, seconds, excluded spans not taken off"]
    note: Annotated[str, "the annotator's note"]
    open_start: Annotated[int, "1: the recording does not show this visit's start"]
    open_end: Annotated[int, "1: the recording does not show this visit's end"]


class EventRow(TypedDict):
    """A point event."""

    case: Annotated[str, "identifier of the case"]
    order: Annotated[int, "place of the event in the case, from 1, by time"]
    event: Annotated[str, "code of the event in the vocabulary"]
    name: Annotated[str, "name of the event"]
    category: Annotated[str, "complication, finding, medication or instrument"]
    at_s: Annotated[str, "time, seconds from the first displayed frame"]
    frame: Annotated[FrameNumber, "number of the frame, from 0; empty without a recording"]
    note: Annotated[str, "the annotator's note"]


def _columns(row: type) -> dict[str, Column]:
    hints = get_type_hints(row, include_extras=True)
    return columns(*(Column(name, hint.__metadata__[0]) for name, hint in hints.items()))


DURATIONS, SEGMENTS, EVENTS = map(_columns, (DurationRow, SegmentRow, EventRow))
DICTIONARY = {"durations.csv": DURATIONS, "segments.csv": SEGMENTS, "events.csv": EVENTS}
"""Every table with its columns."""


def duration_rows(timing: Timing, recording_timing: Timing | None = None) -> list[DurationRow]:
    """Give a row for each step that occurs, in vocabulary order, keys as in ``DURATIONS``.

    ``timing`` is in operative time, ``recording_timing`` in the recording's (the same unless
    given).
    """
    shown = {found.step.code: found for found in (recording_timing or timing).steps}
    return [_duration_row(timing, step, shown.get(step.step.code, step)) for step in timing.steps]


def _duration_row(timing: Timing, found: StepTiming, shown: StepTiming) -> DurationRow:
    share = f"{found.active_ns / timing.observed_ns:.6f}" if timing.observed_ns else ""
    return {
        "case": timing.case,
        "step": found.step.code,
        "name": found.step.name,
        "level": found.step.kind.value,
        "segments": len(found.segments),
        "first_start_s": format_seconds(found.first_ns),
        "last_end_s": format_seconds(found.last_ns),
        "active_s": format_seconds(found.active_ns),
        "elapsed_s": format_seconds(found.elapsed_ns),
        "interrupted_s": format_seconds(found.interrupted_ns),
        "shared_s": format_seconds(found.shared_ns),
        "recording_active_s": format_seconds(shown.active_ns),
        "share": share,
        "open_start": int(found.open_start),
        "open_end": int(found.open_end),
    }


def _frame_of(recording: Recording | None) -> Callable[[int], FrameNumber]:
    return (lambda at: "") if recording is None else recording.frame_at


def _with_attributes(row: Row, given: Sequence[tuple[str, str]], known: Columns) -> Row:
    """Add the annotator's own columns; one that bears a name of ours gets "annotated" before."""
    own = {f"annotated {name}" if name in known else name: value for name, value in given}
    return cast(Row, {**row, **own})


def segment_rows(annotation: Annotation, recording: Recording | None) -> list[SegmentRow]:
    """Give a row for each visit and excluded span, by start, keys as in ``SEGMENTS``."""
    frame_at = _frame_of(recording)
    visits: Iterable[Segment] = sorted(
        (*annotation.segments, *annotation.excluded), key=lambda segment: segment.span
    )

    def row(order: int, visit: Segment) -> SegmentRow:
        return {
            "case": annotation.case,
            "order": order,
            "step": visit.step.code,
            "name": visit.step.name,
            "level": visit.step.kind.value,
            "start_s": format_seconds(visit.span.start),
            "end_s": format_seconds(visit.span.end),
            "start_frame": frame_at(visit.span.start),
            "end_frame": frame_at(visit.span.end),
            "length_s": format_seconds(visit.span.length),
            "note": visit.note,
            "open_start": int(visit.open_start),
            "open_end": int(visit.open_end),
        }

    return [
        _with_attributes(row(order, visit), visit.attributes, SEGMENTS)
        for order, visit in enumerate(visits, 1)
    ]


def event_rows(annotation: Annotation, recording: Recording | None) -> list[EventRow]:
    """Give a row for each point event, by time, keys as in ``EVENTS``."""
    frame_at = _frame_of(recording)

    def row(order: int, event: Event) -> EventRow:
        return {
            "case": annotation.case,
            "order": order,
            "event": event.step.code,
            "name": event.step.name,
            "category": event.step.category or "",
            "at_s": format_seconds(event.at),
            "frame": frame_at(event.at),
            "note": event.note,
        }

    return [
        _with_attributes(row(order, event), event.attributes, EVENTS)
        for order, event in enumerate(annotation.events, 1)
    ]


def csv_text(columns: Sequence[str], rows: Sequence[TableRow]) -> str:
    """Write rows as CSV (RFC 4180, ``\\n`` line ends); columns beyond ``columns`` follow.

    A text that a spreadsheet would run as a formula is guarded (``csv_cell``).
    """
    extra = list(dict.fromkeys(key for row in rows for key in row if key not in columns))
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    header = [*columns, *extra]
    writer.writerow([_written(column) for column in header])
    for row in rows:
        writer.writerow([_written(row.get(column, "")) for column in header])
    return stream.getvalue()


def _written(cell: object) -> object:
    return csv_cell(cell) if isinstance(cell, str) else cell


def table_texts(reading: Reading, recording: Recording | None) -> dict[str, str]:
    """Give the text of each table and of their data dictionary, by file name."""
    annotation = reading.annotation
    rows: dict[str, Sequence[TableRow]] = {
        "durations.csv": duration_rows(reading.timing, reading.recording_timing),
        "segments.csv": segment_rows(annotation, recording),
        "events.csv": event_rows(annotation, recording),
    }
    dictionary = [
        {"table": table, "column": own.name, "unit": own.unit, "meaning": own.meaning}
        for table, schema in DICTIONARY.items()
        for own in schema.values()
    ]
    texts = {table: csv_text(list(schema), rows[table]) for table, schema in DICTIONARY.items()}
    return texts | {"data-dictionary.csv": csv_text(list(dictionary[0]), dictionary)}
