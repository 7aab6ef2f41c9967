"""Captions of a clip: the arithmetic, by hand and as properties."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from vidseg.measure.case.captions import cut_captions
from vidseg.model.annotation import Cue
from vidseg.model.recording import Captions
from vidseg.model.span import Span, Spans


def captions(*cues: tuple[int, int, str]) -> Captions:
    return Captions("said.vtt", tuple(Cue(Span(a, b), text) for a, b, text in cues), "de")


def rows(cut: Captions) -> list[tuple[int, int, str]]:
    return [(cue.span.start, cue.span.end, cue.text) for cue in cut.cues]


def test_cut_and_moved() -> None:
    said = captions((0, 10, "before"), (8, 30, "into"), (40, 50, "within"), (55, 99, "out of"))
    cut = cut_captions(said, [Span(20, 60)])
    assert rows(cut) == [(0, 10, "into"), (20, 30, "within"), (35, 40, "out of")]
    assert (cut.source, cut.language) == ("said.vtt", "de")


def test_spans_follow_one_another() -> None:
    said = captions((0, 100, "all along"), (30, 34, "left out"), (52, 58, "last"))
    cut = cut_captions(said, [Span(10, 20), Span(50, 60)])
    assert rows(cut) == [(0, 10, "all along"), (10, 20, "all along"), (12, 18, "last")]


def test_touching_spans_keep_a_caption_whole() -> None:
    assert rows(cut_captions(captions((5, 15, "a")), [Span(0, 10), Span(10, 20)])) == [(5, 15, "a")]


def test_touching_is_not_showing() -> None:
    assert rows(cut_captions(captions((0, 10, "a"), (20, 30, "b")), [Span(10, 20)])) == []


moments = st.integers(0, 200)
spans = st.builds(lambda a, n: Span(a, a + n), moments, st.integers(1, 50))


@given(st.lists(spans, max_size=8), st.lists(spans, min_size=1, max_size=4))
def test_as_much_is_shown_as_the_footage_holds(cues: list[Span], wanted: list[Span]) -> None:
    footage = list(Spans(wanted))
    said = Captions("x", tuple(Cue(span, str(n)) for n, span in enumerate(cues)))
    cut = cut_captions(said, footage)
    length = sum(span.length for span in footage)
    assert all(0 <= c.span.start < c.span.end <= length for c in cut.cues)
    for number, span in enumerate(cues):
        shown = sum(c.span.length for c in cut.cues if c.text == str(number))
        assert shown == (Spans([span]) & Spans(footage)).length
