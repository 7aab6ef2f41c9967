"""Ids of our own making pass our own checks."""

from vidseg.measure.privacy.identifiers import find_identifiers
from vidseg.measure.privacy.metadata import identifying
from vidseg.sharing.making import new_id


def test_ids_hold_nothing_that_a_copy_would_be_refused_for() -> None:
    made = [new_id() for _ in range(10_000)]
    assert len(set(made)) == len(made)
    for own in made:
        for written in (own, f"by {own}", own.title()):
            assert not find_identifiers(written, (), "name")
        assert not list(identifying((), f"{own}.mp4"))
