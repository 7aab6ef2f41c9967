"""The tables a researcher takes away: durations, segments, events, and what every column means.

Times are decimal seconds, exact to the nanosecond; an unknown value is an empty cell.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.disk.formulas import csv_cell
from vidseg.model.annotation import Annotation, Event, Segment
from vidseg.model.clock import format_seconds
from vidseg.model.recording import Recording
from vidseg.model.timing import StepTiming, Timing

Cell = str | int | float
TableRow = Mapping[str, Cell]

DURATIONS = {
    "case": "identifier of the case",
    "step": "code of the step in the vocabulary",
    "name": "name of the step",
    "level": "phase, step or task",
    "segments": "visits: how many times the step was entered",
    "first_start_s": "start of the first visit, seconds from the first displayed frame",
    "last_end_s": "end of the last visit, seconds",
    "active_s": "time in the step: union of its visits, excluded spans and holes left out",
    "elapsed_s": "first start to last end, excluded spans and holes left out",
    "interrupted_s": "elapsed minus active: time away from the step between its visits",
    "shared_s": "part of the active time that another step of the same level counts too",
    "recording_active_s": "active time on the recording's clock; other than active_s only where "
    "edits of the recording are declared",
    "share": "active time as a part (0 to 1) of the observed time of the case",
    "open_start": "1: the recording does not show the step's start, the true length is longer",
    "open_end": "1: the recording does not show the step's end, the true length is longer",
}
SEGMENTS = {
    "case": "identifier of the case",
    "order": "place of the visit in the case, from 1, by start",
    "step": "code of the step in the vocabulary",
    "name": "name of the step",
    "level": "phase, step, task or excluded",
    "start_s": "start, seconds from the first displayed frame",
    "end_s": "end, seconds; the first instant that no longer belongs to the visit",
    "start_frame": "number of the first frame in, from 0; empty without a recording",
    "end_frame": "number of the first frame out; empty without a recording",
    "length_s": "end minus start, seconds, excluded spans not taken off",
    "note": "the annotator's note",
    "open_start": "1: the recording does not show this visit's start",
    "open_end": "1: the recording does not show this visit's end",
}
EVENTS = {
    "case": "identifier of the case",
    "order": "place of the event in the case, from 1, by time",
    "event": "code of the event in the vocabulary",
    "name": "name of the event",
    "category": "complication, finding, medication or instrument",
    "at_s": "time, seconds from the first displayed frame",
    "frame": "number of the frame, from 0; empty without a recording",
    "note": "the annotator's note",
}
DICTIONARY = {"durations.csv": DURATIONS, "segments.csv": SEGMENTS, "events.csv": EVENTS}
"""Every table with every column and its meaning."""
TABLES = (*DICTIONARY, "data-dictionary.csv")
"""The files that ``write_tables`` writes."""


def duration_rows(timing: Timing, recording_timing: Timing | None = None) -> list[TableRow]:
    """Give a row for each step that occurs, in vocabulary order, keys as in ``DURATIONS``.

    ``timing`` is in operative time, ``recording_timing`` in the recording's (the same unless
    given).
    """
    shown = {found.step.code: found for found in (recording_timing or timing).steps}
    return [_duration_row(timing, step, shown.get(step.step.code, step)) for step in timing.steps]


def _duration_row(timing: Timing, found: StepTiming, shown: StepTiming) -> TableRow:
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


def _frame_of(recording: Recording | None) -> Callable[[int], Cell]:
    return (lambda at: "") if recording is None else recording.frame_at


def _attributes(given: Sequence[tuple[str, str]], columns: Mapping[str, str]) -> dict[str, str]:
    """Name the annotator's own columns; one that bears a name of ours gets "annotated" before."""
    return {f"annotated {name}" if name in columns else name: value for name, value in given}


def segment_rows(annotation: Annotation, recording: Recording | None) -> list[TableRow]:
    """Give a row for each visit and excluded span, by start, keys as in ``SEGMENTS``."""
    frame_at = _frame_of(recording)
    visits: Iterable[Segment] = sorted(
        (*annotation.segments, *annotation.excluded), key=lambda segment: segment.span
    )
    return [
        {
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
            **_attributes(visit.attributes, SEGMENTS),
        }
        for order, visit in enumerate(visits, 1)
    ]


def event_rows(annotation: Annotation, recording: Recording | None) -> list[TableRow]:
    """Give a row for each point event, by time, keys as in ``EVENTS``."""
    frame_at = _frame_of(recording)

    def row(order: int, event: Event) -> TableRow:
        return {
            "case": annotation.case,
            "order": order,
            "event": event.step.code,
            "name": event.step.name,
            "category": event.step.category or "",
            "at_s": format_seconds(event.at),
            "frame": frame_at(event.at),
            "note": event.note,
            **_attributes(event.attributes, EVENTS),
        }

    return [row(order, event) for order, event in enumerate(annotation.events, 1)]


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


def _written(cell: Cell) -> Cell:
    return csv_cell(cell) if isinstance(cell, str) else cell


def write_tables(
    folder: Path,
    timing: Timing,
    annotation: Annotation,
    recording: Recording | None,
    recording_timing: Timing | None = None,
) -> list[Path]:
    """Write ``durations.csv``, ``segments.csv``, ``events.csv`` and their data dictionary."""
    tables: dict[str, tuple[Sequence[str], Sequence[TableRow]]] = {
        "durations.csv": (list(DURATIONS), duration_rows(timing, recording_timing)),
        "segments.csv": (list(SEGMENTS), segment_rows(annotation, recording)),
        "events.csv": (list(EVENTS), event_rows(annotation, recording)),
        "data-dictionary.csv": (
            ["table", "column", "meaning"],
            [
                {"table": table, "column": column, "meaning": meaning}
                for table, columns in DICTIONARY.items()
                for column, meaning in columns.items()
            ],
        ),
    }
    for name, (columns, rows) in tables.items():
        write_text_aside(folder / name, csv_text(columns, rows))
    return [folder / name for name in tables]
