"""Where a text names a person: titles, initials, possessives, listed names, odd capitals."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from vidseg.measure.privacy.name_lists import BOTH, fold_name, listed_names

_WORD = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)*(?:-[^\W\d_]+(?:['’][^\W\d_]+)*)*")
_TITLES_WORDS = (
    "dr drs doctor mr mister mrs miss ms mx prof professor surname initials dame herr herrn frau "
    "fräulein hr fru frøken fröken mme mlle monsieur madame docteur doktor sra srta señor señora "
    "dña dra senhor senhora sig signor signora dott dottoressa professore professeur dhr mevr "
    "mevrouw meneer pani pán paní bayan dl dna kyrios kyria господин госпожа доктор"
)
_TITLES = frozenset(_TITLES_WORDS.split())
"""Forms of address after which a word with a capital is a name (common practice)."""
_TITLES_CAPITAL_WORDS = "Don Doña Pan Bay Sir Lord Lady Sister Nurse Fr Sig Sr Mw"
_TITLES_CAPITAL = frozenset(_TITLES_CAPITAL_WORDS.split())
"""Forms of address that are words as well, so that they count with a capital only."""
_PATIENTS_WORDS = (
    "name patient patients pt pts pat client patientin paciente patiente paziente patiënt pasient"
)
_PATIENTS = frozenset(_PATIENTS_WORDS.split())
_SMALL_WORDS = "a an and at by for from in into of on or the to under with without"
_SMALL = frozenset(_SMALL_WORDS.split())
"""Words that stay small in a title (common practice)."""
_PARTICLES_WORDS = (
    "de la las los da do dos das di del della dello du des le van von der den ten ter zu zum zur "
    "af av al el bin ibn binti bint abu ben st san santa y e mac mc"
)
_PARTICLES = frozenset(_PARTICLES_WORDS.split())
_BETWEEN = re.compile(r"[ \t]*[.:]?[ \t_]*")
_AFTER_TITLE = re.compile(r"\.?(?:ra|ssa)?[.:]?[ \t_]+|\.|_+")
_BEGINS = re.compile(r"(?:^|[.!?:;\n|]|[-–•] )\s*[\"'“‘(\[]*$")
_INITIALS = re.compile(r"(?<![\w.])(?:[A-ZÀ-Þ]\.[ \t-]?){1,3}$")
_BARE_INITIAL = re.compile(r"(?<![\w.'’-])[A-ZÀ-Þ] $")
_COMMA_INITIAL = re.compile(r",[ \t]?[A-ZÀ-Þ]\.")
_JOINED = re.compile(r"(?:Ma?c|Fitz)[A-Z]|[DO]['’]|(?:Al|El|Abu|Ben|Bin)-[A-Z]")
"""Beginnings that make a word a name wherever it stands (common practice)."""
_INITIAL_AFTER = re.compile(r"(?:,[ \t]?|[ \t])[A-ZÀ-Þ](?:\.|(?![\w.'’-]))")
_CONTRACTION = re.compile(r"([a-z]+(?:'[a-z]+)?)'(?:m|ll|ve|d|re|t|s)")
_I = frozenset(f"i'{ending}" for ending in ("m", "ll", "ve", "d", "d've", "ll've"))
_POSSESSIVE = re.compile(r"['’](?=[ \t]+\w)")
_INSTRUMENTS_WORDS = (
    "brace cannula catheter chopper clamp curette drain fixator flap forceps grasper hook incision "
    "knife knot lens limb maneuver manoeuvre needle port probe procedure retractor ring scissors "
    "sign spatula speculum suture technique test"
)
_INSTRUMENTS = frozenset(_INSTRUMENTS_WORDS.split())
"""What is named after its inventor in a label: "Kelly clamp" (common practice)."""
LEAST_CAPITALS = 4
"""Letters from which on a listed name in capitals alone counts: shorter ones are abbreviations."""


Manner = Literal["prose", "name", "label", "titles"]
"""What a text is: sentences, in which a capital counts; a name of a person, case or file, in which
everyday words count too; a label, in which every word may have a capital. "titles" asks for forms
of address and initials alone, for which no list need be read."""


@dataclass(frozen=True, slots=True)
class NameFound:
    """Characters ``[start, end)`` that name someone; ``sure``: by a title, not by looks alone."""

    start: int
    end: int
    sure: bool


@dataclass(frozen=True, slots=True)
class _Word:
    start: int
    end: int
    text: str
    possessive: bool

    @property
    def capital(self) -> bool:
        return self.text[0].isupper()

    @property
    def capitals(self) -> bool:
        letters = [letter for letter in self.text if letter.isalpha()]
        return len(letters) > 1 and all(map(str.isupper, letters))


def find_names(text: str, known: Collection[str], manner: Manner = "prose") -> Iterator[NameFound]:
    """Give what names a person; ``known`` are words, in small letters, that do not."""
    words = [_word(match, text) for match in _WORD.finditer(text)]
    taken = 0
    for place, word in enumerate(words):
        if word.start < taken:
            continue
        found = _titled(text, words, place, known) or _plain(text, words, place, known, manner)
        if found is not None:
            taken = found.end
            yield found


def _word(match: re.Match[str], text: str) -> _Word:
    start, end = match.span()
    for ending in ("'s", "’s", "'S", "’S"):
        if match[0].endswith(ending) and len(match[0]) > len(ending):
            return _Word(start, end - 2, match[0][:-2], True)
    return _Word(start, end, match[0], _POSSESSIVE.match(text, end) is not None)


def _ordinary(word: _Word, known: Collection[str]) -> bool:
    """Say whether all of a word's parts are words of the trade or of everyday."""
    parts = [part.casefold() for part in re.split(r"[-'’]", word.text) if part]
    whole = word.text.casefold().replace("’", "'")
    if ((short := _CONTRACTION.fullmatch(whole)) and len(short[1]) != 1) or whole in _I:
        return True
    return whole in known or all(
        part in known or part in BOTH or part.removesuffix("s") in known for part in parts
    )


