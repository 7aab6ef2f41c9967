"""Numbers as people say them: ``three hundred and eighty``, ``two point four``."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

_UNIT_WORDS = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen "
    "sixteen seventeen eighteen nineteen"
)
_TEN_WORDS = "twenty thirty forty fifty sixty seventy eighty ninety"
_UNITS = {word: value for value, word in enumerate(_UNIT_WORDS.split())}
_TENS = {word: 10 * value for value, word in enumerate(_TEN_WORDS.split(), start=2)}
_PARTS = {"half": 0.5, "quarter": 0.25, "third": 1 / 3, "tenth": 0.1, "hundredth": 0.01}
_TOKEN = re.compile(r"\d+(?:[.,]\d+)?|[^\W\d_]+(?:['’][^\W\d_]+)*|[%/+;:.!?,°]")


@dataclass(frozen=True, slots=True)
class Number:
    """A number spoken: its value and the tokens ``[first, last)`` that say it.

    ``other`` is a second way to read the same tokens: "twenty two nine" is 22.9, or 22 and 9.
    """

    value: float
    first: int
    last: int
    other: float | None = None

    @property
    def readings(self) -> tuple[float, ...]:
        """The ways to read it, the likelier first."""
        return (self.value,) if self.other is None else (self.value, self.other)


def tokens(text: str) -> list[str]:
    """Split a text into lower-case words, numbers and marks; hyphens part words."""
    plain = re.sub(r"<[^>]*>", " ", text).lower().replace("-", " ")
    return [
        token.replace(",", ".") if token[0].isdecimal() else token
        for token in _TOKEN.findall(plain)
    ]


def find_numbers(said: Sequence[str]) -> list[Number]:
    """Find the numbers in tokens, in order; each token belongs to one number at most."""
    found: list[Number] = []
    at = 0
    while at < len(said):
        number = _number_at(said, at)
        if number is None:
            at += 1
        else:
            number = _with_digit(said, number)
            found.append(number)
            at = number.last
    return found


def _with_digit(said: Sequence[str], number: Number) -> Number:
    """Read a digit right behind a whole number as its decimal: "two four", "22 5"."""
    digit = _at(said, number.last)
    word = digit in _UNITS and 1 <= _UNITS[digit] <= 9
    if not number.value.is_integer() or not 1 <= number.value < 100:
        return number
    written = said[number.first].isdecimal()
    if not (word and not written) and not (written and digit.isdecimal() and len(digit) == 1):
        return number
    if _at(said, number.last + 1) in ("point", "hundred", "thousand") or digit == "0":
        return number
    whole = float(f"{number.value:.0f}.{_UNITS.get(digit, 0) or digit}")
    return Number(whole, number.first, number.last + 1, number.value)


def _number_at(said: Sequence[str], at: int) -> Number | None:
    word = said[at]
    if word[0].isdecimal():
        value, end = float(word), at + 1
        return _with_part(said, value, at, end)
    if word in ("a", "half") or word in _PARTS:
        return _fraction(said, at)
    if word == "point" and (digits := _digits(said, at + 1)):
        return Number(float("0." + digits[0]), at, digits[1])
    if word == "hundred":
        value, end = 100.0, at + 1
        small = _below_hundred(said, end + (_at(said, end) == "and"))
        if small is not None:
            value, end = value + small[0], small[1]
        return _with_decimals(said, value, at, end)
    small = _below_hundred(said, at)
    if small is None:
        return None
    value, end = float(small[0]), small[1]
    if _at(said, end) == "hundred":
        value, end = value * 100, end + 1
        rest = _below_hundred(said, end + (_at(said, end) == "and"))
        if rest is not None:
            value, end = value + rest[0], rest[1]
    elif 1 <= value <= 9 and _at(said, end) in _TENS:
        # "one fifty" is 150, as machine settings are spoken.
        rest = _below_hundred(said, end)
        assert rest is not None
        value, end = value * 100 + rest[0], rest[1]
    if _at(said, end) == "thousand":
        value, end = value * 1000, end + 1
    return _with_decimals(said, value, at, end)


def _at(said: Sequence[str], place: int) -> str:
    return said[place] if 0 <= place < len(said) else ""


def _below_hundred(said: Sequence[str], at: int) -> tuple[int, int] | None:
    word = _at(said, at)
    if word in _TENS:
        unit = _UNITS.get(_at(said, at + 1), 0)
        return (_TENS[word] + unit, at + 2) if 1 <= unit <= 9 else (_TENS[word], at + 1)
    return (_UNITS[word], at + 1) if word in _UNITS else None


def _digits(said: Sequence[str], at: int) -> tuple[str, int] | None:
    text = ""
    while True:
        word = _at(said, at)
        if word in ("oh", "o"):
            text += "0"
        elif word in _UNITS and _UNITS[word] <= 9:
            text += str(_UNITS[word])
        elif word.isdecimal() or (not text and (word in _TENS or word in _UNITS)):
            small = _below_hundred(said, at)
            return (
                text + (word if small is None else str(small[0])),
                at + 1 if small is None else small[1],
            )
        else:
            break
        at += 1
    return (text, at) if text else None


def _with_decimals(said: Sequence[str], value: float, first: int, end: int) -> Number:
    if _at(said, end) == "point" and (digits := _digits(said, end + 1)):
        return Number(float(f"{value:.0f}.{digits[0]}"), first, digits[1])
    return _with_part(said, value, first, end)


def _with_part(said: Sequence[str], value: float, first: int, end: int) -> Number:
    if _at(said, end) == "point" and (digits := _digits(said, end + 1)) and value.is_integer():
        return Number(float(f"{value:.0f}.{digits[0]}"), first, digits[1])
    if _at(said, end) == "and":
        step = end + 1 + (_at(said, end + 1) == "a")
        if _at(said, step) in ("half", "quarter"):  # "six and a half", "six and half"
            return Number(value + _PARTS[_at(said, step)], first, step + 1)
    return Number(value, first, end)


def _fraction(said: Sequence[str], at: int) -> Number | None:
    """Read "half a", "a half", "a tenth of a"; a bare "half" or "third" is no number."""
    article = _at(said, at) == "a"
    word = _at(said, at + article)
    if word not in _PARTS:
        return None
    end = at + article + 1
    if _at(said, end) == "of":
        end += 1
        if _at(said, end) in ("a", "an"):
            return Number(_PARTS[word], at, end + 1)
        return None
    if word == "half" and not article and _at(said, end) in ("a", "an"):
        return Number(0.5, at, end + 1)
    if word == "half" and _at(said, end)[:6] in ("diopte", "dioptr", "millim", "percen"):
        return Number(0.5, at, end)
    return Number(_PARTS[word], at, end) if article and word in ("half", "quarter") else None
