"""Captions merged and cut into sentences: rolling lines, paragraphs, joined captions."""

import pytest

from vidseg.measure.draft.utterances import merged, utterances
from vidseg.model.annotation import Cue
from vidseg.model.clock import NS
from vidseg.model.span import Span


def cue(start: float, end: float, text: str) -> Cue:
    return Cue(Span(round(start * NS), round(end * NS)), text)


def test_rolling_captions_say_each_word_once() -> None:
    rolling = [
        cue(0, 2, " \nthe blade goes in here"),
        cue(2, 2.01, "the blade goes in here\n "),
        cue(2.01, 5, "the blade goes in here\nand out again slowly"),
        cue(5, 5.01, "and out again slowly\n "),
        cue(5.01, 8, "and out again slowly\nnow the gel"),
    ]
    once = merged(rolling)
    assert len(once) == len(rolling)
    assert " ".join(c.text for c in once if c.text) == (
        "the blade goes in here and out again slowly now the gel"
    )
    assert once[2].text == "and out again slowly"


def test_what_is_said_twice_stays() -> None:
    twice = [cue(0, 1, "okay"), cue(1, 2, "okay"), cue(60, 63, "turn it round"), cue(90, 92, "x")]
    assert merged(twice) == tuple(twice)
    later = [cue(0, 3, "turn it round again"), cue(60, 63, "turn it round again")]
    assert merged(later) == tuple(later)


def test_a_paragraph_has_a_time_for_each_sentence() -> None:
    text = "The first cut is made. " * 2 + "Then we fill the chamber with gel, slowly."
    found = utterances([cue(100, 140, text)])
    assert [one.text.split()[0] for one in found] == ["The", "The", "Then"]
    assert found[0].start_s == pytest.approx(100)
    assert found[-1].end_s == pytest.approx(140)
    # Time runs with the letters: 23 of 89 for each of the first two sentences.
    assert found[2].start_s == pytest.approx(100 + 40 * 46 / 89, abs=0.5)


def test_a_sentence_over_two_captions_is_joined() -> None:
    found = utterances([cue(0, 3, "Now I enter with the"), cue(3, 6, "wide blade. Good.")])
    assert [one.text for one in found] == ["Now I enter with the wide blade.", "Good."]
    assert found[0].cue == 0
    assert found[1].cue == 1


def test_marks_of_sound_are_no_words() -> None:
    assert utterances([cue(0, 5, "[Music]"), cue(5, 9, "♪ ♪"), cue(9, 12, "(coughs)")]) == ()
