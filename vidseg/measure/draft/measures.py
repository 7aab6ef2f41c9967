"""Measured values spoken of this case: machine settings, widths, lens power, grades.

What can be measured stands in the vocabulary (``[[quantity]]``): units, words, a plausible range.
A number belongs to the quantity whose word stands nearest in what is said, whose unit is the one
spoken (or that is usually said without) and whose range holds it; each word speaks for one number.
Where that tells nothing, a unit and a range that only one quantity has do. Where two fit, the value
is of unknown quantity and told apart. Clock positions, counts and turns are no measures; nor are
values supposed, asked, or said of another case or day.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, zip_longest

from rapidfuzz import fuzz

from vidseg.measure.draft.assertion import Sense, read_clause
from vidseg.measure.draft.evidence import Sentence, sentences
from vidseg.measure.draft.hearing import sounding
from vidseg.measure.draft.numbers import Number, find_numbers, tokens
from vidseg.model.annotation import Cue
from vidseg.model.clock import NS
from vidseg.model.procedure import Quantity

SI = {
    "mmHg": (133.322387415, "Pa"),
    "mL/min": (1e-6 / 60, "m3/s"),
    "%": (0.01, "1"),
    "cm": (0.01, "m"),
    "mm": (0.001, "m"),
    "um": (1e-6, "m"),
    "D": (1.0, "1/m"),
    "deg": (math.pi / 180, "rad"),
    "s": (1.0, "s"),
    "mL": (1e-6, "m3"),
    "mg": (1e-6, "kg"),
}
"""Factor and SI unit of each trade unit (BIPM SI brochure; mmHg as the conventional one).
Ages, grades, gauges and Snellen fractions have none."""

_SPOKEN_UNITS: tuple[tuple[tuple[str, ...], str], ...] = tuple(
    (tuple(words.split()), unit)
    for unit, spoken in {
        "mmHg": "millimeter of mercury|mm of mercury|mm hg|mmhg",
        "mL/min": "milliliter per minute|ml per minute|cc per minute|ml / min|cc / min|"
        "ml a minute|cc a minute|milliliter a minute|mil a minute|mil per minute",
        "L/min": "liter per minute|liter a minute|l per minute|l / min",
        "%s": "percent second",
        "%": "percent|per cent|%",
        "cm": "centimeter|cm",
        "mm": "millimeter|mm|mil",
        "um": "micron|micrometer|um",
        "D": "diopter|d",
        "deg": "degree|deg|°",
        "G": "gauge|g",
        "min": "minute|min",
        "s": "second|sec",
        "L": "liter",
        "mL": "milliliter|ml|cc|of a mil|of a ml|mil",
        "mg": "milligram|mg",
        "y": "year",
    }.items()
    for words in spoken.split("|")
)
"""What is said for each unit, the longer form first where one begins with another."""
_SAME = {"mL/min": {"mL"}, "mL": {"mm"}, "mm": {"mL"}}
"""Units that share a short form: "mil" is a millilitre or a millimetre."""
_NO_MEASURE = frozenset(
    {"o'clock", "oclock", "clock", "hour", "time", "turn"}
    | {"piece", "quadrant", "hand", "instrument", "cut"}
)
_NOT_AFTER = frozenset(
    {"expiry", "expire", "expiration", "lot", "serial", "number", "room", "step"}
)
"""Words before figures that are read off a label or count something."""
_TURNED = frozenset({"turn", "turned", "rotate", "rotated", "spin", "rotation"})
_SPELL = frozenset({"since", "for", "within", "over", "ago", "later", "last", "past"})
"""Words that make years a stretch of time and not an age."""
_SELF_EVIDENT = frozenset({"mmHg", "mL/min", "L/min", "%s", "D", "G", "um", "mg"})
"""Units that alone may tell what is meant; so many things have a width, an angle or a time."""
_TOLD = frozenset({Sense.NOW, Sense.BEFORE, Sense.AHEAD, Sense.POSTPONED})
_HEDGE = re.compile(r"\b(?:maybe|perhaps|about|around|roughly|almost|nearly)\b", re.IGNORECASE)
"""Words that make a value rough, and leave it told."""
_ACUITY = frozenset({5, 6, 7.5, 9, 12, 15, 18, 20, 24, 25, 30, 36, 40, 50, 60, 100, 200, 400})
"""Lower figures of Snellen fractions in metres and in feet (common practice)."""

NEARLY = 75
"""Likeness (0 to 100) of the sounds of two long words that counts as the same word misheard."""
_SIGHT = frozenset({"vision", "acuity", "see", "sight"})
_STROKES = (("over",), ("by",), ("/",), ("on",))

REACH = 5.0
"""Tokens over which a word's claim to a number falls to a third (our choice)."""
BEHIND = 0.6
"""What a claim is worth where the word follows the number: most say the word first."""
EARLIER = (0.45, 0.3)
"""What it is worth where the word was said one or two sentences before, within ``FRESH_NS``."""
FRESH_NS = 15 * NS
AT_WORK = 0.25
"""Claim of a quantity that is measured during the step at hand."""
BROKEN = 0.12
"""Claim of any number that is not whole: nobody counts in decimals."""
WITH_UNIT, BARE, SMALL, APART = 0.25, 0.35, 0.5, 0.05
"""Least claim of a number with a unit, of one without, of a small whole number without (they count
and point as often as they measure), and the least lead before the next."""
SMALL_UP_TO = 12
LONGER = 0.1
"""What each further word of a name adds: "average power" is not "power"."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A value spoken at ``at`` (ns, the caption's start). ``value`` is text: ``2.4``, ``6/36``.

    ``quantity`` is empty where two quantities fit.
    """

    at: int
    quantity: str
    value: str
    unit: str
    cue: int

    @property
    def si(self) -> tuple[float, str] | None:
        """The value in SI and its unit; None for ages, grades, gauges and Snellen fractions."""
        if self.unit not in SI:
            return None
        factor, unit = SI[self.unit]
        return float(self.value) * factor, unit


