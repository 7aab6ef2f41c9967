"""Events: only what the words say happened, to this patient, now; the sentences are ours."""

import pytest

from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.draft.events import each_word_heard, find_events
from vidseg.measure.draft.evidence import Telling
from vidseg.measure.draft.utterances import utterances
from vidseg.model.annotation import Cue
from vidseg.model.clock import NS
from vidseg.model.span import Span


def events(*lines: str, code: str = "phaco") -> set[str]:
    cues = [Cue(Span(n * 10 * NS, (n * 10 + 6) * NS), line) for n, line in enumerate(lines)]
    sure, _ = find_events(utterances(cues), load_procedure(code), Telling.LIVE)
    return {event.step.code for event in sure}


@pytest.mark.parametrize(
    ("line", "event"),
    [
        ("Stop. There is a rent in the posterior capsule.", "posterior_capsule_rupture"),
        ("You can see the hole in the capsule now.", "posterior_capsule_rupture"),
        ("Oh, the iris is coming out.", "iris_prolapse"),
        ("Now the chamber collapses.", "chamber_collapse"),
        ("Cefuroxime goes in.", "intracameral_antibiotic"),
        ("and now mocks eye flocks a sin", "intracameral_antibiotic"),
        ("tree am sin alone into the eye", "steroid"),
    ],
)
def test_what_happened_is_drafted(line: str, event: str) -> None:
    assert event in events(line)


@pytest.mark.parametrize(
    "line",
    [
        "The posterior capsule is clear.",
        "The anterior capsule is clear and the posterior capsule is clear.",
        "There is no posterior capsule tear.",
        "We did not have a posterior capsule rupture.",
        "Any posterior capsule rupture?",
        "Did you have a posterior capsule tear?",
        "If there is a posterior capsule rupture I stop at once.",
        "I keep the tip up to avoid a posterior capsule rupture.",
        "I am always afraid of posterior capsule rupture.",
        "A posterior capsule rupture would change the plan.",
        "Posterior capsule rupture happens in one in two hundred.",
        "Last week we had a posterior capsule rupture.",
        "The risk of a posterior capsule rupture is higher here.",
        "Some surgeons call that a posterior capsule rupture.",
        "This is how you get a posterior capsule rupture.",
        "Check for a posterior capsule tear.",
        "The posterior capsule tear did not happen.",
    ],
)
def test_denied_asked_feared_explained_or_elsewhere_is_not(line: str) -> None:
    """The kinds of NegEx (negated) and ConText (hypothetical, historical, of others)."""
    complications = {
        step.code for step in load_procedure("phaco").steps if step.category == "complication"
    }
    assert not events(line) & complications


def test_a_story_lasts_until_the_speaker_comes_back() -> None:
    story = ["Last month I had a young man.", "He coughed and the iris came out."]
    assert "iris_prolapse" not in events(*story)
    assert "iris_prolapse" in events(*story, "Now look here, the iris is coming out.")


def test_a_term_is_not_heard_inside_other_words() -> None:
    assert not each_word_heard(("posterior", "capsule", "is", "clear"), "posterior capsule tear")
    assert not each_word_heard(("anterior", "capsule"), "anterior capsule tear")
    assert each_word_heard(("posteria", "capsuler", "tear"), "posterior capsular tear")


def test_an_event_told_again_is_one() -> None:
    cues = ["There is a rent in the capsule.", "Again: there is a rent in the capsule."]
    found, _ = find_events(
        utterances([Cue(Span(n * 30 * NS, (n * 30 + 5) * NS), t) for n, t in enumerate(cues)]),
        load_procedure("phaco"),
        Telling.LIVE,
    )
    assert len([e for e in found if e.step.code == "posterior_capsule_rupture"]) == 1
