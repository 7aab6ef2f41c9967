"""Marks become segments and events: labels looked up, moments put on the case clock and snapped.

After this no code meets an unknown label, an open end or a time as written. Nothing is repaired:
a row that cannot be understood is left out and reported as an error, so that whoever reads the
durations knows that they are incomplete.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from rapidfuzz import fuzz, process

from vidseg.measure.case.ruler import SNAP_TOLERANCE_NS, Clock, Ruler
from vidseg.model.annotation import (
    Annotation,
    Edge,
    Event,
    Mark,
    Moment,
    Segment,
    Sheet,
)
from vidseg.model.bounds import LONGEST_H, LONGEST_NS
from vidseg.model.clock import format_time, frame_to_ns
from vidseg.model.problem import Problem
from vidseg.model.procedure import LEVELS, Kind, Procedure, Step, fold
from vidseg.model.recording import Recording
from vidseg.model.span import Span

NEAR_MISS = 80.0
"""Similarity (rapidfuzz ratio of folded labels, 0 to 100) from which a label is a near miss."""


_RANKS = {kind: rank for rank, kind in enumerate(LEVELS)}


def _place(segment: Segment) -> tuple[int, int, int]:
    return segment.span.start, segment.span.end, _RANKS[segment.step.kind]


class _Nearest:
    """Finds the label that is most like an unknown one; lives for one vocabulary."""

    def __init__(self, procedure: Procedure) -> None:
        self.labels = list(procedure.labels())
        self.choices = {place: fold(text) for place, (text, _) in enumerate(self.labels)}
        self.known: dict[str, tuple[Step, str] | None] = {}

    def to(self, label: str) -> tuple[Step, str] | None:
        """Give the step whose label is nearest, and that label; None if far."""
        if label not in self.known:
            found = process.extractOne(
                fold(label), self.choices, scorer=fuzz.ratio, score_cutoff=NEAR_MISS, processor=None
            )
            text, step = self.labels[found[2]] if found is not None else ("", None)
            self.known[label] = None if step is None else (step, text)
        return self.known[label]


def resolve(
    sheet: Sheet,
    procedure: Procedure,
    recording: Recording | None = None,
    *,
    rate: Fraction | None = None,
    length_ns: int | None = None,
    clock: Clock = "recording",
    case: str = "",
) -> tuple[Annotation, tuple[Problem, ...]]:
    """Turn the rows of ``sheet`` into segments, events and excluded spans.

    ``recording`` gives the frames to snap to and the end of the clock; without it ``rate``
    (frames/s) serves rows written as frame numbers or timecode and ``length_ns`` the end.
    ``clock`` "timecode" reads times and labels as the recorder's timecode tracks show them.
    Returns the annotation and the problems found, those of the sheet not included.
    """
    ruler = Ruler(recording, rate, length_ns, clock)
    resolver = _Resolver(sheet, procedure, ruler)
    segments, events, excluded = resolver.rows()
    annotation = Annotation(
        case=case or sheet.case or "",
        procedure=procedure.code,
        annotator=sheet.annotator or "",
        source=sheet.source,
        segments=tuple(sorted(segments, key=_place)),
        events=tuple(sorted(events, key=lambda e: e.at)),
        excluded=tuple(sorted(excluded, key=lambda s: s.span)),
    )
    return annotation, tuple(resolver.problems)


@dataclass(frozen=True, slots=True)
class _Row:
    """A mark whose label is known and whose start is placed; ``step`` None closes what runs."""

    mark: Mark
    step: Step | None
    start: int


class _Resolver:
    """Collects problems while rows are resolved; lives for one sheet."""

    def __init__(self, sheet: Sheet, procedure: Procedure, ruler: Ruler) -> None:
        self.sheet, self.procedure, self.ruler = sheet, procedure, ruler
        self.problems: list[Problem] = []
        self.off_frame: list[tuple[int, Mark]] = []
        self.nearest = _Nearest(procedure)

    def say(self, code: str, mark: Mark, message: str) -> None:
        """Report a problem of one row."""
        self.problems.append(Problem.of(code, message, mark.source or self.sheet.source, mark.line))

    def rows(self) -> tuple[list[Segment], list[Event], list[Segment]]:
        """Resolve every row."""
        placed = [row for mark in self.sheet.marks if (row := self.place(mark)) is not None]
        if self.sheet.starts_only:
            placed = self.in_order(placed)
        segments: list[Segment] = []
        events: list[Event] = []
        excluded: list[Segment] = []
        ends = self.next_starts(placed) if self.sheet.starts_only else [None] * len(placed)
        for row, next_start in zip(placed, ends, strict=True):
            if row.step is None:
                continue
            if row.step.kind is Kind.EVENT:
                event = self.event(row)
                if event is not None:
                    events.append(event)
                continue
            segment = self.segment(row, row.step, next_start)
            if segment is not None:
                (segments if row.step.timed else excluded).append(segment)
        self.tell_off_frame()
        return segments, events, excluded

    def place(self, mark: Mark) -> _Row | None:
        step = self.procedure.find(mark.label)
        if step is None and not self.procedure.is_idle(mark.label):
            near = self.nearest.to(mark.label)
            if near is None:
                self.say(
                    "unknown-step",
                    mark,
                    f"{mark.label!r} is not in the vocabulary {self.procedure.code!r}; "
                    f"`vidseg procedures {self.procedure.code}` lists its labels",
                )
            else:
                self.say(
                    "near-miss-step",
                    mark,
                    f"{mark.label!r} is not in the vocabulary {self.procedure.code!r}; "
                    f"did you mean {near[1]!r} ({near[0].code})?",
                )
            return None
        if isinstance(mark.start, Edge):
            return _Row(mark, step, 0)
        start = self.moment(mark, mark.start)
        return None if start is None else _Row(mark, step, start)

    def moment(self, mark: Mark, moment: Moment) -> int | None:
        """Place, bound and snap one moment of a row; None where that fails, and say why."""
        try:
            at = self.ruler.place(moment)
        except IndexError as error:
            self.say("outside-recording", mark, str(error))
            return None
        except LookupError as error:
            self.say("no-clock", mark, str(error.args[0]))
            return None
        except ValueError as error:
            self.say("bad-timecode", mark, str(error))
            return None
        end = self.ruler.end
        slack = self.slack()
        if end is None and at > LONGEST_NS:
            self.say(
                "outside-recording",
                mark,
                f"{format_time(at)} lies outside any recording: none is longer than "
                f"{LONGEST_H:,} h; correct the row, or the rate",
            )
            return None
        if at < 0 or (end is not None and at > end + slack):
            extent = "" if end is None else f", which is {format_time(end)} long"
            self.say(
                "outside-recording",
                mark,
                f"{format_time(at)} lies outside the recording{extent}",
            )
            return None
        recording = self.ruler.recording
        if recording is None:
            return at if end is None else min(at, end)
        snapped = recording.snap(at)
        if isinstance(moment, int) and abs(snapped - at) > SNAP_TOLERANCE_NS:
            self.off_frame.append((abs(snapped - at), mark))
        return snapped

    def slack(self) -> int:
        """How far past the end a time may be written: half a frame, or the rounding of a time."""
        recording = self.ruler.recording
        if recording is None:
            return SNAP_TOLERANCE_NS
        rate = recording.parts[-1].rate
        return max(SNAP_TOLERANCE_NS, frame_to_ns(1, rate) // 2)

    def in_order(self, rows: list[_Row]) -> list[_Row]:
        for before, after in pairwise(rows):
            if after.start < before.start:
                self.say(
                    "rows-not-in-order",
                    after.mark,
                    f"{after.mark.label!r} starts at {format_time(after.start)}, before the row "
                    "above it; in a list of starts each row ends where the next one starts",
                )
        return sorted(rows, key=lambda row: row.start)

    def event(self, row: _Row) -> Event | None:
        assert row.step is not None
        if row.mark.end is not None:
            self.say(
                "event-with-end",
                row.mark,
                f"{row.step.name} is a point event; its end is not used",
            )
        return Event(row.step, row.start, row.mark.note, row.mark.line, row.mark.attributes)

    def segment(self, row: _Row, step: Step, next_start: int | None) -> Segment | None:
        mark = row.mark
        if self.sheet.starts_only:
            if next_start is None:
                self.say_no_clock(mark, "the last row")
                return None
            end = next_start
        elif mark.end is None:
            self.say(
                "no-end",
                mark,
                f"{step.name} has a start but no end; write the end, or `open` where the "
                "recording stops before the step does",
            )
            return None
        elif isinstance(mark.end, Edge):
            if self.ruler.end is None:
                self.say_no_clock(mark, "an open end")
                return None
            end = self.ruler.end
        else:
            found = self.moment(mark, mark.end)
            if found is None:
                return None
            end = found
        if end <= row.start:
            self.say_no_length(mark, row.start, end)
            return None
        return Segment(
            step,
            Span(row.start, end),
            mark.note,
            mark.line,
            open_start=isinstance(mark.start, Edge),
            open_end=isinstance(mark.end, Edge),
            attributes=mark.attributes,
        )

    def say_no_length(self, mark: Mark, start: int, end: int) -> None:
        written_end = mark.end if isinstance(mark.end, int) else None
        written_start = mark.start if isinstance(mark.start, int) else None
        if written_end is not None and written_start is not None and written_end > written_start:
            self.say(
                "shorter-than-a-frame",
                mark,
                f"{mark.label!r} from {format_time(written_start)} to {format_time(written_end)} "
                "holds no frame of the recording",
            )
        else:
            self.say(
                "ends-before-start",
                mark,
                f"{mark.label!r} ends at {format_time(end)}, not after its start at "
                f"{format_time(start)}",
            )

    def say_no_clock(self, mark: Mark, what: str) -> None:
        self.say(
            "no-clock",
            mark,
            f"{what} ({mark.label!r}) runs to the end of the recording, whose length is not "
            "known; give the recording or its length",
        )

    def next_starts(self, rows: Sequence[_Row]) -> list[int | None]:
        """Where each row of a starts-only list ends: at the next row that ends its level.

        The recording's end, if known, ends what no row does.
        """
        ends: list[int | None] = []
        ending: dict[Kind, int | None] = dict.fromkeys(Kind, self.ruler.end)
        for row in reversed(rows):
            kind = None if row.step is None else row.step.kind
            ends.append(ending[kind] if kind is not None else None)
            if kind is None or kind is Kind.EXCLUDED:
                ending = dict.fromkeys(Kind, row.start)
            elif kind is not Kind.EVENT:
                inner = LEVELS[LEVELS.index(kind) :]
                ending |= dict.fromkeys((*inner, Kind.EXCLUDED), row.start)
        return ends[::-1]

    def tell_off_frame(self) -> None:
        if not self.off_frame:
            return
        worst, mark = max(self.off_frame, key=lambda item: item[0])
        self.say(
            "between-frames",
            mark,
            f"{len(self.off_frame)} written time(s) fall between frames, by up to "
            f"{worst / 1e6:.1f} ms; each is moved to the nearest frame",
        )
