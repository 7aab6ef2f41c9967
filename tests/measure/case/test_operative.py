"""Annotations in operative time: what edits do to steps, worked by hand."""

from fractions import Fraction

from vidseg.measure.case.durations import time_case
from vidseg.measure.case.operative import in_operative_time, known_time
from vidseg.model.annotation import Annotation, Event, Segment
from vidseg.model.clock import NS
from vidseg.model.edits import Edit, EditMap, Inserted, Pause, Removed, Speed
from vidseg.model.procedure import Kind, Procedure, Step
from vidseg.model.span import Span, Spans
from vidseg.model.timing import StepTiming

CUT, SEW, SEEN = Step("cut", "Cut"), Step("sew", "Sew"), Step("seen", "Seen", Kind.EVENT)
VOCABULARY = Procedure("t", "T", "1", "invented", (CUT, SEW, SEEN))
RECORDED = Spans([Span(0, 100 * NS)])


def s(seconds: float) -> int:
    return round(seconds * NS)


def timed(
    rows: list[tuple[Step, float, float]], edits: list[Edit]
) -> tuple[dict[str, StepTiming], set[str]]:
    annotation = Annotation(
        "c",
        "t",
        segments=tuple(Segment(step, Span(s(a), s(b))) for step, a, b in rows),
        events=(Event(SEEN, s(35)),),
    )
    clock = EditMap(edits, 100 * NS)
    moved, problems = in_operative_time(annotation, clock)
    timing = time_case(moved, VOCABULARY, known_time(RECORDED, clock))
    return {t.step.code: t for t in timing.steps}, {p.code for p in problems}


def test_removed_time_within_a_step_counts_for_it() -> None:
    steps, problems = timed([(CUT, 10, 30), (SEW, 30, 50)], [Removed(s(20), s(15))])
    assert steps["cut"].active_ns == s(35)
    assert steps["sew"].active_ns == s(20)
    assert problems == set()


def test_removed_time_between_steps_counts_for_neither() -> None:
    steps, _ = timed([(CUT, 10, 30), (SEW, 30, 50)], [Removed(s(30), s(15))])
    assert steps["cut"].active_ns == steps["sew"].active_ns == s(20)


def test_a_step_that_touches_an_unknown_removal_is_censored() -> None:
    steps, problems = timed([(CUT, 10, 30), (SEW, 30, 50), (CUT, 60, 70)], [Removed(s(30), None)])
    assert (steps["cut"].open_start, steps["cut"].open_end) == (False, True)
    assert (steps["sew"].open_start, steps["sew"].open_end) == (True, False)
    assert problems == {"unknown-removal"}
    steps, _ = timed([(CUT, 10, 29), (SEW, 31, 50)], [Removed(s(30), None)])
    assert not any(t.open_start or t.open_end for t in steps.values())


def test_speeded_footage_takes_its_true_time() -> None:
    steps, _ = timed([(CUT, 10, 30), (SEW, 35, 50)], [Speed(Span(s(20), s(40)), Fraction(4))])
    assert steps["cut"].active_ns == s(10 + 4 * 10)
    assert steps["sew"].active_ns == s(4 * 5 + 10)


def test_inserted_material_takes_none() -> None:
    steps, problems = timed([(CUT, 10, 50), (SEW, 32, 38)], [Inserted(Span(s(30), s(40)))])
    assert steps["cut"].active_ns == s(30)
    assert "sew" not in steps
    assert problems == {"in-inserted-material"}


def test_a_pause_of_the_recorder_is_elapsed_in_no_step() -> None:
    steps, _ = timed([(CUT, 10, 30)], [Pause(s(20), s(15))])
    assert steps["cut"].active_ns == steps["cut"].elapsed_ns == s(20)


def test_without_edits_nothing_moves() -> None:
    steps, problems = timed([(CUT, 10, 30)], [])
    assert steps["cut"].segments[0].span == Span(s(10), s(30))
    assert problems == set()
