"""Names in many forms, counted on lines of our own: half were looked at while the rules were made.

``lines/tuned.txt`` and ``lines/aside.txt`` hold a note or label a line, names in braces. Bounds
are what was measured, less a little, without the extra ``names``.
"""

import re
from pathlib import Path

import pytest

from vidseg.formats.vocabulary import builtin_codes, load_procedure
from vidseg.measure.privacy.identifiers import find_identifiers, plain_words_of
from vidseg.measure.privacy.name_lists import listed_names

LINES = Path(__file__).with_name("lines")
KNOWN = plain_words_of([label for label, _ in load_procedure("phaco").labels()])


def marked(line: str) -> tuple[str, list[tuple[int, int]]]:
    """Take the braces out of a line; give where the names are."""
    text, spans = "", []
    for part in re.split(r"([{}])", line):
        if part == "{":
            start = len(text)
        elif part == "}":
            spans.append((start, len(text)))
        else:
            text += part
    return text, spans


def counted(name: str) -> tuple[int, int, int, int]:
    """Count names, names met, lines without one, and findings outside of names."""
    names = met = clean = alarms = 0
    for line in (LINES / f"{name}.txt").read_text(encoding="utf-8").splitlines():
        text, spans = marked(line)
        found = find_identifiers(text, KNOWN)
        names += len(spans)
        clean += not spans
        met += sum(
            any(one.start < end and one.end > start for one in found) for start, end in spans
        )
        alarms += sum(
            not any(one.start < end and one.end > start for start, end in spans) for one in found
        )
    return names, met, clean, alarms


@pytest.mark.parametrize(("lines", "share"), [("tuned", 0.97), ("aside", 0.87)])
def test_names_are_found_and_other_lines_left_alone(lines: str, share: float) -> None:
    names, met, clean, alarms = counted(lines)
    assert names >= 80
    assert clean >= 80
    assert met >= share * names
    assert alarms <= 3


@pytest.mark.parametrize(
    "text",
    [
        "HOPKINS",
        "M. Hopkins",
        "pat. Hopkins",
        "pt Hopkins",
        "O'Brien",
        "Hopkins' eye",
        "Dr. de la Cruz",
        "Hopkins, Mary",
        "Łukasz closes",
        "Frau Müller",
    ],
)
def test_each_form_alone_is_found(text: str) -> None:
    assert {one.letter for one in find_identifiers(text, KNOWN)} == {"A"}


@pytest.mark.parametrize("code", builtin_codes())
def test_labels_pass_without_knowing_their_own_words(code: str) -> None:
    labels = [label for label, _ in load_procedure(code).labels()]
    assert [one for one in labels if find_identifiers(one, (), "label")] == []


def test_the_lists_hold_names_of_many_countries() -> None:
    assert len(listed_names()) > 30_000
    assert {"hopkins", "muller", "kowalski", "nguyen", "garcia", "okafor"} <= listed_names()
    assert not listed_names() & {"hook", "iris", "brown", "long", "mark"}
