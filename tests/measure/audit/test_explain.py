"""Findings that nothing explains become problems that name step and doubt; worked by hand."""

from fractions import Fraction

import pytest

from vidseg.measure.audit.explain import unexplained
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import NS
from vidseg.model.edits import Edit, Inserted, Pause, Removed, Speed
from vidseg.model.finding import Finding
from vidseg.model.procedure import Kind, Step
from vidseg.model.span import Span

CUT, SEW = Step("cut", "Cut"), Step("sew", "Sew")
REST = Step("rest", "Rest", Kind.EXCLUDED)


def s(seconds: float) -> int:
    return round(seconds * NS)


ANNOTATION = Annotation(
    "c",
    "t",
    source="steps.csv",
    segments=(
        Segment(CUT, Span(s(10), s(30)), line=2),
        Segment(SEW, Span(s(30), s(50)), line=3),
    ),
    excluded=(Segment(REST, Span(s(60), s(70))),),
)


def finding(code: str, start: float, end: float | None = None) -> Finding:
    return Finding(code, s(start), s(start if end is None else end), 0.8, "seen")


def test_a_cut_within_a_step_names_it() -> None:
    (problem,) = unexplained([finding("hard-cut", 20)], [], ANNOTATION)
    assert (problem.code, problem.line) == ("unexplained-finding", 2)
    assert "Cut, by an unknown time" in problem.message
    assert "Sew" not in problem.message


def test_the_size_of_the_doubt_is_told() -> None:
    frozen, fast = unexplained(
        [finding("frozen-span", 28, 33), finding("speeded-up", 40, 44)], [], ANNOTATION
    )
    assert "Cut, Sew, by up to 0:00:05.000" in frozen.message
    assert "Sew, over 0:00:04.000, by an unknown factor" in fast.message


@pytest.mark.parametrize(
    ("found", "edit", "explained"),
    [
        (finding("hard-cut", 20), Removed(s(20.5), s(5)), True),
        (finding("hard-cut", 20), Removed(s(22), s(5)), False),
        (finding("hard-cut", 20), Pause(s(20), None), True),
        (finding("frozen-span", 20, 25), Removed(s(20), s(5)), False),
        (finding("speeded-up", 20, 25), Speed(Span(s(19), s(26)), Fraction(4)), True),
        (finding("frozen-span", 20, 25), Speed(Span(s(19), s(26)), Fraction(4)), False),
        (finding("still-picture", 20, 25), Inserted(Span(s(20), s(25))), True),
        (finding("still-picture", 20, 29), Inserted(Span(s(20), s(25))), False),
        (finding("speeded-up", 20, 25), Inserted(Span(s(20), s(25))), False),
    ],
)
def test_an_edit_of_the_right_kind_and_place_explains(
    found: Finding, edit: Edit, explained: bool
) -> None:
    assert (unexplained([found], [edit], ANNOTATION) == ()) is explained


def test_excluded_time_explains_what_lies_in_it() -> None:
    assert unexplained([finding("black-span", 61, 69)], [], ANNOTATION) == ()
    assert unexplained([finding("hard-cut", 70)], [], ANNOTATION) == ()
    assert len(unexplained([finding("black-span", 65, 75)], [], ANNOTATION)) == 1


def test_what_does_not_bear_on_durations_is_no_problem() -> None:
    assert unexplained([finding("interlaced", 0, 50)], [], ANNOTATION) == ()
