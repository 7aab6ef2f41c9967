"""What is doubtful in an annotation, by the vocabulary's own rules. Nothing is changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from vidseg.measure.case.overlaps import forbidden_pairs
from vidseg.model.annotation import Annotation, Segment, Sheet
from vidseg.model.clock import NS, format_time
from vidseg.model.problem import Problem
from vidseg.model.procedure import LEVELS, Kind, Procedure
from vidseg.model.recording import Recording
from vidseg.model.span import Span, Spans

LONG_GAP_NS = 60 * NS
"""An unlabelled stretch longer than this, between first and last step, is told (our choice)."""


def check(
    annotation: Annotation,
    procedure: Procedure,
    sheet: Sheet,
    recording: Recording | None = None,
) -> tuple[Problem, ...]:
    """Find every problem of the resolved annotation, in the order of its rows."""
    found = [
        *_empty(annotation),
        *_duplicates(sheet),
        *_not_confirmed(sheet),
        *_same_again(annotation),
        *_overlaps(annotation),
        *_order(annotation),
        *_repeats(annotation),
        *_missing(annotation, procedure),
        *_lengths(annotation),
        *_phases(annotation),
        *_gaps(annotation),
        *_edges(annotation, recording),
    ]
    return tuple(sorted(found, key=lambda problem: problem.line or 0))


def _rows(segment: Segment) -> str:
    return (
        f"{segment.step.name} {format_time(segment.span.start)} to {format_time(segment.span.end)}"
    )


def _problem(code: str, message: str, annotation: Annotation, segment: Segment) -> Problem:
    return Problem.of(code, message, annotation.source, segment.line, segment.span)


def _empty(annotation: Annotation) -> Iterator[Problem]:
    if not annotation.segments:
        yield Problem.of("no-steps", "no step has a usable row", annotation.source)


def _not_confirmed(sheet: Sheet) -> Iterator[Problem]:
    rows = [mark for mark in sheet.marks if mark.unconfirmed]
    if rows:
        first = f"the first is {rows[0].label}"
        yield Problem.of(
            "not-confirmed",
            f"{len(rows)} row(s) of a draft are not confirmed, {first}; look at each, in "
            "`vidseg mark` or by taking the words out of its note",
            rows[0].source or sheet.source,
            rows[0].line,
        )


def _duplicates(sheet: Sheet) -> Iterator[Problem]:
    seen: dict[tuple[object, ...], int | None] = {}
    for mark in sheet.marks:
        key = (mark.label, mark.start, mark.end)
        if key in seen:
            yield Problem.of(
                "duplicate-row",
                f"{mark.label!r} stands with the same times in line {seen[key]} already",
                mark.source or sheet.source,
                mark.line,
            )
        else:
            seen[key] = mark.line


def _same_again(annotation: Annotation) -> Iterator[Problem]:
    for kind in LEVELS:
        rows = [segment for segment in annotation.segments if segment.step.kind is kind]
        for before, after in pairwise(rows):
            if before.step == after.step and before.span.end == after.span.start:
                yield _problem(
                    "same-step-again",
                    f"{after.step.name} follows itself at {format_time(after.span.start)} without "
                    "a break; the rows are kept as two visits",
                    annotation,
                    after,
                )


def _overlaps(annotation: Annotation) -> Iterator[Problem]:
    for kind in LEVELS:
        rows = [segment for segment in annotation.segments if segment.step.kind is kind]
        pairs, untold = forbidden_pairs(rows)
        for before, after in pairs:
            shared = min(before.span.end, after.span.end) - after.span.start
            yield _problem(
                "forbidden-overlap",
                f"{_rows(after)} runs at the same time as {_rows(before)} for "
                f"{format_time(shared)}; the vocabulary allows one at a time",
                annotation,
                after,
            )
        if untold:
            yield Problem.of(
                "forbidden-overlap",
                f"{untold:,} more pairs of rows run at the same time, which are not told one by "
                "one; put right what all of them have in common, a wrong end or clock perhaps",
                annotation.source,
            )


def _order(annotation: Annotation) -> Iterator[Problem]:
    first: dict[str, Segment] = {}
    for segment in annotation.segments:
        first.setdefault(segment.step.code, segment)
    for segment in first.values():
        for code in segment.step.after:
            earlier = first.get(code)
            if earlier is not None and earlier.span.start > segment.span.start:
                yield _problem(
                    "order-violated",
                    f"{segment.step.name} starts at {format_time(segment.span.start)}, before "
                    f"{earlier.step.name} at {format_time(earlier.span.start)}",
                    annotation,
                    segment,
                )


def _repeats(annotation: Annotation) -> Iterator[Problem]:
    seen: Counter[str] = Counter()
    for segment in annotation.segments:
        seen[segment.step.code] += 1
        if seen[segment.step.code] == 2 and not segment.step.repeats:
            yield _problem(
                "unexpected-repeat",
                f"{segment.step.name} is visited again at {format_time(segment.span.start)}; by "
                "the vocabulary it occurs once",
                annotation,
                segment,
            )


def _missing(annotation: Annotation, procedure: Procedure) -> Iterator[Problem]:
    present = {segment.step.code for segment in annotation.segments}
    present |= {event.step.code for event in annotation.events}
    levels = {segment.step.kind for segment in annotation.segments}
    for step in procedure.steps:
        expected = step.required and (step.kind in levels or step.kind is Kind.EVENT)
        if expected and step.code not in present:
            yield Problem.of("required-step-missing", f"{step.name} has no row", annotation.source)


def _lengths(annotation: Annotation) -> Iterator[Problem]:
    by_step: dict[str, list[Segment]] = {}
    for segment in annotation.segments:
        by_step.setdefault(segment.step.code, []).append(segment)
    for rows in by_step.values():
        step, first = rows[0].step, rows[0]
        spans = Spans(segment.span for segment in rows) - annotation.excluded_spans
        cut = any(segment.open_start or segment.open_end for segment in rows)
        if step.shortest_ns is not None and spans.length < step.shortest_ns and not cut:
            bound = f"shorter than the {format_time(step.shortest_ns, 0)}"
        elif step.longest_ns is not None and spans.length > step.longest_ns:
            bound = f"longer than the {format_time(step.longest_ns, 0)}"
        else:
            continue
        yield _problem(
            "implausible-length",
            f"{step.name} lasts {format_time(spans.length)} in all, {bound} that the vocabulary "
            "calls plausible",
            annotation,
            first,
        )


def _phases(annotation: Annotation) -> Iterator[Problem]:
    outer: dict[str, list[Span]] = {}
    for segment in annotation.segments:
        outer.setdefault(segment.step.code, []).append(segment.span)
    times = {code: Spans(spans) for code, spans in outer.items()}
    for segment in annotation.segments:
        parent = segment.step.parent
        if parent is not None and parent in times and not times[parent].covers(segment.span):
            yield _problem(
                "outside-parent",
                f"{_rows(segment)} does not lie within its {parent!r}",
                annotation,
                segment,
            )


def _gaps(annotation: Annotation) -> Iterator[Problem]:
    if not annotation.segments:
        return
    work = Spans(segment.span for segment in annotation.segments) | annotation.excluded_spans
    whole = Spans([Span(work.items[0].start, work.items[-1].end)])
    for gap in whole - work:
        if gap.length > LONG_GAP_NS:
            yield Problem.of(
                "unlabelled-gap",
                f"nothing is marked from {format_time(gap.start)} to {format_time(gap.end)} "
                f"({format_time(gap.length, 0)})",
                annotation.source,
                None,
                gap,
            )


def _edges(annotation: Annotation, recording: Recording | None) -> Iterator[Problem]:
    if recording is None:
        return
    for segment in annotation.segments:
        if segment.step.kind is Kind.PHASE:
            continue
        edges = []
        if segment.span.start == 0 and not segment.open_start:
            edges.append("starts with")
        if segment.span.end == recording.length and not segment.open_end:
            edges.append("ends with")
        if edges:
            yield _problem(
                "at-recording-edge",
                f"{segment.step.name} {' and '.join(edges)} the recording; if the recording cuts "
                "it off, write `open` for that edge, else its length is taken as complete",
                annotation,
                segment,
            )
