"""Captions from words: what broadcasters' limits ask for, at any words."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from vidseg.model.clock import NS
from vidseg.model.span import Span
from vidseg.model.transcript import HeardCue, HeardWord
from vidseg.speech.cues import LINE_LETTERS, LONGEST_NS, PAUSE_NS, cues_of

MS = NS // 1000


def words(text: str, start_ms: int = 0, each_ms: int = 300, gap_ms: int = 50) -> list[HeardWord]:
    found = []
    for word in text.split():
        found.append(HeardWord(Span(start_ms * MS, (start_ms + each_ms) * MS), word, 0.9))
        start_ms += each_ms + gap_ms
    return found


def texts(cues: tuple[HeardCue, ...]) -> list[str]:
    return [cue.cue.text for cue in cues]


@st.composite
def spoken(draw: st.DrawFn) -> list[HeardWord]:
    at, found = 0, []
    for _ in range(draw(st.integers(0, 60))):
        at += draw(st.integers(0, 3000)) * MS
        length = draw(st.integers(1, 1500)) * MS
        text = draw(st.text("abcdefgh", min_size=1, max_size=12)) + draw(st.sampled_from("   .,?"))
        found.append(HeardWord(Span(at, at + length), text.strip(), draw(st.floats(0, 1))))
        at += length
    return found


@given(spoken())
def test_no_word_is_lost_and_no_limit_broken(said: list[HeardWord]) -> None:
    cues = cues_of(said)
    assert [word for cue in cues for line in cue.lines for word in line] == said
    for cue in cues:
        assert cue.span.length <= LONGEST_NS
        assert 1 <= len(cue.lines) <= 2
        assert all(len(line) <= LINE_LETTERS for line in cue.cue.text.split("\n"))
        assert cue.span.start == cue.lines[0][0].span.start
    for before, after in pairwise(cues):
        assert before.span.end <= after.span.start


def test_sentences_and_pauses_end_a_caption() -> None:
    said = words("The eye is quiet. We begin now")
    said += words("and wait", said[-1].span.end // MS + PAUSE_NS // MS)
    assert texts(cues_of(said)) == ["The eye is quiet.", "We begin now", "and wait"]


def test_what_is_too_long_is_broken_at_a_comma() -> None:
    said = words(
        "we open the small wound at the side of the eye, "
        "then the larger one is made with the keratome"
    )
    assert texts(cues_of(said))[0].replace("\n", " ").endswith("eye,")


def test_a_short_word_is_shown_long_enough_to_be_read() -> None:
    said = [HeardWord(Span(0, 200 * MS), "Good.", 0.9)]
    assert cues_of(said)[0].span == Span(0, NS)