@dataclass(frozen=True, slots=True)
class _Said:
    """One sentence as tokens in their plain form, its numbers, and where it was said."""

    cue: int
    at: int
    tokens: tuple[str, ...]
    numbers: tuple[Number, ...]
    told: bool


@dataclass(frozen=True, slots=True)
class _Claim:
    """What speaks for a quantity: ``word`` tells apart the places of its words."""

    worth: float
    number: int
    value: float
    unit: str
    quantity: Quantity
    word: tuple[int, int]


def find_measures(
    cues: Sequence[Cue],
    quantities: Sequence[Quantity],
    step_of: Mapping[int, str] | None = None,
) -> tuple[Measured, ...]:
    """Find the values spoken of this case, in order.

    ``step_of`` gives the drafted step of a caption by its number.
    """
    spoken = sentences(cues)
    said = [
        _said(sentence, following, cues[sentence.cue].span.start)
        for sentence, following in zip_longest(spoken, spoken[1:])
    ]
    terms = {quantity.name: _terms(quantity) for quantity in quantities}
    found: list[Measured] = []
    for place, one in enumerate(said):
        if one.told and one.numbers:
            step = (step_of or {}).get(one.cue, "")
            found.extend(_measured(one, said[max(0, place - 2) : place], quantities, terms, step))
    return tuple(found)


def _said(sentence: Sentence, following: Sentence | None, at: int) -> _Said:
    words = tuple(_plain(token) for token in tokens(sentence.text))
    count = len(words)
    if following is not None and words[-1:] and words[-1] not in ".?!":
        # a number may go on in the next caption: "five and a", "half"
        words += tuple(_plain(token) for token in tokens(following.text)[:3])
    numbers = tuple(number for number in find_numbers(words) if number.first < count)
    end = max([count, *(number.last + 1 for number in numbers if number.last >= count)])
    reading = read_clause(_HEDGE.sub("", sentence.text), sentence.text.rstrip().endswith("?"))
    return _Said(sentence.cue, at, words[:end], numbers, reading.sense in _TOLD)


