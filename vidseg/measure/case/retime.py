"""An annotation and its declared edits, carried onto the clock of a copy that was cut.

What was cut out of the copy becomes a declared edit, so that the copy's operative times are those
of the recording: observed time that is gone is ``removed``, excluded time that is gone is a
``pause``, each at its exact length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from vidseg.measure.case.operative import in_operative_time, known_time
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import format_time
from vidseg.model.edits import Edit, EditMap, Inserted, Pause, Removed, Speed
from vidseg.model.problem import UsageError
from vidseg.model.span import Kept, Span, Spans
from vidseg.model.timing import Timing


@dataclass(frozen=True, slots=True)
class Carried:
    """The annotation and the edits on the copy's clock, and sentences on what did not come along.

    ``annotation.excluded`` holds the excluded spans that the copy still shows.
    """

    annotation: Annotation
    edits: tuple[Edit, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Gap:
    """Recording time [start, end) that the copy lacks, at the instant ``at`` of its clock."""

    start: int
    end: int
    at: int


def carry(annotation: Annotation, edits: EditMap, recorded: Spans, kept: Kept) -> Carried:
    """Carry ``annotation`` (case time) onto the clock of a copy that holds ``kept`` alone.

    ``recorded`` is the case time with footage; ``kept`` is in order and not empty. Raises
    UsageError where a cut would take away the start or end of a step, or all of one: its time
    would be lost.
    """
    clock = _CopyClock(kept, edits.length)
    inserted = Spans(edit.span for edit in edits.edits if isinstance(edit, Inserted))
    counted = recorded - annotation.excluded_spans - inserted
    notes: list[str] = []
    segments = []
    left: list[Segment] = []
    gone: list[Segment] = []
    for segment in annotation.segments:
        moved = clock.moved(segment)
        lost = clock.lost_edges(segment.span) & counted
        instants = [edit.at for edit in edits.edits if isinstance(edit, Removed | Pause)]
        if lost or clock.edge_at(segment.span, instants):
            lost = lost or clock.lost_edges(segment.span)
            raise UsageError(
                f"cutting {', '.join(f'{_clock(s.start)}-{_clock(s.end)}' for s in lost)} would "
                f"take away an edge of {segment.step.name} ({_clock(segment.span.start)}-"
                f"{_clock(segment.span.end)}), and its time with it; blank that span instead of "
                "cutting it"
            )
        if moved is None:
            notes.append(f"{segment.step.name}: a visit within excluded time is not in the copy")
            gone.append(segment)
        else:
            segments.append(moved)
            left.append(segment)
    _refuse_shortened(gone, left)
    events = []
    for event in annotation.events:
        at = clock.instant(event.at)
        if at is None:
            notes.append(f"{event.step.name}: an event in a span that was cut is not in the copy")
        else:
            events.append(replace(event, at=at))
    excluded = [moved for s in annotation.excluded if (moved := clock.moved(s)) is not None]
    return Carried(
        replace(
            annotation, segments=tuple(segments), events=tuple(events), excluded=tuple(excluded)
        ),
        _carried_edits(annotation, edits, recorded, clock),
        tuple(notes),
    )


def _refuse_shortened(gone: Sequence[Segment], left: Sequence[Segment]) -> None:
    """Raise UsageError where a visit that goes is its step's first or last: from there the time
    elapsed is counted, also where the visit itself lies in excluded time."""
    for segment in gone:
        others = [other.span for other in left if other.step == segment.step]
        if others and (
            segment.span.start < min(span.start for span in others)
            or segment.span.end > max(span.end for span in others)
        ):
            raise UsageError(
                f"cutting {_clock(segment.span.start)}-{_clock(segment.span.end)} would take away "
                f"the first or last visit of {segment.step.name}, from which its time elapsed is "
                "counted; blank that span instead of cutting it"
            )


class _CopyClock:
    """From the recording's clock to the copy's."""

    def __init__(self, kept: Kept, length: int) -> None:
        self.kept, self.gaps = kept, [_Gap(0, kept[0][0].start, 0)]
        ends = [(span.end, offset + span.length) for span, offset in kept]
        starts = [(span.start, offset) for span, offset in kept[1:]]
        self.gaps += [
            _Gap(end, start, at) for (end, _), (start, at) in zip(ends, starts, strict=False)
        ]
        self.gaps.append(_Gap(ends[-1][0], length, ends[-1][1]))

    def instant(self, at: int) -> int | None:
        for span, offset in self.kept:
            if span.holds(at):
                return offset + at - span.start
        return None

    def span(self, span: Span) -> Span | None:
        """Give what is kept of a span as one span: a cut within it is an instant of the copy."""
        pieces = [
            (max(span.start, own.start), min(span.end, own.end), own.start, offset)
            for own, offset in self.kept
            if own.overlaps(span)
        ]
        if not pieces:
            return None
        first, last = pieces[0], pieces[-1]
        return Span(first[0] - first[2] + first[3], last[1] - last[2] + last[3])

    def moved(self, segment: Segment) -> Segment | None:
        span = self.span(segment.span)
        return None if span is None else replace(segment, span=span)

    def lost_edges(self, span: Span) -> Spans:
        """Give what of a span lies in gaps that its first or last instant lies in."""
        lost = []
        for gap in self.gaps:
            edge = gap.start <= span.start < gap.end or gap.start < span.end <= gap.end
            if edge:
                lost.append(Span(max(gap.start, span.start), min(gap.end, span.end)))
        return Spans(lost)

    def edge_at(self, span: Span, instants: Sequence[int]) -> bool:
        """Say whether a cut that takes an edge of a span has its own edge, within the span, at one
        of ``instants``: what was removed or paused there belongs to the span no longer."""
        return any(
            (gap.start <= span.start < gap.end == at < span.end)
            or (span.start < at == gap.start < span.end <= gap.end)
            for gap in self.gaps
            for at in instants
        )


def _carried_edits(
    annotation: Annotation, edits: EditMap, recorded: Spans, clock: _CopyClock
) -> tuple[Edit, ...]:
    operative, _ = in_operative_time(annotation, edits)
    counted = known_time(recorded, edits) - operative.excluded_spans
    found: list[Edit] = []
    for gap in clock.gaps:
        # zero of the operative clock lies before what was removed at zero
        first = edits.end_of(gap.start) if gap.start else 0
        last_gap = gap.end == edits.length
        last = edits.end_of(gap.end) if last_gap else edits.start_of(gap.end)
        unknown = any(gap.start <= at <= gap.end for at in edits.unknown_at())
        whole = Spans([Span(first, last)] if last > first else [])
        gone = (whole & counted).length
        if unknown:
            found.append(Removed(gap.at, None))
        elif gap.start == 0 and whole:
            # before the first frame nothing is observed, and nothing needs to be told apart
            found.append(Removed(gap.at, whole.length))
            continue
        elif gone:
            found.append(Removed(gap.at, gone))
        if whole.length > gone:
            found.append(Pause(gap.at, whole.length - gone))
    for edit in edits.edits:
        if isinstance(edit, Speed | Inserted):
            for own, offset in clock.kept:
                for piece in Spans([own]) & Spans([edit.span]):
                    moved = Span(piece.start - own.start + offset, piece.end - own.start + offset)
                    found.append(
                        Speed(moved, edit.factor) if isinstance(edit, Speed) else Inserted(moved)
                    )
        else:
            inside = (own for own in clock.kept if own[0].start < edit.at < own[0].end)
            found += [
                replace(edit, at=edit.at - own.start + offset, note="") for own, offset in inside
            ]
    last_span, offset = clock.kept[-1]
    return EditMap(found, offset + last_span.length).edits


def differing(before: Timing, after: Timing, tolerance_ns: int) -> tuple[str, ...]:
    """Name what of the steps' durations differs by more than ``tolerance_ns``, as sentences."""
    found = []
    others = {step.step.code: step for step in after.steps}
    for one in before.steps:
        other = others.pop(one.step.code, None)
        if other is None:
            if one.active_ns:
                found.append(f"{one.step.name} is not in the copy")
            continue
        for name in ("active_ns", "elapsed_ns", "interrupted_ns"):
            apart = abs(getattr(one, name) - getattr(other, name))
            if apart > tolerance_ns and not (name != "active_ns" and not one.active_ns):
                words = name.removesuffix("_ns")
                found.append(f"{one.step.name}: {words} differs by {format_time(apart, 6)}")
        if (one.open_start, one.open_end) != (other.open_start, other.open_end):
            found.append(f"{one.step.name}: whether an edge is seen differs")
    found += [f"{step.step.name} is in the copy only" for step in others.values()]
    return tuple(found)


def _clock(ns: int) -> str:
    return format_time(ns)
