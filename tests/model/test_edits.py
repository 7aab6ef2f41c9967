"""The map from recording to operative time: its laws, as properties, and hand-worked cases."""

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.model.clock import NS
from vidseg.model.edits import Edit, EditMap, Inserted, Pause, Removed, Speed
from vidseg.model.span import Span, Spans

LENGTH = 1000 * NS


@st.composite
def edit_lists(draw: st.DrawFn) -> list[Edit]:
    """Edits that neither overlap nor leave the recording, at whole seconds."""
    edges = sorted(draw(st.sets(st.integers(1, 999), min_size=0, max_size=12)))
    edits: list[Edit] = []
    while edges:
        kind = draw(st.sampled_from(["removed", "pause", "speed", "inserted"]))
        start = edges.pop(0) * NS
        if kind in ("removed", "pause"):
            length = draw(st.one_of(st.none(), st.integers(1, 500)))
            make = Removed if kind == "removed" else Pause
            edits.append(make(start, length and length * NS))
        elif edges:
            span = Span(start, edges.pop(0) * NS)
            factor = Fraction(draw(st.integers(1, 8)), draw(st.integers(1, 4)))
            edits.append(Inserted(span) if kind == "inserted" else Speed(span, factor))
    return edits


MOMENTS = st.integers(0, LENGTH)


@given(MOMENTS)
def test_no_edit_is_the_identity(at: int) -> None:
    plain = EditMap((), LENGTH)
    assert plain.start_of(at) == plain.end_of(at) == plain.back(at) == at
    assert plain.end_of(LENGTH) == LENGTH


@given(edit_lists(), MOMENTS, MOMENTS)
def test_monotone(edits: list[Edit], one: int, other: int) -> None:
    both = EditMap(edits, LENGTH)
    a, b = sorted((one, other))
    assert both.start_of(a) <= both.start_of(b)
    assert both.end_of(a) <= both.end_of(b)
    assert both.end_of(a) <= both.start_of(a)


@given(edit_lists(), MOMENTS)
def test_invertible_where_defined(edits: list[Edit], at: int) -> None:
    clock = EditMap(edits, LENGTH)
    inserted = Spans(e.span for e in edits if isinstance(e, Inserted))
    if not inserted.holds(at):
        back = clock.back(clock.start_of(at))
        assert back is not None
        # slowed footage (factor below 1) maps several ns onto one
        assert abs(back - at) <= 8 or clock.start_of(back) == clock.start_of(at)


@given(edit_lists(), st.lists(MOMENTS, min_size=1, max_size=6, unique=True))
def test_durations_add_up(edits: list[Edit], cuts: list[int]) -> None:
    """Pieces that tile the recording, cut away from instants at which time is missing, take
    together what the whole takes."""
    instants = {e.at for e in edits if isinstance(e, Removed | Pause)}
    edges = [0, *sorted(c for c in cuts if 0 < c < LENGTH and c not in instants), LENGTH]
    clock = EditMap(edits, LENGTH)
    whole = clock.end_of(LENGTH) - clock.start_of(0)
    parts = sum(clock.end_of(b) - clock.start_of(a) for a, b in pairwise(edges))
    assert parts == whole
    expected = LENGTH
    for edit in edits:
        if isinstance(edit, Removed | Pause):
            expected += edit.length or 0
        elif isinstance(edit, Inserted):
            expected -= edit.span.length
        else:
            expected += round((edit.factor - 1) * edit.span.length)
    assert abs(whole - expected) <= len(edits)


def test_worked_by_hand() -> None:
    # 0-100 s plain; 30 s removed at 100; 200-220 s shown 4 times as fast (80 s); title 300-310 s
    clock = EditMap(
        [
            Speed(Span(200 * NS, 220 * NS), Fraction(4)),
            Removed(100 * NS, 30 * NS),
            Inserted(Span(300 * NS, 310 * NS)),
        ],
        400 * NS,
    )
    assert clock.end_of(100 * NS) == 100 * NS
    assert clock.start_of(100 * NS) == 130 * NS
    assert clock.start_of(210 * NS) == 270 * NS
    assert clock.start_of(220 * NS) == 310 * NS
    assert clock.span(Span(300 * NS, 310 * NS)) is None
    assert clock.span(Span(295 * NS, 315 * NS)) == Span(385 * NS, 395 * NS)
    assert clock.end_of(400 * NS) == (400 + 30 + 60 - 10) * NS
    assert clock.back(115 * NS) is None
    assert clock.back(270 * NS) == 210 * NS


@pytest.mark.parametrize(
    ("edits", "message"),
    [
        ([Removed(1001 * NS, NS)], "outside the recording"),
        ([Inserted(Span(990 * NS, 1010 * NS))], "outside the recording"),
        ([Inserted(Span(10, 30)), Speed(Span(20, 40), Fraction(2))], "overlaps"),
        ([Inserted(Span(10, 30)), Removed(20, 5)], "overlaps"),
        ([Speed(Span(10, 30), Fraction(2)), Removed(20, 5)], "overlaps"),
        ([Removed(20, 5), Removed(20, 6)], "at one instant"),
        ([Pause(20, 5), Removed(20, 6), Pause(20, 5)], "at one instant"),
    ],
)
def test_edits_that_contradict(edits: list[Edit], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        EditMap(edits, LENGTH)


def test_a_pause_before_the_first_frame_takes_nothing_from_what_follows() -> None:
    clock = EditMap([Pause(0, 7), Removed(0, 2)], LENGTH)
    assert clock.start_of(0) == 9
    assert clock.pauses() == Spans([Span(0, 7)])