def _plain(token: str) -> str:
    """Give a unit or word its one form: no plural, American spelling, sounds alike."""
    for british, american in (("metre", "meter"), ("litre", "liter"), ("dioptre", "diopter")):
        token = token.replace(british, american)
    if len(token) > 3 and token.endswith("s") and not token.endswith(("ss", "us", "is")):
        token = token.removesuffix("'s") if token.endswith("'s") else token[:-1]
    return token


def _terms(quantity: Quantity) -> list[tuple[str, ...]]:
    return [tuple(_plain(token) for token in tokens(text)) for text in quantity.spoken]


def _alike(word: str, other: str) -> bool:
    """Say whether a word is the other, or sounds nearly like it where both are long."""
    if word == other:
        return True
    if min(len(word), len(other)) < 7:
        return False
    key, own = sounding(other), sounding(word)
    return min(len(key), len(own)) > 3 and fuzz.ratio(key, own) >= NEARLY


def _places(words: Sequence[str], term: Sequence[str]) -> Iterator[tuple[int, int]]:
    """Yield the tokens [first, last) that say a term, also where it was heard as two words."""
    for first in range(len(words) - len(term) + 1):
        if all(map(_alike, words[first : first + len(term)], term)):
            yield first, first + len(term)
    if len(term) == 1:
        for first in range(len(words) - 1):
            if words[first].isalpha() and _alike("".join(words[first : first + 2]), term[0]):
                yield first, first + 2


def _measured(
    one: _Said,
    earlier: Sequence[_Said],
    quantities: Sequence[Quantity],
    terms: Mapping[str, Sequence[tuple[str, ...]]],
    step: str,
) -> list[Measured]:
    claims: list[_Claim] = []
    chosen: dict[int, tuple[str, str, str]] = {}
    taken: set[int] = set()
    for numbers, fraction in _fractions(one, quantities):
        if taken.isdisjoint(numbers):
            chosen[numbers[0]] = fraction
            taken.update(numbers)
    for number, heard in enumerate(one.numbers):
        if number not in taken:
            claims += _claims(one, number, heard, earlier, quantities, terms, step)
    words: set[tuple[int, int]] = set()
    for claim in sorted(claims, key=lambda claim: -claim.worth):
        if claim.number in chosen or (claim.word in words and claim.word[0] >= 0):
            continue
        rivals = [
            other.worth
            for other in claims
            if other.number == claim.number
            and other.quantity is not claim.quantity
            and (other.word not in words or other.word[0] < 0)
        ]
        if claim.worth < _least(claim, one.numbers[claim.number]):
            continue
        unsure = claim.worth - max(rivals, default=0.0) < APART
        if unsure and not claim.unit:
            continue
        name = "" if unsure else claim.quantity.name
        chosen[claim.number] = (
            name,
            f"{claim.value:.6g}",
            claim.unit or claim.quantity.units[0],
        )
        words.add(claim.word)
    return [Measured(one.at, *chosen[number], one.cue) for number in sorted(chosen)]


def _least(claim: _Claim, heard: Number) -> float:
    if claim.unit:
        return WITH_UNIT
    whole = claim.value.is_integer() and claim.value <= SMALL_UP_TO
    return SMALL if whole and heard.last - heard.first == 1 else BARE


def _fractions(
    one: _Said, quantities: Sequence[Quantity]
) -> Iterator[tuple[range, tuple[str, str, str]]]:
    """Yield Snellen fractions and the numbers they take: two parted by "over", "by" or a stroke, or
    by nothing where sight is spoken of ("six thirty six" is heard as 636)."""
    named = next((q.name for q in quantities if "snellen" in q.units), None)
    if named is None:
        return
    sight = bool(_SIGHT & set(one.tokens))
    for place, number in enumerate(one.numbers):
        lower = number.value - 600
        if sight and number.last - number.first > 1 and lower in _ACUITY:
            yield range(place, place + 1), (named, f"6/{lower:g}", "snellen")
    for place, (upper, under) in enumerate(pairwise(one.numbers)):
        between = one.tokens[upper.last : under.first]
        if (
            upper.value in (6, 20)
            and under.value in _ACUITY
            and (between in _STROKES or (sight and not between))
        ):
            row = (named, f"{upper.value:g}/{under.value:g}", "snellen")
            yield range(place, place + 2), row


