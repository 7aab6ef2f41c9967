"""The conservation laws, as properties, with `portion` as the independent arithmetic."""

import portion
from hypothesis import given
from hypothesis import strategies as st

from vidseg.measure.case.durations import time_case
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.procedure import Kind, Procedure, Step
from vidseg.model.span import Span, Spans

STEPS = (
    Step("open", "Open", Kind.PHASE),
    Step("cut", "Cut"),
    Step("sew", "Sew"),
    Step("wash", "Wash"),
    Step("break", "Break", Kind.EXCLUDED),
)
VOCABULARY = Procedure("test", "Test", "1", "invented", STEPS)
SPANS = st.builds(lambda a, n: Span(a, a + n), st.integers(0, 100), st.integers(1, 30))
ROWS = st.lists(st.tuples(st.sampled_from(STEPS[:4]), SPANS), max_size=12)


def annotation(rows: list[tuple[Step, Span]], breaks: list[Span]) -> Annotation:
    return Annotation(
        "c",
        "test",
        segments=tuple(sorted((Segment(s, p) for s, p in rows), key=lambda s: s.span)),
        excluded=tuple(Segment(STEPS[4], span) for span in breaks),
    )


def interval(spans: list[Span]) -> portion.Interval:
    found = portion.empty()
    for span in spans:
        found |= portion.closedopen(span.start, span.end)
    return found


def size(found: portion.Interval) -> int:
    return sum(atom.upper - atom.lower for atom in found if not atom.empty)


@given(ROWS, st.lists(SPANS, max_size=4), st.lists(SPANS, min_size=1, max_size=3))
def test_laws(rows: list[tuple[Step, Span]], breaks: list[Span], recorded: list[Span]) -> None:
    timing = time_case(annotation(rows, breaks), VOCABULARY, Spans(recorded))
    observed = interval(recorded) - interval(breaks)
    assert timing.observed_ns == size(observed) == timing.recorded_ns - timing.excluded_ns
    assert timing.covered_ns == size(interval([p for _, p in rows]) & observed)
    assert timing.covered_ns + timing.gap_ns == timing.observed_ns
    assert timing.gaps.length == timing.gap_ns
    for found in timing.steps:
        own = [p for s, p in rows if s == found.step]
        assert found.active_ns == size(interval(own) & observed)
        hull = Span(min(p.start for p in own), max(p.end for p in own))
        assert found.elapsed_ns == size(interval([hull]) & observed)
        assert found.interrupted_ns == found.elapsed_ns - found.active_ns >= 0
        others = [p for s, p in rows if s != found.step and s.kind is found.step.kind]
        assert found.shared_ns == size(interval(own) & interval(others) & observed)
    for level in timing.levels:
        active = sum(s.active_ns for s in timing.steps if s.step.kind is level.level)
        assert level.covered_ns + level.gap_ns == timing.observed_ns
        assert active - level.covered_ns >= level.overlaps.length


@given(ROWS, st.lists(SPANS, max_size=4))
def test_each_instant_counted_twice_is_counted_by_hand(
    rows: list[tuple[Step, Span]], breaks: list[Span]
) -> None:
    timing = time_case(annotation(rows, breaks), VOCABULARY, Spans([Span(0, 140)]))
    out = {t for span in breaks for t in range(span.start, span.end)}
    for level in timing.levels:
        extra = 0
        for t in set(range(140)) - out:
            at = {s.code for s, p in rows if s.kind is level.level and p.holds(t)}
            extra += max(0, len(at) - 1)
        active = sum(s.active_ns for s in timing.steps if s.step.kind is level.level)
        assert active - level.covered_ns == extra


def test_a_step_without_a_row_has_no_entry() -> None:
    timing = time_case(annotation([(STEPS[1], Span(0, 5))], []), VOCABULARY, Spans([Span(0, 10)]))
    assert [found.step.code for found in timing.steps] == ["cut"]


def test_nested_and_repeated_breaks_are_taken_off_once() -> None:
    timing = time_case(
        annotation([(STEPS[1], Span(0, 10))], [Span(2, 6), Span(3, 5), Span(2, 6)]),
        VOCABULARY,
        Spans([Span(0, 20)]),
    )
    assert timing.steps[0].active_ns == 6
    assert timing.excluded_ns == 4
