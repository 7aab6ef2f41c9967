"""Footage cut out of a copy costs its steps no time: the laws of ``vidseg.model.timing`` on both
clocks, checked by timing the copy as any other recording."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.measure.case.durations import time_case
from vidseg.measure.case.operative import in_operative_time, known_time
from vidseg.measure.case.retime import Carried, carry, differing
from vidseg.model.annotation import Annotation, Event, Segment
from vidseg.model.edits import Edit, EditMap, Inserted, Pause, Removed, Speed
from vidseg.model.problem import UsageError
from vidseg.model.procedure import Kind, Procedure, Step
from vidseg.model.span import Span, Spans
from vidseg.model.timing import Timing

STEPS = (Step("cut", "Cut"), Step("turn", "Turn"), Step("pause", "Pause", Kind.EXCLUDED))
PROCEDURE = Procedure("made_up", "Made up", "1", "tests", STEPS)
CUT, TURN, PAUSE = STEPS
TEAR = Step("tear", "Tear", Kind.EVENT)
LENGTH = 100
RECORDED = Spans([Span(0, LENGTH)])


def annotation(*rows: tuple[Step, int, int], events: tuple[int, ...] = ()) -> Annotation:
    segments = [Segment(step, Span(start, end)) for step, start, end in rows]
    return Annotation(
        "case",
        "made_up",
        segments=tuple(s for s in segments if s.step.timed),
        events=tuple(Event(TEAR, at) for at in events),
        excluded=tuple(s for s in segments if not s.step.timed),
    )


def kept_after(*cuts: tuple[int, int]) -> list[tuple[Span, int]]:
    kept, at = [], 0
    for span in RECORDED - Spans(Span(a, b) for a, b in cuts):
        kept.append((span, at))
        at += span.length
    return kept


def timed(marks: Annotation, edits: EditMap, recorded: Spans) -> Timing:
    moved, _ = in_operative_time(marks, edits)
    return time_case(moved, PROCEDURE, known_time(recorded, edits))


def copy_timing(carried: Carried, kept: list[tuple[Span, int]]) -> Timing:
    span, offset = kept[-1]
    length = offset + span.length
    return timed(carried.annotation, EditMap(carried.edits, length), Spans([Span(0, length)]))


def test_worked_by_hand() -> None:
    # Cut 10-50 with a pause 20-30 that is cut out, and 40-45 of the step cut out as well
    marks = annotation((CUT, 10, 50), (PAUSE, 20, 30), (TURN, 60, 80), events=(15, 42, 70))
    kept = kept_after((20, 30), (40, 45), (90, 100))
    carried = carry(marks, EditMap((), LENGTH), RECORDED, kept)
    assert [s.span for s in carried.annotation.segments] == [Span(10, 35), Span(45, 65)]
    assert carried.annotation.excluded == ()
    assert [e.at for e in carried.annotation.events] == [15, 55]
    assert carried.notes == ("Tear: an event in a span that was cut is not in the copy",)
    assert carried.edits == (Pause(20, 10), Removed(30, 5), Removed(75, 10))
    (cut, turn) = copy_timing(carried, kept).steps
    assert (cut.active_ns, cut.elapsed_ns, cut.first_ns, cut.last_ns) == (30, 30, 10, 50)
    assert (turn.active_ns, turn.first_ns, turn.last_ns) == (20, 60, 80)


def test_excluded_and_counted_time_cut_at_one_place() -> None:
    marks = annotation((CUT, 0, 10), (PAUSE, 15, 17), (TURN, 17, 40))
    carried = carry(marks, EditMap((), LENGTH), RECORDED, kept := kept_after((10, 17)))
    assert set(carried.edits) == {Removed(10, 5), Pause(10, 2)}
    whole = timed(marks, EditMap((), LENGTH), RECORDED)
    assert differing(whole, copy := copy_timing(carried, kept), 0) == ()
    assert copy.observed_ns == whole.observed_ns


def test_a_blanked_pause_stays_excluded() -> None:
    marks = annotation((CUT, 10, 50), (PAUSE, 20, 30))
    carried = carry(marks, EditMap((), LENGTH), RECORDED, [(Span(0, LENGTH), 0)])
    assert carried == Carried(marks, (), ())


@pytest.mark.parametrize("cut", [(40, 60), (0, 20), (5, 55)])
def test_a_cut_that_takes_an_edge_of_a_step_is_refused(cut: tuple[int, int]) -> None:
    marks = annotation((CUT, 10, 50))
    with pytest.raises(UsageError, match=r"edge of Cut .* blank that span"):
        carry(marks, EditMap((), LENGTH), RECORDED, kept_after(cut))


def test_an_edge_within_excluded_time_costs_nothing() -> None:
    marks = annotation((CUT, 10, 50), (PAUSE, 40, 60), (TURN, 42, 58))
    carried = carry(marks, EditMap((), LENGTH), RECORDED, kept := kept_after((40, 60)))
    assert [s.span for s in carried.annotation.segments] == [Span(10, 40)]
    assert carried.notes == ("Turn: a visit within excluded time is not in the copy",)
    whole = timed(marks, EditMap((), LENGTH), RECORDED)
    assert differing(whole, copy_timing(carried, kept), 0) == ()


def test_a_cut_that_takes_the_first_visit_within_excluded_time_is_refused() -> None:
    marks = annotation((CUT, 0, 1), (CUT, 3, 4), (PAUSE, 0, 1))
    with pytest.raises(UsageError, match="first or last visit of Cut"):
        carry(marks, EditMap((), LENGTH), RECORDED, kept_after((0, 1)))


def test_a_cut_up_to_footage_removed_within_a_step_is_refused() -> None:
    marks = annotation((CUT, 0, 31), (PAUSE, 0, 30))
    with pytest.raises(UsageError, match="edge of Cut"):
        carry(marks, EditMap([Removed(30, 2)], LENGTH), RECORDED, kept_after((0, 30)))


def test_footage_removed_at_unknown_length_stays_unknown() -> None:
    edits = EditMap([Removed(LENGTH, None), Removed(25, None)], LENGTH)
    marks = annotation((CUT, 10, 50), (PAUSE, 20, 30))
    carried = carry(marks, edits, RECORDED, kept_after((20, 30)))
    assert set(carried.edits) == {Removed(20, None), Pause(20, 10), Removed(90, None)}


def test_differences_are_named() -> None:
    one = timed(annotation((CUT, 10, 50)), EditMap((), LENGTH), RECORDED)
    other = timed(annotation((CUT, 10, 52), (TURN, 60, 70)), EditMap((), LENGTH), RECORDED)
    assert differing(one, one, 0) == ()
    assert differing(one, other, 2) == ("Turn is in the copy only",)
    said = "; ".join(differing(other, one, 1))
    assert "Cut: active differs by 0:00:00.000000" in said
    assert "Turn is not in the copy" in said


EDITS: list[list[Edit]] = [
    [],
    [Removed(0, 7)],
    [Removed(20, 3), Pause(33, 4)],
    [Speed(Span(30, 60), Fraction(4)), Removed(30, 2)],
    [Inserted(Span(0, 6)), Pause(70, 9), Removed(70, 1)],
    [Speed(Span(0, 50), Fraction(2)), Inserted(Span(50, 56))],
]
EDGES = st.lists(st.integers(0, LENGTH), min_size=2, max_size=2, unique=True).map(sorted)


@given(
    st.lists(st.tuples(st.sampled_from([CUT, TURN]), EDGES), min_size=1, max_size=4),
    st.lists(EDGES, max_size=2),
    st.lists(EDGES, max_size=3),
    st.sampled_from(EDITS),
)
def test_steps_take_as_long_in_the_copy_as_in_the_recording(
    steps: list[tuple[Step, list[int]]],
    away: list[list[int]],
    cuts: list[list[int]],
    edits: list[Edit],
) -> None:
    marks = annotation(*((step, a, b) for step, (a, b) in steps), *((PAUSE, a, b) for a, b in away))
    kept = kept_after(*((a, b) for a, b in cuts))
    if not kept:
        return
    clock = EditMap(edits, LENGTH)
    try:
        carried = carry(marks, clock, RECORDED, kept)
    except UsageError:
        return
    whole, copy = timed(marks, clock, RECORDED), copy_timing(carried, kept)
    assert differing(whole, copy, 1) == ()
    assert sum(s.active_ns for s in whole.steps) == pytest.approx(
        sum(s.active_ns for s in copy.steps), abs=4
    )


def test_open_edges_stay_open() -> None:
    marks = annotation((CUT, 0, 50))
    marks = replace(marks, segments=(replace(marks.segments[0], open_start=True),))
    carried = carry(marks, EditMap((), LENGTH), RECORDED, kept_after((50, 60)))
    assert carried.annotation.segments[0].open_start
