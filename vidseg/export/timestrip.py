"""The time strip of a page: rows of blocks on one time axis, with colours, patterns and labels.

Pure layout: everything is a part of the case's length, so that a page can draw it at any width.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import NS
from vidseg.model.procedure import LEVELS, Kind, Procedure, Step
from vidseg.model.recording import Recording
from vidseg.model.span import Span, Spans
from vidseg.model.timing import Timing

COLOURS = 8
"""Okabe-Ito colours in the style sheet (grey, which R adds to the set, in place of black)."""
PATTERNS = 5
"""Patterns in the style sheet; 5 and 8 share no factor, so 40 steps look different."""
TICKS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)
MOST_TICKS = 12


@dataclass(frozen=True, slots=True)
class StepStyle:
    """How one step appears everywhere on the page: a short label and style classes."""

    label: str
    classes: str


@dataclass(frozen=True, slots=True)
class StripBlock:
    """One visit on the strip; ``visit`` of ``visits`` of its step, ``order`` in the case, from 1.

    ``first`` and ``last`` are case-wide frame numbers, first in and first out. ``lane`` counts
    from 0 within its row: visits of one level that run at the same time lie in separate lanes.
    """

    order: int
    segment: Segment
    look: StepStyle
    visit: int
    visits: int
    first: int
    last: int
    lane: int


@dataclass(frozen=True, slots=True)
class StripLevel:
    """One level: its blocks by start, the number of lanes, and the observed time without a step."""

    level: Kind
    blocks: tuple[StripBlock, ...]
    lanes: int
    gaps: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Strip:
    """All rows, outermost level first; ``main`` is the level that "next step" walks along."""

    length: int
    rows: tuple[StripLevel, ...]
    main: Kind
    excluded: tuple[Span, ...]
    holes: tuple[Span, ...]
    ticks: tuple[int, ...]


def letters(number: int) -> str:
    """Count in letters from 0: A … Z, AA, AB …"""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def main_level(steps: Iterable[Step]) -> Kind:
    """Choose the level to walk along: steps where there are any, else phases, else tasks."""
    present = {step.kind for step in steps}
    return next((kind for kind in (Kind.STEP, Kind.PHASE, Kind.TASK) if kind in present), Kind.STEP)


def step_looks(segments: Sequence[Segment], procedure: Procedure) -> dict[str, StepStyle]:
    """Give every step of the case its label and style, keyed by code.

    Phases are lettered A, B …, steps numbered 1, 2 …, tasks lettered a, b … in the order in
    which they first occur. The colour goes by the place in the vocabulary, so that a step looks
    the same in every case; phases stay plain where finer levels carry the colour.
    """
    steps = list({segment.step.code: segment.step for segment in segments}.values())
    main = main_level(steps)
    fine = [s.code for s in procedure.steps if s.timed and s.kind is not Kind.PHASE]
    every = [s.code for s in procedure.steps if s.timed] if main is Kind.PHASE else fine
    places = {code: place for place, code in enumerate(every)}
    looks: dict[str, StepStyle] = {}
    counts = dict.fromkeys(LEVELS, 0)
    for step in steps:
        number = counts[step.kind]
        counts[step.kind] += 1
        label = {
            Kind.PHASE: letters(number),
            Kind.STEP: str(number + 1),
            Kind.TASK: letters(number).lower(),
        }[step.kind]
        if step.kind is Kind.PHASE and main is not Kind.PHASE:
            looks[step.code] = StepStyle(label, "plain")
        else:
            place = places.get(step.code, len(places))
            looks[step.code] = StepStyle(label, f"c{place % COLOURS} p{place % PATTERNS}")
    return looks


def lay_lanes(spans: Sequence[Span]) -> list[int]:
    """Give each span (sorted by start) the lowest lane in which it meets no earlier one."""
    ends: list[int] = []
    lanes: list[int] = []
    for span in spans:
        lane = next((i for i, end in enumerate(ends) if end <= span.start), len(ends))
        if lane == len(ends):
            ends.append(0)
        ends[lane] = span.end
        lanes.append(lane)
    return lanes


def tick_times(length: int, most: int = MOST_TICKS) -> tuple[int, ...]:
    """Give round times (ns) from 0 to ``length``, ``most`` + 1 at most within a day."""
    step = next((s for s in TICKS_S if length <= s * most * NS), TICKS_S[-1]) * NS
    return tuple(range(0, length + 1, step))


def visit_numbers(segments: Sequence[Segment]) -> list[tuple[int, int]]:
    """Give for each segment (sorted by start) its visit number and its step's visits in all."""
    totals: dict[str, int] = {}
    numbers: list[int] = []
    for segment in segments:
        totals[segment.step.code] = totals.get(segment.step.code, 0) + 1
        numbers.append(totals[segment.step.code])
    return [
        (number, totals[segment.step.code])
        for number, segment in zip(numbers, segments, strict=True)
    ]


def lay_strip(
    recording: Recording, procedure: Procedure, annotation: Annotation, timing: Timing
) -> Strip:
    """Lay a case out on its time axis; the axis is the case clock, holes included."""
    looks = step_looks(annotation.segments, procedure)
    every = sorted((*annotation.segments, *annotation.excluded), key=lambda s: s.span)
    order = {id(segment): number for number, segment in enumerate(every, 1)}
    visits = visit_numbers(annotation.segments)
    gaps = {level.level: level.gaps.items for level in timing.levels}
    rows = []
    for level in LEVELS:
        members = [
            (segment, *numbers)
            for segment, numbers in zip(annotation.segments, visits, strict=True)
            if segment.step.kind is level
        ]
        if not members:
            continue
        lanes = lay_lanes([segment.span for segment, _, _ in members])
        blocks = tuple(
            StripBlock(
                order=order[id(segment)],
                segment=segment,
                look=looks[segment.step.code],
                visit=visit,
                visits=total,
                first=recording.frame_at(segment.span.start),
                last=recording.frame_at(segment.span.end),
                lane=lane,
            )
            for (segment, visit, total), lane in zip(members, lanes, strict=True)
        )
        rows.append(StripLevel(level, blocks, max(lanes) + 1, gaps.get(level, ())))
    length = recording.length
    return Strip(
        length=length,
        rows=tuple(rows),
        main=main_level(segment.step for segment in annotation.segments),
        excluded=annotation.excluded_spans.items,
        holes=(Spans([Span(0, length)]) - recording.recorded).items,
        ticks=tick_times(length),
    )