def _claims(
    one: _Said,
    number: int,
    heard: Number,
    earlier: Sequence[_Said],
    quantities: Sequence[Quantity],
    terms: Mapping[str, Sequence[tuple[str, ...]]],
    step: str,
) -> Iterator[_Claim]:
    spoken = _units_after(one.tokens, heard.last)
    before, behind = one.tokens[: heard.first], one.tokens[heard.last :]
    counts = not spoken and bool(behind) and behind[0] in _NO_MEASURE
    pronoun = not spoken and one.tokens[heard.first : heard.last] == ("one",)
    turned = "deg" in spoken and bool(_TURNED & set(one.tokens))
    spell = "y" in spoken and bool(_SPELL & {*before[-2:], *behind[1:2]})
    if counts or pronoun or turned or spell or _NOT_AFTER & set(before[-3:]):
        return
    sign = -1.0 if before[-1:] == ("minus",) else 1.0
    fitting = []
    for quantity in quantities:
        unit = next((unit for unit in quantity.units if unit in spoken), "")
        if not unit and (spoken or not quantity.bare):
            continue
        signs = {sign, 1.0} if quantity.lowest >= 0 else {sign}
        ways = [way * own for own in signs for way in heard.readings]
        value = next((v for v in ways if quantity.lowest <= v <= quantity.highest), None)
        if value is not None:
            fitting.append((quantity, unit, value))
    alone = len(fitting) == 1 and bool(spoken & _SELF_EVIDENT)
    for quantity, unit, value in fitting:
        by_step = AT_WORK if step and step in quantity.steps else 0.0
        with_unit = 0.1 if unit else 0.0 if value.is_integer() else BROKEN
        yield _Claim(
            by_step + with_unit + (WITH_UNIT if alone else 0.0),
            number, value, unit, quantity, (-1, -1),
        )  # fmt: skip
        for term in terms[quantity.name]:
            for first, last in _places(one.tokens, term):
                worth = _worth(one, heard, first, last) * (1 + LONGER * (len(term) - 1))
                if worth > 0:
                    yield _Claim(
                        worth + by_step + with_unit, number, value, unit, quantity, (first, last)
                    )
            for share, last_said in zip(EARLIER, reversed(earlier), strict=False):
                if one.at - last_said.at <= FRESH_NS:
                    for _, last in _places(last_said.tokens, term):
                        answered = any(n.first >= last for n in last_said.numbers)
                        worth = share * (0.3 if answered else 1.0)
                        yield _Claim(
                            worth + by_step + with_unit, number, value, unit, quantity, (-1, -1)
                        )


def _worth(one: _Said, heard: Number, first: int, last: int) -> float:
    """Say what the word at tokens [first, last) is worth to a number."""
    if last <= heard.first:
        between, worth = (last, heard.first), 1.0
    elif first >= heard.last:
        between, worth = (heard.last, first), BEHIND
    else:
        return 0.0
    words = one.tokens[between[0] : between[1]]
    worth *= math.exp(-len(words) / REACH)
    worth *= 0.5 ** sum(word in ".;:?!" for word in words)
    worth *= 0.8 ** sum(word in (",", "and", "but", "then") for word in words)
    if any(between[0] <= other.first < between[1] for other in one.numbers):
        worth *= 0.5
    return worth


def _units_after(words: Sequence[str], at: int) -> set[str]:
    """Give the units that what follows a number may mean: none where no unit is said."""
    for start in (at, at + 1) if words[at : at + 1] == ("of",) else (at,):
        for said, unit in _SPOKEN_UNITS:
            if tuple(words[start : start + len(said)]) == said:
                return {unit} | (_SAME.get(unit, set()) if said == ("mil",) else set())
    return set()
