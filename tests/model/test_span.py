"""Interval algebra against the library `portion`."""

import portion
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.model.span import Span, Spans

PAIRS = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), max_size=8)


def ours(pairs: list[tuple[int, int]]) -> Spans:
    return Spans(Span(start, start + length) for start, length in pairs)


def theirs(pairs: list[tuple[int, int]]) -> portion.Interval:
    found = portion.empty()
    for start, length in pairs:
        found |= portion.closedopen(start, start + length)
    return found


def listed(spans: Spans) -> list[tuple[int, int]]:
    return [(span.start, span.end) for span in spans]


def listed_portion(interval: portion.Interval) -> list[tuple[int, int]]:
    return [(atom.lower, atom.upper) for atom in interval if not atom.empty]


@given(PAIRS, PAIRS)
def test_algebra_agrees_with_portion(a: list[tuple[int, int]], b: list[tuple[int, int]]) -> None:
    assert listed(ours(a)) == listed_portion(theirs(a))
    assert listed(ours(a) | ours(b)) == listed_portion(theirs(a) | theirs(b))
    assert listed(ours(a) & ours(b)) == listed_portion(theirs(a) & theirs(b))
    assert listed(ours(a) - ours(b)) == listed_portion(theirs(a) - theirs(b))


@given(PAIRS, st.integers(-1, 90))
def test_membership_agrees_with_portion(a: list[tuple[int, int]], at: int) -> None:
    assert ours(a).holds(at) == (at in theirs(a))


@given(PAIRS, PAIRS)
def test_length_is_conserved(a: list[tuple[int, int]], b: list[tuple[int, int]]) -> None:
    left, right = ours(a), ours(b)
    assert (left & right).length + (left - right).length == left.length
    assert (left | right).length == left.length + right.length - (left & right).length


@pytest.mark.parametrize(("start", "end"), [(5, 5), (6, 5)])
def test_a_span_has_length(start: int, end: int) -> None:
    with pytest.raises(ValueError, match="must end after it starts"):
        Span(start, end)


# Allen's thirteen relations (Allen 1983): touching ("meets") is not sharing.
@pytest.mark.parametrize(
    ("a", "b", "share"),
    [
        ((0, 5), (5, 9), False),
        ((0, 5), (6, 9), False),
        ((0, 5), (3, 9), True),
        ((0, 5), (0, 9), True),
        ((2, 5), (0, 9), True),
        ((4, 9), (0, 9), True),
        ((0, 9), (0, 9), True),
    ],
)
def test_overlap(a: tuple[int, int], b: tuple[int, int], share: bool) -> None:
    assert Span(*a).overlaps(Span(*b)) is share
    assert Span(*b).overlaps(Span(*a)) is share
