"""One still for each step of a case, named by the order of the operation."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vidseg.media.picture.still import choose_stills, write_pictures
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import format_time
from vidseg.model.problem import Problem, UsageError
from vidseg.model.procedure import LEVELS, Step
from vidseg.model.recording import Recording
from vidseg.model.span import Span, Spans

CHOOSING = 0.85
"""Share of the time that goes into choosing, the rest into writing."""


@dataclass(frozen=True, slots=True)
class StillPlan:
    """What one still is to be taken from.

    ``number`` counts the steps of the case from 1 in order of first start. ``ranges`` are
    case-wide frame numbers ``[first, last)`` of the step's footage without excluded time, the
    longest first; empty where there is none.
    """

    number: int
    step: Step
    segments: tuple[Segment, ...]
    ranges: tuple[tuple[int, int], ...]

    @property
    def name(self) -> str:
        """The file name: ``01-paracentesis.jpg``."""
        code = "".join(c if c.isalnum() or c in "-_" else "-" for c in self.step.code)
        return f"{self.number:02d}-{code}.jpg"


@dataclass(frozen=True, slots=True)
class Still:
    """One still as written.

    ``visit`` (from 1) of ``visits`` says which of the step's segments it shows, ``frame`` is the
    case-wide frame number and ``at_ns`` that frame's start on the case clock. ``poor`` is empty,
    or says what is wrong with the best frame there was: frozen, repeat, blurred, blown out,
    black.
    """

    number: int
    step: Step
    visit: int
    visits: int
    frame: int
    at_ns: int
    path: Path
    poor: str = ""


def plan_stills(
    annotation: Annotation, recording: Recording, steps: Sequence[str] = ()
) -> tuple[StillPlan, ...]:
    """Say which steps get a still and from which frames, in order of first start.

    ``steps`` are codes; none means all. Numbers do not depend on ``steps``, so that a still
    keeps its name. Raises UsageError for a code that the annotation does not hold.
    """
    visits: dict[str, list[Segment]] = {}
    for segment in annotation.segments:
        if segment.step.timed:
            visits.setdefault(segment.step.code, []).append(segment)
    unknown = [code for code in steps if code not in visits]
    if unknown:
        raise UsageError(
            f"no still of {', '.join(map(repr, unknown))}: the annotation holds the steps "
            f"{', '.join(visits) or '(none)'}"
        )
    plans = []
    for number, segments in enumerate(sorted(visits.values(), key=_operative_order), start=1):
        step = segments[0].step
        if not steps or step.code in steps:
            footage = Spans(segment.span for segment in segments) - annotation.excluded_spans
            ranges = _frame_ranges(_apart(footage, segments), recording)
            plans.append(StillPlan(number, step, tuple(segments), ranges))
    return tuple(plans)


def write_stills(
    annotation: Annotation,
    recording: Recording,
    folder: Path,
    steps: Sequence[str] = (),
    progress: Callable[[float], None] | None = None,
) -> tuple[Still, ...]:
    """Choose and write one still for each step into ``folder``, which must exist.

    ``steps`` as in ``plan_stills``. Steps without any footage get no still: ``still_problems``
    names them. Raises UsageError for an unknown step, MediaError for an unreadable recording.
    """
    plans = plan_stills(annotation, recording, steps)
    report = progress or (lambda _: None)
    choices = choose_stills(
        recording, [plan.ranges for plan in plans], lambda done: report(done * CHOOSING)
    )
    stills = []
    for plan, choice in zip(plans, choices, strict=True):
        if choice is not None:
            at = recording.frame_start(choice.frame)
            stills.append(
                Still(
                    number=plan.number,
                    step=plan.step,
                    visit=next(i for i, s in enumerate(plan.segments, 1) if s.span.holds(at)),
                    visits=len(plan.segments),
                    frame=choice.frame,
                    at_ns=at,
                    path=folder / plan.name,
                    poor=choice.poor,
                )
            )
    write_pictures(
        recording,
        [(still.frame, still.path) for still in stills],
        progress=lambda done: report(CHOOSING + (1 - CHOOSING) * done),
    )
    report(1.0)
    return tuple(stills)


def still_problems(
    annotation: Annotation, stills: Sequence[Still], steps: Sequence[str] = ()
) -> tuple[Problem, ...]:
    """Name the steps whose still is poor or missing, as notes; ``steps`` as in ``plan_stills``."""
    made = {still.step.code: still for still in stills}
    problems = []
    seen: set[str] = set()
    for segment in annotation.segments:
        code = segment.step.code
        if not segment.step.timed or code in seen or (steps and code not in steps):
            continue
        seen.add(code)
        still = made.get(code)
        if still is None:
            message = (
                f"no still of {segment.step.name}: it has no frame outside the excluded time "
                "that can be read"
            )
        elif still.poor:
            message = (
                f"the still of {segment.step.name} at {format_time(still.at_ns)} is the best of "
                f"the frames looked at, but {_REASONS[still.poor]}; look at it before using it"
            )
        else:
            continue
        problems.append(
            Problem.of("poor-still", message, annotation.source, segment.line, segment.span)
        )
    return tuple(problems)


_REASONS = {
    "frozen": "the picture stands still around it",
    "repeat": "it shows the same as another step's still",
    "blurred": "it is blurred",
    "blown out": "half of its middle is blown out",
    "black": "it is black",
}


def _operative_order(segments: Sequence[Segment]) -> tuple[int, int, int, str]:
    """Order by first start; a phase before the steps that start with it."""
    first = min(segments, key=lambda segment: segment.span)
    step = first.step
    return first.span.start, LEVELS.index(step.kind), -first.span.length, step.code


def _apart(footage: Spans, segments: Sequence[Segment]) -> list[Span]:
    """Split footage where visits touch, which ``Spans`` merges; the longest piece first."""
    pieces = {piece for segment in segments for piece in footage & Spans([segment.span])}
    return sorted(pieces, key=lambda piece: (-piece.length, piece.start))


def _frame_ranges(pieces: Sequence[Span], recording: Recording) -> tuple[tuple[int, int], ...]:
    """Give the frames that lie wholly in each piece, split where the recording's parts meet."""
    ranges = []
    for piece in pieces:
        for number, part in enumerate(recording.parts):
            starts = part.frame_ns + part.start
            ends = np.append(starts[1:], part.span.end)
            first = int(np.searchsorted(starts, piece.start, side="left"))
            last = int(np.searchsorted(ends, piece.end, side="right"))
            if last > first:
                base = recording.first_frame(number)
                ranges.append((base + first, base + last))
    return tuple(ranges)
