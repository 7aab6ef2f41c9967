"""Rows that overlap: the same pairs as by comparing all with all, and thousands at once."""

from hypothesis import given
from hypothesis import strategies as st

from vidseg.measure.case.overlaps import MOST_TOLD, forbidden_pairs
from vidseg.model.annotation import Segment
from vidseg.model.procedure import Step
from vidseg.model.span import Span

STEPS = (Step("a", "A", overlaps=("b",)), Step("b", "B"), Step("c", "C"))
ROWS = st.lists(
    st.builds(
        lambda step, start, length: Segment(step, Span(start, start + length)),
        st.sampled_from(STEPS),
        st.integers(0, 20),
        st.integers(1, 12),
    ),
    max_size=14,
).map(lambda rows: sorted(rows, key=lambda row: row.span))


@given(rows=ROWS)
def test_the_pairs_found_one_by_one(rows: list[Segment]) -> None:
    expected = [
        (before, after)
        for place, before in enumerate(rows)
        for after in rows[place + 1 :]
        if after.span.start < before.span.end and {before.step.code, after.step.code} != {"a", "b"}
    ]
    assert forbidden_pairs(rows) == (expected, 0)


def test_thousands_on_top_of_one_another() -> None:
    """N rows make N(N-1)/2 pairs; the first are told and the others counted."""
    n = 20_000
    rows = [Segment(STEPS[2], Span(place, 10 * n)) for place in range(n)]
    pairs, untold = forbidden_pairs(rows)
    assert len(pairs) == MOST_TOLD
    assert len(pairs) + untold == n * (n - 1) // 2
    allowed = [Segment(STEPS[place % 2], Span(place, place + 2)) for place in range(n)]
    assert forbidden_pairs(allowed) == ([], 0)
