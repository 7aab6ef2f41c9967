"""The layout of the time strip."""

import string
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.export.timestrip import (
    COLOURS,
    PATTERNS,
    lay_lanes,
    lay_strip,
    letters,
    step_looks,
    tick_times,
    visit_numbers,
)
from vidseg.measure.case.durations import time_case
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.procedure import Kind, Procedure, Step
from vidseg.model.recording import Recording
from vidseg.model.span import Span

NS = 1_000_000_000


def vocabulary(steps: int = 4, phases: int = 2, tasks: int = 1) -> Procedure:
    made = [
        *(Step(f"phase{i}", f"Phase {i}", Kind.PHASE) for i in range(phases)),
        *(Step(f"step{i}", f"Step {i}") for i in range(steps)),
        *(Step(f"task{i}", f"Task {i}", Kind.TASK) for i in range(tasks)),
        Step("pause", "Pause", Kind.EXCLUDED),
    ]
    return Procedure("made_up", "Made up", "1", "tests", tuple(made))


def visits(procedure: Procedure, *rows: tuple[str, float, float]) -> tuple[Segment, ...]:
    return tuple(
        Segment(procedure.step(code), Span(round(start * NS), round(end * NS)))
        for code, start, end in rows
    )


spans = st.lists(
    st.tuples(st.integers(0, 60), st.integers(1, 30)).map(lambda p: Span(p[0], p[0] + p[1])),
    max_size=20,
).map(sorted)


@given(spans)
def test_lanes_keep_visits_apart_and_are_as_few_as_can_be(items: list[Span]) -> None:
    lanes = lay_lanes(items)
    for i, a in enumerate(items):
        for j in range(i):
            assert lanes[i] != lanes[j] or not a.overlaps(items[j])
    # The fewest lanes for intervals is the most that meet at one instant (the interval
    # partitioning theorem, e.g. Kleinberg & Tardos, Algorithm Design, 2005, section 4.1; from
    # memory).
    deepest = max((sum(s.holds(at) for s in items) for at in range(91)), default=0)
    assert len(set(lanes)) == deepest


def test_numbers_go_by_first_occurrence_and_colours_by_vocabulary() -> None:
    procedure = vocabulary()
    segments = visits(procedure, ("step2", 1, 2), ("step0", 3, 4), ("step2", 5, 6))
    looks = step_looks(segments, procedure)
    assert {code: look.label for code, look in looks.items()} == {"step2": "1", "step0": "2"}
    alone = step_looks(visits(procedure, ("step0", 1, 2)), procedure)
    assert alone["step0"].classes == looks["step0"].classes
    assert looks["step0"].classes != looks["step2"].classes


def test_each_level_counts_in_its_own_way() -> None:
    procedure = vocabulary()
    segments = visits(procedure, ("phase0", 0, 9), ("step0", 1, 2), ("task0", 1, 2))
    looks = step_looks(segments, procedure)
    assert [look.label for look in looks.values()] == ["A", "1", "a"]
    assert looks["phase0"].classes == "plain"
    phases_alone = step_looks(segments[:1], procedure)
    assert phases_alone["phase0"].classes != "plain"


def test_forty_steps_look_different() -> None:
    procedure = vocabulary(steps=COLOURS * PATTERNS, phases=0, tasks=0)
    rows = [(f"step{i}", i, i + 1) for i in range(COLOURS * PATTERNS)]
    looks = step_looks(visits(procedure, *rows), procedure)
    assert len({look.classes for look in looks.values()}) == 40


def test_letters_count_like_spreadsheet_columns() -> None:
    assert [letters(i) for i in range(26)] == list(string.ascii_uppercase)
    # Column names as in ECMA-376 spreadsheets, here through openpyxl.
    utils = pytest.importorskip("openpyxl.utils")
    assert [letters(i) for i in range(800)] == [utils.get_column_letter(i + 1) for i in range(800)]


@pytest.mark.parametrize("seconds", [1, 9, 61, 640, 3600, 7 * 3600, 24 * 3600])
def test_ticks_are_round_few_and_within(seconds: int) -> None:
    ticks = tick_times(seconds * NS)
    assert ticks[0] == 0
    assert ticks[-1] <= seconds * NS
    assert 1 < len(ticks) <= 13
    assert len({b - a for a, b in pairwise(ticks)}) == 1


def test_visits_are_numbered_within_their_step() -> None:
    procedure = vocabulary()
    segments = visits(procedure, ("step0", 1, 2), ("step1", 3, 4), ("step0", 5, 6))
    assert visit_numbers(segments) == [(1, 2), (1, 1), (2, 2)]


def test_strip_holds_rows_frames_gaps_and_holes(ten_minutes: Recording) -> None:
    part = ten_minutes.parts[0]
    second = replace(part, start=700 * NS)
    recording = Recording((part, second))
    procedure = vocabulary()
    segments = visits(procedure, ("phase1", 10, 590), ("step1", 20, 30), ("step0", 30, 40))
    annotation = Annotation(
        "c", "made_up", segments=segments, excluded=visits(procedure, ("pause", 100, 110))
    )
    strip = lay_strip(
        recording, procedure, annotation, time_case(annotation, procedure, recording.recorded)
    )
    assert [row.level for row in strip.rows] == [Kind.PHASE, Kind.STEP]
    assert strip.main is Kind.STEP
    assert strip.length == 1300 * NS
    assert strip.holes == (Span(600 * NS, 700 * NS),)
    assert strip.excluded == (Span(100 * NS, 110 * NS),)
    steps = strip.rows[1]
    assert [(b.first, b.last) for b in steps.blocks] == [(500, 750), (750, 1000)]
    assert steps.gaps == (
        Span(0, 20 * NS),
        Span(40 * NS, 100 * NS),
        Span(110 * NS, 600 * NS),
        Span(700 * NS, 1300 * NS),
    )
    # Numbered among visits and excluded spans alike, as segments.csv does.
    assert [b.order for row in strip.rows for b in row.blocks] == [1, 2, 3]


def test_strip_without_any_mark(ten_minutes: Recording) -> None:
    procedure = vocabulary()
    annotation = Annotation("c", "made_up")
    timing = time_case(annotation, procedure, ten_minutes.recorded)
    strip = lay_strip(ten_minutes, procedure, annotation, timing)
    assert (strip.rows, strip.length) == ((), 600 * NS)
