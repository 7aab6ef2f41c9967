"""Words stay out where they may identify someone, unless a person lets them stay."""

from vidseg.measure.privacy.sifting import Sieve, without_words
from vidseg.measure.privacy.unmasked import mask_of, overlays_left, views_left
from vidseg.model.annotation import Annotation, Cue, Event, Segment
from vidseg.model.mask import Mask
from vidseg.model.procedure import Kind, Step
from vidseg.model.recording import Captions
from vidseg.model.screening import Overlay, UnlikeView
from vidseg.model.span import Span, Spans

NS = 1_000_000_000
CUT, TEAR = Step("cut", "Cut"), Step("tear", "Tear", Kind.EVENT)


def captions(*texts: str) -> Captions:
    cues = [Cue(Span(n * NS, (n + 1) * NS), text) for n, text in enumerate(texts)]
    return Captions("talk-of-anna.vtt", tuple(cues), "en")


def test_a_caption_with_a_finding_is_left_out_and_told() -> None:
    sieve = Sieve()
    kept = sieve.captions(captions("the main incision", "thank you, Anna", "and the next"))
    assert [cue.text for cue in kept.cues] == ["the main incision", "and the next"]
    assert kept.source == ""
    (found,) = sieve.found
    assert (found.where, found.identifier.text, found.allowed) == (
        "caption at 0:00:01.000",
        "Anna",
        False,
    )
    assert (sieve.counts(allowed=False), sieve.counts(allowed=True)) == ({"A": 1}, {})


def test_each_finding_of_a_text_must_be_allowed() -> None:
    text = "thank you, Anna, that was 13.05.2031"
    sieve = Sieve(allowed=["anna"])
    assert not sieve.passes(text, "here")
    assert sieve.counts(allowed=False) == {"A": 1, "C": 1}
    sieve = Sieve(allowed=["anna", "13.05.2031 "])
    assert sieve.passes(text, "here")
    assert sieve.counts(allowed=True) == {"A": 1, "C": 1}


def test_notes_and_extra_columns() -> None:
    marks = Annotation(
        "case",
        "phaco",
        "Mr Annotator",
        "anna.csv",
        segments=(
            Segment(CUT, Span(0, 5), "two side ports", attributes=(("who", "Anna"),)),
            Segment(CUT, Span(5, 9), "MRN 00123456"),
        ),
        events=(Event(TEAR, 6, "by Dr Person"),),
    )
    sieve = Sieve()
    sifted = sieve.notes(marks)
    assert [s.note for s in sifted.segments] == ["two side ports", ""]
    assert sifted.segments[0].attributes == ()
    assert sifted.events[0].note == ""
    assert sieve.counts(allowed=False) == {"H": 1, "A": 1}
    bare = without_words(marks)
    assert (bare.annotator, bare.source) == ("", "")
    assert {row.note for row in bare.segments} | {event.note for event in bare.events} == {""}


def test_what_no_mask_and_no_cut_hides_is_left() -> None:
    overlay = Overlay(10, 10, 40, 20, Span(0, 100), 0.9, (0,))
    assert overlays_left([overlay], [], Spans()) == (overlay,)
    assert overlays_left([overlay], [mask_of(overlay)], Spans()) == ()
    assert overlays_left([overlay], [Mask(0, 0, 50, 30)], Spans()) == ()
    assert overlays_left([overlay], [Mask(0, 0, 49, 30)], Spans()) == (overlay,)
    early = Mask(0, 0, 60, 60, Span(0, 50))
    assert overlays_left([overlay], [early], Spans()) == (overlay,)
    assert overlays_left([overlay], [early], Spans([Span(50, 100)])) == ()
    view = UnlikeView(Span(20, 40), 0.8, "brighter", 3)
    assert views_left([view], Spans([Span(0, 30)])) == (view,)
    assert views_left([view], Spans([Span(0, 30), Span(30, 40)])) == ()
