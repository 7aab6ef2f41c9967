"""Which words of a text may identify someone: names, numbers, dates, places, contacts.

The letters are those of the US Safe Harbor rule, 45 CFR 164.514(b)(2)(i)(A)-(R). What is found is
a suspicion for a person to look at, and nothing found proves nothing: a name can hide in any word.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

from vidseg.measure.privacy.name_lists import fold_name, listed_names
from vidseg.measure.privacy.person_names import Manner, find_names

_MONTH_NAME = (
    r"(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?"
    r"|sept?(?:ember)?|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?)(?![a-z])"
)
MONTH = rf"(?<![a-z]){_MONTH_NAME}"
YEAR, _DAY, _NUMBER = r"(?:19|20)\d\d", r"(?:0?[1-9]|[12]\d|3[01])", r"(?:0?[1-9]|1[0-2])"
_TWO_DAY, _TWO_MONTH = r"(?:0[1-9]|[12]\d|3[01])", r"(?:0[1-9]|1[0-2])"
DATE = re.compile(
    rf"(?<!\d)(?:{YEAR}{_TWO_MONTH}{_TWO_DAY}(?:[T_ -]?\d{{4,6}})?"
    rf"|{YEAR}[-_. /]{_NUMBER}[-_. /]{_DAY}"
    rf"|{_DAY}[-_. /]{_DAY}[-_. /](?:{YEAR}|\d\d)"
    rf"|{_DAY}[-_. ]?{MONTH}[-_. ]?(?:{YEAR}|\d\d)"
    rf"|(?:{YEAR}[-_. ]?)?{MONTH}[-_. ]?{_DAY}(?:[-_., ]+{YEAR})?)(?!\d)",
    re.IGNORECASE,
)
CONTENT: tuple[tuple[re.Pattern[str], str, str], ...] = (
    (re.compile(r"[\w.+-]+@[\w-]+\.\w+(?:\.\w+)*"), "F", "an e-mail address"),
    (re.compile(r"https?://\S+|www\.\S+", re.IGNORECASE), "N", "a web address"),
    (re.compile(r"(?<![\d.])(?:\d{1,3}\.){3}\d{1,3}(?![\d.])"), "O", "an IP address"),
    (
        re.compile(r"(?<![\w-])[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.IGNORECASE),
        "R",
        "a unique number",
    ),
    (re.compile(r"(?<!\d)\d{3}-\d{2}-\d{4}(?!\d)"), "G", "a social security number"),
    (DATE, "C", "a date"),
    (re.compile(r"\d[\d-]{4,}\d"), "H", "a long number, as of a record"),
)
"""What gives itself away by its form alone, in prose and in file names: pattern, letter, kind."""

TITLES = re.compile(
    r"(?<![A-Za-z])(?:(?i:dr|mr|mrs|ms|prof|patient|pat|pt|mrn|dob|surname)[-_. ]+[A-Za-z0-9]+"
    r"|(?:Dr|Mr|Mrs|Ms|Prof|Patient)[A-Z][a-z]+)"
)
PAIR = re.compile(
    r"(?<![A-Za-z])([A-Z][a-z]+|[A-Z]{3,})[-_., ]+([A-Z][a-z]+|[A-Z]{3,})(?![A-Za-z])"
)
_TRADE_WORDS = (
    "after angle anterior assisted before camera capsule capsulorhexis case cataract channel clip "
    "combined copy cornea corneal demo eye export extraction eyes final first footage fps full "
    "glaucoma hard home implant implantation incision iol left lens live manual microscope movie "
    "new nucleus oculus operation original part patch pediatric phaco phacoemulsification "
    "posterior procedure pupil raw rec record recorded recording retina right room routine second "
    "segment session short side small soft step surgery surgical take teaching test theatre toric "
    "trabeculectomy trainee training trauma two uhd video view vitrectomy vitreous white"
)
TRADE = frozenset(_TRADE_WORDS.split())

_EPONYMS_WORDS = (
    "arlt barraquer berger bonn bowman bss calot castroviejo colibri descemet drysdale elschnig "
    "endophthalmitis flieringa hartmann kelman keratome kuglen lieberman malyugin maumenee "
    "lester mcpherson mitomycin nagahara ovd pva ringer seidel schiotz schlemm simcoe sinskey "
    "soemmering tenon tenons tenotomy trypan tyndall utrata weck westcott wieger yag zinn "
    "zonule zonules"
)
_EPONYMS = frozenset(_EPONYMS_WORDS.split())
"""Persons and products that instruments and structures are named after (common practice)."""

_COMMON_WORDS = (
    "a after again all also alright an and any are as at be because before but by can come do down "
    "for from get go good great hello here how i if in into is it just keep let lets look "
    "next no not note notice now of off ok okay on once one or our out over please right "
    "see she he so some step stop take than thank thanks that the then there these they "
    "this time to today up very want watch we well what when where while will with yes "
    "you your monday tuesday wednesday thursday friday saturday sunday english latin"
)
_COMMON = frozenset(_COMMON_WORDS.split())
"""Words that stand with a capital without naming anybody."""

_TENS = r"(?:ninety|90)"
_ONES = r"(?:one|two|three|four|five|six|seven|eight|nine)"
_OLD = rf"(?:9\d|1[0-2]\d|ninety(?:[- ]{_ONES})?|(?:a|one) hundred(?: and {_ONES})?)"
_ORDINAL = (
    r"(?:(?:twenty|thirty)[- ])?(?:first|second|third|fourth|fifth|sixth|seventh|eighth|ninth)"
    r"|tenth|eleventh|twelfth|(?:thir|four|fif|six|seven|eigh|nine)teenth|twentieth|thirtieth"
    r"|\d{1,2}(?:st|nd|rd|th)"
)
_REFERENCE = r"(?:\s*(?:no|nr|number|id|code)\b\.?)?\s*(?:is|was|[:#=])?\s*"
_CODE = r"(?=[A-Z0-9/-]*\d)[A-Z0-9][A-Z0-9/-]{2,}"


def _numbered(words: str) -> re.Pattern[str]:
    """Match a number after the words that say what it is, the words with it."""
    return re.compile(rf"\b(?:{words}){_REFERENCE}{_CODE}", re.IGNORECASE)


_PHONE = r"(?:\+?\(?\d{1,4}\)?[ .-]?)(?:\(?\d{2,4}\)?[ .-]?){1,4}\d{2,4}"

_PROSE: tuple[tuple[re.Pattern[str], str, str], ...] = (
    (
        re.compile(rf"\bfax(?:ed)?{_REFERENCE}{_PHONE}", re.IGNORECASE),
        "E",
        "a fax number",
    ),
    (
        re.compile(
            rf"\b(?:tel(?:ephone)?|phone|mobile|call|bleep|pager){_REFERENCE}{_PHONE}",
            re.IGNORECASE,
        ),
        "D",
        "a telephone number",
    ),
    (_numbered("ssn|social security"), "G", "a social security number"),
    (
        _numbered(r"mrn|medical record|hospital|chart|file|record|accession|nhs|chi|patient|unit"),
        "H",
        "a record number",
    ),
    (
        _numbered("health plan|insurance|policy|beneficiary|member|medicare|medicaid"),
        "I",
        "a health plan number",
    ),
    (_numbered("account|iban|acct|invoice"), "J", "an account number"),
    (_numbered("licen[cs]e|certificate|registration|gmc|npi|dea"), "K", "a licence number"),
    (
        _numbered("(?:number|licen[cs]e) plate|plate|vehicle|vin"),
        "L",
        "a vehicle's number",
    ),
    (
        _numbered(r"serial|s/n|sn(?=[ .:#])|device|lot|implant id|udi"),
        "M",
        "a device's number",
    ),
    *CONTENT[:-1],
    (
        re.compile(
            rf"(?<![\w])(?:{_ORDINAL})(?: of)? {_MONTH_NAME}(?:,? {YEAR})?"
            rf"|{MONTH} (?:the )?(?:{_ORDINAL})\b(?:,? {YEAR})?"
            rf"|{MONTH},? {YEAR}|(?<!\d){_TWO_MONTH}/{YEAR}",
            re.IGNORECASE,
        ),
        "C",
        "a date",
    ),
    (
        re.compile(
            rf"\b(?:aged?|age(?: is| of|:))\s*{_OLD}\b(?! (?:or|and) (?:older|over|above))"
            rf"|\b{_OLD}[- ]?(?:years?|yrs?|y)[-/ ]*(?:old|o|of age)\b"
            rf"|\bin (?:his|her|their) (?:nineties|90s)\b|\b(?:non|cente)agenarian\b"
            rf"|\b{_TENS}-plus\b",
            re.IGNORECASE,
        ),
        "C",
        "an age over 89",
    ),
    (
        re.compile(r"(?<![\d.,:])\+?\(?\d{2,4}\)?(?:[ .-]\d{2,4}){2,4}(?![\d.,:]*\d)"),
        "D",
        "a telephone number",
    ),
    (CONTENT[-1]),
    (
        re.compile(
            r"\b\d{1,5} (?:[A-Z][a-z]+ ){1,3}"
            r"(?:Street|St|Road|Rd|Avenue|Ave|Lane|Drive|Way|Square)\b"
            r"|\b[A-Z][a-z]+(?:str\.|straße|strasse|gata|gate|veien) \d+"
            r"|\b(?i:zip(?: code)?|postcode)[: ]*[A-Z0-9][A-Z0-9 -]{2,}"
            r"|\b[A-Z]{2} \d{5}(?:-\d{4})?\b|\b[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}\b"
            r"|\b(?:from|lives? in|born in|resident of) [A-Z][a-z]+(?: [A-Z][a-z]+)?"
        ),
        "B",
        "a place",
    ),
    (
        re.compile(
            r"\b(?:wife|husband|daughter|son|mother|father|sister|brother|widow(?:er)?) of\b"
            r"|\b(?:former|retired) [a-z]+\b|\bworks? as an? [a-z]+\b",
            re.IGNORECASE,
        ),
        "R",
        "who someone is",
    ),
)
_NAMED = re.compile(
    r"\b(?i:doctor|dr|mister|mr|mrs|professor|prof)\.? (?!is\b|and\b|the\b|will\b|has\b)[a-z]{3,}"
    r"|\b(?i:my name is|name is|named|patient is called|patient,? called)"
    r" [A-Za-z'’-]+(?: [A-Z][A-Za-z'’-]+)?"
)


@dataclass(frozen=True, slots=True)
class Identifier:
    """Characters ``[start, end)`` of a text that may identify someone.

    ``letter`` names the category of 45 CFR 164.514(b)(2)(i), ``kind`` says it in words.
    """

    start: int
    end: int
    text: str
    letter: str
    kind: str


def find_identifiers(
    text: str, known: Collection[str] = (), manner: Manner = "prose"
) -> tuple[Identifier, ...]:
    """Give what in ``text`` may identify someone, in order of place; findings do not overlap.

    ``known`` are words, in small letters, that are passed over where they stand with a capital:
    those of the vocabulary in use. Names are found by titles ("Mr", "Sister"), introductions,
    initials, lists of names, and capitals inside a sentence, as ``manner`` says. A rare name at a
    sentence's start, or written small, is not found.
    """
    free = [True] * len(text)
    found: list[Identifier] = []

    def take(start: int, end: int, letter: str, kind: str) -> None:
        if all(free[start:end]) and end > start:
            free[start:end] = [False] * (end - start)
            found.append(Identifier(start, end, text[start:end], letter, kind))

    names = list(find_names(text, _COMMON | TRADE | _EPONYMS | set(known), manner))
    for name in names:
        if name.sure:
            take(name.start, name.end, "A", "a name")
    for match in _NAMED.finditer(text):
        take(*match.span(), "A", "a name")
    for pattern, letter, kind in _PROSE:
        for match in pattern.finditer(text):
            if kind != "a telephone number" or _digits(match[0]) >= LEAST_PHONE:
                take(*match.span(), letter, kind)
    for name in names:
        if not name.sure:
            take(name.start, name.end, "A", "a name, perhaps")
    return tuple(sorted(found, key=lambda one: one.start))


LEAST_PHONE = 7
"""Digits from which on a row of numbers may be a telephone number (ITU-T E.164 allows up to 15)."""


def _digits(text: str) -> int:
    return sum(letter.isdigit() for letter in text)


def words_of(labels: Collection[str]) -> frozenset[str]:
    """Give the words of a vocabulary's labels in small letters, for ``find_identifiers``."""
    return frozenset(word.lower() for label in labels for word in re.findall(r"[^\W\d_]+", label))


def plain_words_of(labels: Collection[str]) -> frozenset[str]:
    """Give the words of a vocabulary's labels, but for those that are listed as names."""
    return frozenset(
        w for w in words_of(labels) if w in TRADE or fold_name(w) not in listed_names()
    )
