"""One still for each step of a case, named by the order of the operation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vidseg.export.folder import OutputFolder
from vidseg.export.tables import TableRow, csv_text
from vidseg.media.picture.still import choose_stills, write_pictures
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import format_seconds, format_time
from vidseg.model.problem import Problem, UsageError
from vidseg.model.procedure import LEVELS, Step
from vidseg.model.progress import Progress
from vidseg.model.recording import Recording
from vidseg.model.span import Span, Spans

COLUMNS = ("file", "number", "step", "name", "visit", "visits", "frame", "at_s", "poor")
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


@dataclass(frozen=True, slots=True)
class Scenes:
    """What stills are chosen from: the frames of each step, as ``StillPlan.ranges``, by the path
    of the picture in its folder."""

    recording: Recording
    ranges: tuple[tuple[str, tuple[tuple[int, int], ...]], ...]


Chosen = Mapping[str, tuple[int, str]]
"""The case-wide frame of each picture, by its path, and what is wrong with it (see ``Still``)."""


def scenes_of(plans: Sequence[StillPlan], recording: Recording, place: str) -> Scenes:
    """Give what the pictures of ``plans``, to lie in ``place``, are chosen from."""
    return Scenes(recording, tuple((f"{place}/{plan.name}", plan.ranges) for plan in plans))


def write_chosen(scenes: Scenes, folder: Path, progress: Progress = lambda _: None) -> Chosen:
    """Choose a frame of each scene that has any and write it under its path in ``folder``.

    Raises MediaError for an unreadable recording.
    """
    recording = scenes.recording
    choices = choose_stills(
        recording,
        [ranges for _, ranges in scenes.ranges],
        lambda done: progress(done * CHOOSING),
    )
    chosen = {
        name: (choice.frame, choice.poor)
        for (name, _), choice in zip(scenes.ranges, choices, strict=True)
        if choice is not None
    }
    write_pictures(
        recording,
        [(frame, folder / name) for name, (frame, _) in chosen.items()],
        progress=lambda done: progress(CHOOSING + (1 - CHOOSING) * done),
    )
    progress(1.0)
    return chosen


def stills_of(
    plans: Sequence[StillPlan], scenes: Scenes, chosen: Chosen, folder: Path
) -> tuple[Still, ...]:
    """Say what the pictures in ``folder`` show. Steps without a picture have no still:
    ``still_problems`` names them."""
    stills = []
    for plan, (name, _) in zip(plans, scenes.ranges, strict=True):
        if name in chosen:
            frame, poor = chosen[name]
            at = scenes.recording.frame_start(frame)
            stills.append(
                Still(
                    number=plan.number,
                    step=plan.step,
                    visit=next(i for i, s in enumerate(plan.segments, 1) if s.span.holds(at)),
                    visits=len(plan.segments),
                    frame=frame,
                    at_ns=at,
                    path=folder / name,
                    poor=poor,
                )
            )
    return tuple(stills)


def keep_stills(
    plans: Sequence[StillPlan],
    recording: Recording,
    folder: OutputFolder,
    place: str,
    progress: Progress,
) -> tuple[Still, ...]:
    """Make the stills of ``plans`` in ``place`` of an output folder, and their list."""
    scenes = scenes_of(plans, recording, place)
    names = [name for name, ranges in scenes.ranges if ranges]
    chosen = folder.make(scenes, names, write_chosen, progress)
    stills = stills_of(plans, scenes, chosen or {}, folder.work)
    folder.write({f"{place}/stills.csv": csv_text(COLUMNS, list(map(_row, stills)))})
    return stills


def _row(still: Still) -> TableRow:
    return {
        "file": still.path.name,
        "number": still.number,
        "step": still.step.code,
        "name": still.step.name,
        "visit": still.visit,
        "visits": still.visits,
        "frame": still.frame,
        "at_s": format_seconds(still.at_ns),
        "poor": still.poor,
    }


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
