"""The two lists are whole: the rule's letters A to R, and DICOM's CID 7050 by another library."""

from string import ascii_uppercase

import pytest

from vidseg.measure.privacy.disclosure import (
    DICOM_OPTIONS,
    SAFE_HARBOR,
    Sharing,
    Status,
    dicom_options,
    safe_harbor,
)


def status(sharing: Sharing) -> dict[str, Status]:
    return {line.key: line.status for line in (*safe_harbor(sharing), *dicom_options(sharing))}


def test_the_eighteen_identifiers_of_45_cfr_164_514_b_2_i() -> None:
    assert list(SAFE_HARBOR) == list(ascii_uppercase[:18])
    assert len(SAFE_HARBOR) == 18
    lines = safe_harbor(Sharing())
    assert [line.key for line in lines] == list(SAFE_HARBOR)


def test_every_option_of_cid_7050_with_its_meaning_as_pydicom_has_it() -> None:
    pydicom = pytest.importorskip("pydicom", reason="pydicom is not installed")
    assert pydicom
    from pydicom.sr.codedict import codes

    coded = [getattr(codes.cid7050, name) for name in codes.cid7050.dir()]
    assert {code.value: code.meaning for code in coded} == DICOM_OPTIONS
    assert [line.key for line in dicom_options(Sharing())] == sorted(DICOM_OPTIONS)


def test_nothing_found_and_nothing_kept() -> None:
    found = status(Sharing(sound="none"))
    assert {found[letter] for letter in "ABCDEFGHIJKLNO"} == {Status.ABSENT}
    assert {found[letter] for letter in "MR"} == {Status.DONE}
    assert {found[letter] for letter in "PQ"} == {Status.PERSON}


def test_what_was_taken_out_is_done_and_what_was_left_is_for_a_person() -> None:
    found = status(Sharing(found={"A": 2, "C": 1}, allowed={"C": 1}))
    assert (found["A"], found["C"], found["D"]) == (Status.DONE, Status.PERSON, Status.ABSENT)


@pytest.mark.parametrize("kept", [{"sound": "kept"}, {"captions": True}, {"notes": True}])
def test_kept_words_are_for_a_person_in_every_category(kept: dict[str, object]) -> None:
    found = status(Sharing(**kept))  # type: ignore[arg-type]
    # All but voice and picture, (P) and (Q), may stand in words.
    assert {found[letter] for letter in set(SAFE_HARBOR) - {"P", "Q"}} == {Status.PERSON}


def test_picture_and_face_are_never_called_done() -> None:
    for sharing in (
        Sharing(),
        Sharing(masks=3, overlays=2, overlays_gone=2, views=1, views_gone=1),
    ):
        found = status(sharing)
        assert {found[key] for key in ("P", "Q", "113101", "113102")} == {Status.PERSON}


def test_covariates_and_intervals() -> None:
    lines = {line.key: line for line in dicom_options(Sharing(covariates=2, group=4))}
    assert lines["113108"].status is Status.PERSON
    assert "smallest group 4" in lines["113108"].how
    lines = {line.key: line for line in dicom_options(Sharing(covariates=2))}
    assert "was not counted" in lines["113108"].how
    assert lines["113108"].status is Status.UNCHECKED
    assert status(Sharing())["113107"] is Status.ABSENT
    assert status(Sharing(interval=True))["113107"] is Status.DONE
