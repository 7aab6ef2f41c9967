"""From the recording's clock to the operation's: the same annotation in operative time."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import replace

from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import format_time
from vidseg.model.edits import EditMap, Inserted
from vidseg.model.problem import Problem
from vidseg.model.span import Spans


def in_operative_time(
    annotation: Annotation, edits: EditMap
) -> tuple[Annotation, tuple[Problem, ...]]:
    """Map every segment, event and excluded span through the declared edits.

    A segment that touches footage removed at unknown length is open there: its true length is
    at least what is seen. One that lies wholly in inserted material took no operative time and
    is left out, with a problem. Without edits the annotation comes back as it is.
    """
    if not edits.edits:
        return annotation, ()
    problems: list[Problem] = []
    segments = []
    unknown = sorted(edits.unknown_at())
    for segment in annotation.segments:
        moved = _moved(segment, edits, unknown)
        if moved is None:
            problems.append(_nothing_left(annotation, segment))
            continue
        segments.append(moved)
        if (moved.open_start, moved.open_end) != (segment.open_start, segment.open_end):
            problems.append(
                Problem.of(
                    "unknown-removal",
                    f"{segment.step.name} from {format_time(segment.span.start)} touches footage "
                    "removed at unknown length; it took at least what is seen",
                    annotation.source,
                    segment.line,
                    segment.span,
                )
            )
    excluded = [
        moved for s in annotation.excluded if (moved := _moved(s, edits, unknown)) is not None
    ]
    inserted = Spans(edit.span for edit in edits.edits if isinstance(edit, Inserted))
    events = []
    for event in annotation.events:
        if inserted.holds(event.at):
            problems.append(
                Problem.of(
                    "in-inserted-material",
                    f"{event.step.name} at {format_time(event.at)} lies in inserted material and "
                    "is no part of the operation",
                    annotation.source,
                    event.line,
                )
            )
        else:
            events.append(replace(event, at=edits.start_of(event.at)))
    moved_annotation = replace(
        annotation,
        segments=tuple(segments),
        events=tuple(events),
        excluded=tuple(excluded),
    )
    return moved_annotation, tuple(problems)


def known_time(recorded: Spans, edits: EditMap) -> Spans:
    """Give the operative time that counts as observed: what was recorded, and footage removed
    at a known length; not the pauses of the recorder."""
    return edits.spans(recorded) - edits.pauses() if edits.edits else recorded


def _moved(segment: Segment, edits: EditMap, unknown: Sequence[int]) -> Segment | None:
    span = edits.span(segment.span)
    if span is None:
        return None
    first = bisect_left(unknown, segment.span.start)
    last = bisect_right(unknown, segment.span.end)
    starts_open = first < last and unknown[first] == segment.span.start
    return replace(
        segment,
        span=span,
        open_start=segment.open_start or starts_open,
        open_end=segment.open_end or first + starts_open < last,
    )


def _nothing_left(annotation: Annotation, segment: Segment) -> Problem:
    return Problem.of(
        "in-inserted-material",
        f"{segment.step.name} from {format_time(segment.span.start)} to "
        f"{format_time(segment.span.end)} lies wholly in inserted material and took no operative "
        "time",
        annotation.source,
        segment.line,
        segment.span,
    )