def _listed(word: _Word, known: Collection[str]) -> bool:
    if _ordinary(word, known):
        return False
    names = listed_names()
    return fold_name(word.text) in names or any(
        len(part) > 2 and fold_name(part) in names for part in word.text.split("-")
    )


def _titled(
    text: str, words: Sequence[_Word], place: int, known: Collection[str]
) -> NameFound | None:
    """Find a form of address, or a word for the patient, with the name after it."""
    word = words[place]
    small = word.text.casefold()
    patient = small in _PATIENTS
    if not (patient or small in _TITLES or word.text in _TITLES_CAPITAL) or place + 1 == len(words):
        return None
    gap = _AFTER_TITLE.match(text, word.end)
    if gap is None:
        return None
    at = place + 1
    if words[at].start != gap.end() and words[at].text in ("ra", "ssa"):
        at += 1
    while at < len(words) and (words[at].text.casefold() in _TITLES) and _near(text, words, at):
        at += 1
    while (
        at + 1 < len(words)
        and words[at].text.casefold() in _PARTICLES
        and _near(text, words, at + 1)
    ):
        at += 1
    if at == len(words) or not _near(text, words, at):
        return None
    name = words[at]
    if patient:
        named = name.capital and not _ordinary(name, known)
    elif word.text in _TITLES_CAPITAL:
        named = name.capital and name.text.casefold() not in known
    else:
        named = name.capital
    if patient:
        named = named and (_listed(name, known) or not name.capitals)
    if not named and not (_listed(name, known) and name.text.islower()):
        return None
    return NameFound(word.start, _last(text, words, at, known), True)


def _near(text: str, words: Sequence[_Word], at: int) -> bool:
    """Say whether a word follows the one before it with nothing but a space or dot between."""
    between = text[words[at - 1].end : words[at].start]
    return len(between) <= 3 and _BETWEEN.fullmatch(between) is not None


def _last(text: str, words: Sequence[_Word], at: int, known: Collection[str]) -> int:
    """Give the end of a name that goes on after its first word."""
    while (
        at + 1 < len(words)
        and text[words[at].end : words[at + 1].start] in (" ", "_")
        and not words[at].possessive
        and (
            (words[at + 1].capital and words[at + 1].text.casefold() not in known)
            or (
                words[at + 1].text in _PARTICLES
                and at + 2 < len(words)
                and words[at + 2].capital
                and not _ordinary(words[at + 2], known)
            )
        )
    ):
        at += 1
    return words[at].end


def _plain(
    text: str, words: Sequence[_Word], place: int, known: Collection[str], manner: Manner
) -> NameFound | None:
    """Find a name without a title."""
    word = words[place]
    if not word.capital or len(word.text) < 2:
        return None
    if _ordinary(word, known):
        if manner == "name" and not word.capitals and word.text.casefold() not in known:
            return NameFound(word.start, _last(text, words, place, known), False)
        return None if manner == "titles" else _in_a_row(text, words, place, known)
    if manner == "label" and _of_an_instrument(words, place):
        return None
    before = text[: word.start]
    initials = _INITIALS.search(before)
    listed = manner != "titles" and _listed(word, known)
    if initials and (listed or not word.capitals):
        return NameFound(initials.start(), _last(text, words, place, known), True)
    if manner == "titles":
        return None
    if listed and (_BARE_INITIAL.search(before) or _INITIAL_AFTER.match(text, word.end)):
        return NameFound(word.start, _last(text, words, place, known), False)
    if listed and (not word.capitals or len(word.text) >= LEAST_CAPITALS or word.possessive):
        return NameFound(word.start, _last(text, words, place, known), False)
    if word.capitals or (manner == "label" and _titled_label(words)):
        return None
    inner = any(letter.isupper() for letter in word.text[1:])
    if inner and not re.search(r"['’-]|^(?:Ma?c|Fitz|De|Di|La|Le|Van|Von)(?=[A-Z])", word.text):
        return None
    telling = word.possessive or _JOINED.match(word.text) or _COMMA_INITIAL.match(text, word.end)
    if _BEGINS.search(before) and not telling:
        return _in_a_row(text, words, place, known)
    return NameFound(word.start, _last(text, words, place, known), False)


def _titled_label(words: Sequence[_Word]) -> bool:
    """Say whether a label is written with a capital to every word, so that none stands out."""
    return all(word.capital or word.text in _SMALL for word in words)


def _of_an_instrument(words: Sequence[_Word], place: int) -> bool:
    following = words[place + 1].text.casefold() if place + 1 < len(words) else ""
    return following in _INSTRUMENTS or following.removesuffix("s") in _INSTRUMENTS


def _in_a_row(
    text: str, words: Sequence[_Word], place: int, known: Collection[str]
) -> NameFound | None:
    """Find two names of which the first alone would not count: "Rose Hopkins", "Quill, Anna"."""
    word = words[place]
    if place + 1 == len(words) or word.text.casefold() in known:
        return None
    other, between = words[place + 1], text[word.end : words[place + 1].start]
    if between in (" ", ", ", ",") and other.capital and _listed(other, known):
        return NameFound(word.start, _last(text, words, place + 1, known), False)
    return None
