"""Vocabulary look-up and its own rules."""

import pickle

import pytest

from vidseg.model.procedure import Kind, Procedure, Step, chosen_vocabulary, fold


def vocabulary(*steps: Step) -> Procedure:
    return Procedure("tea", "Making tea", "1", "invented", steps)


BOIL = Step("boil_water", "Boil water", aliases=("Kettle on", "ébullition"))
POUR = Step("pour", "Pour", after=("boil_water",))


@pytest.mark.parametrize(
    "label", ["boil_water", "BOIL WATER", "boil-water", "kettle on", "Kettle-On", "Ebullition"]
)
def test_labels_match_without_case_accents_hyphens(label: str) -> None:
    assert vocabulary(BOIL, POUR).find(label) is BOIL


def test_a_near_miss_does_not_match() -> None:
    assert vocabulary(BOIL, POUR).find("boil watr") is None


def test_fold_keeps_letters_of_every_script() -> None:
    assert fold("Irrigation/Aspiration") == fold("irrigation – aspiration")
    assert fold("切開") == "切開"


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        ((BOIL, BOIL), "stands twice"),
        ((BOIL, Step("x", "boil-water")), "stands for two steps"),
        ((POUR,), "is not a step"),
        ((Step("x", "idle"),), "both a step and"),
        ((Step("x", "--"),), "no letters"),
    ],
)
def test_a_vocabulary_that_contradicts_itself(steps: tuple[Step, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        vocabulary(*steps)


def test_it_pickles() -> None:
    copy = pickle.loads(pickle.dumps(vocabulary(BOIL, POUR)))
    assert copy == vocabulary(BOIL, POUR)
    assert copy.find("kettle on") == BOIL


def test_order_and_step() -> None:
    tea = vocabulary(BOIL, POUR, Step("spill", "Spill", Kind.EVENT))
    assert [tea.order(code) for code in ("boil_water", "pour", "spill")] == [0, 1, 2]
    assert not tea.step("spill").timed
    with pytest.raises(KeyError):
        tea.step("Boil water")


def test_of_several_vocabularies_named_the_one_asked_for_counts() -> None:
    """Then the annotation's, the case's, the default."""
    assert chosen_vocabulary("a", "b", "c") == "a"
    assert chosen_vocabulary(None, "b", "c") == "b"
    assert chosen_vocabulary("", "", "c") == "c"
    assert chosen_vocabulary(None, None, None) == "phaco"
