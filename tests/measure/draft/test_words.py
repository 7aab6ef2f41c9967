"""Terms, senses, numbers and measures of a narration."""

from pathlib import Path

import jellyfish
import pytest
from rapidfuzz import fuzz

from vidseg.formats.vocabulary import load_procedure, parse_procedure, procedure_text
from vidseg.measure.draft.assertion import Sense, read_clause
from vidseg.measure.draft.hearing import metaphone, sounding, words
from vidseg.measure.draft.terms import find_mentions, likeness, terms_of
from vidseg.model.procedure import Kind

SHARED = Path(__file__).resolve().parents[4] / "shared" / "narration"
STEPS = [step for step in load_procedure("phaco").steps if step.kind is Kind.STEP]
TERMS = terms_of(STEPS)


def heard(text: str, steps: list = STEPS) -> set[str]:  # type: ignore[type-arg]
    found = find_mentions([words(text)], terms_of(steps))
    return {code for mention in found for code, _ in mention.term.steps}


def test_libraries_give_the_published_keys_and_ratios() -> None:
    # Metaphone (Philips 1990): phaco and fako share the key FK. Levenshtein 3 and
    # Jaro-Winkler .961111 are the literature's worked examples; 61.5385 = 200 (1 - 5 / 13).
    assert metaphone("phaco") == metaphone("fako") == "FK"
    assert jellyfish.levenshtein_distance("kitten", "sitting") == 3
    assert jellyfish.jaro_winkler_similarity("MARTHA", "MARHTA") == pytest.approx(
        0.961111, abs=1e-6
    )
    assert fuzz.ratio("kitten", "sitting") == pytest.approx(61.5385, abs=1e-4)


def test_sounding_spelling_brings_homophones_together() -> None:
    assert sounding("phaco") == sounding("facco") == sounding("fako")
    assert sounding("rhexis") == sounding("rrhexis") == sounding("rexis") == sounding("recsis")
    assert sounding("haptic") != sounding("hydro")


@pytest.mark.parametrize(
    ("said", "step"),
    [
        ("now the cap shoe low wreck sis", "capsulorhexis"),
        ("carrot home please", "main_incision"),
        ("the parrot sentences at ten", "paracentesis"),
        ("this go elastic goes in", "viscoelastic_injection"),
        ("high draw dissection", "hydrodissection"),
        ("quad rant removal", "fragment_removal"),
        ("we useirrigationandaspiration", "cortex_removal"),
        ("strow mall hydration", "wound_closure"),
        ("tripe and blue", "capsule_staining"),
    ],
)
def test_mangled_terms_are_heard(said: str, step: str) -> None:
    assert step in heard(said)


@pytest.mark.parametrize(
    "said",
    [
        "good morning everybody and welcome",
        "the nurse is coming back again",
        "she is talking to her daughter on the telephone",
        "repair the fence behind the house",
        "it was raining in the whole week",
        "my colleague is holding the door",
    ],
)
def test_plain_talk_names_no_step(said: str) -> None:
    assert heard(said) == set()


def test_a_longer_term_wins_over_the_one_inside_it() -> None:
    assert heard("remove the viscoelastic") == {"viscoelastic_removal"}


def test_a_term_never_spans_two_sentences() -> None:
    assert "paracentesis" not in heard("Turn to the side. Port is a drink.")


def test_a_term_added_to_a_vocabulary_counts_at_once() -> None:
    text = procedure_text("blank").replace('"grasp the tissue"', '"grundel the wobbler"')
    own = [step for step in parse_procedure(text, "own.toml").steps if step.kind is Kind.STEP]
    assert "first_step" in heard("now i grun dull the wobler", own)
    assert "first_step" not in heard("now i paint the window", own)


def test_likeness_is_one_for_the_term_itself() -> None:
    own = likeness([term.text for term in TERMS[:40]], TERMS[:40])
    assert own.diagonal() == pytest.approx(1.0)
    assert own.min() >= 0
    assert own.max() <= 1


@pytest.mark.parametrize(
    ("text", "sense"),
    [
        ("I fill the chamber", Sense.NOW),
        ("now we are going to fill the chamber", Sense.AHEAD),
        ("viscoelastic please", Sense.AHEAD),
        ("the chamber was filled with viscoelastic", Sense.BEFORE),
        ("i have polished the capsule", Sense.BEFORE),
        ("if the capsule tears I would use the cutter", Sense.SUPPOSED),
        ("some surgeons polish here", Sense.SUPPOSED),
        ("last week I tore one exactly here", Sense.ELSEWHERE),
        ("the other eye was done in spring", Sense.ELSEWHERE),
        ("why do you not polish the capsule", Sense.ASKED),
        ("doctor, when would you stain it", Sense.ASKED),
        ("no need for dye", Sense.POSTPONED),
        ("we will polish later", Sense.POSTPONED),
        ("we need the keratome", Sense.AHEAD),
        ("the speed is good", Sense.NOW),
    ],
)
def test_senses(text: str, sense: Sense) -> None:
    assert read_clause(text).sense is sense


def test_a_question_mark_makes_a_question() -> None:
    assert read_clause("dye in this case", asked=True).sense is Sense.ASKED
