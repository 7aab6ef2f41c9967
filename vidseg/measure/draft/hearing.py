"""What a word sounds like: spellings and keys under which mangled speech meets its term."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import jellyfish

from vidseg.model.procedure import fold

_TAG = re.compile(r"<[^>]*>")
_WORD = re.compile(r"[^\W_]+(?:['’][^\W_]+)*")
_BREAK = re.compile(r"[.;:!?,]+(?=\s|$)|\s[-–—]\s")
_VOWELS = re.compile(r"[aeiouhwy]")
_DOUBLE = re.compile(r"(.)\1+")
_SPELLINGS = (
    (r"ph", "f"),
    (r"gh(?=t|$)", ""),
    (r"sch", "sk"),
    (r"tch|ch", "c"),
    (r"[cs]h", "s"),
    (r"rrh|rh", "r"),
    (r"^kn|^gn|^pn", "n"),
    (r"^wr", "r"),
    (r"^ps", "s"),
    (r"x", "ks"),
    (r"sc(?=[eiy])", "s"),
    (r"c(?=[eiy])", "s"),
    (r"[cq]u?", "k"),
    (r"k+", "k"),
    (r"[sct]io", "so"),
    (r"z", "s"),
    (r"th", "t"),
    (r"w(?![aeiou])", ""),
    (r"y", "i"),
    (r"oe|ae", "e"),
    (r"(.)\1+", r"\1"),
)
_RULES = tuple((re.compile(pattern), instead) for pattern, instead in _SPELLINGS)


@dataclass(frozen=True, slots=True)
class Word:
    """One spoken word: folded text and the clause of its cue in which it stands (from 0)."""

    text: str
    clause: int


def words(text: str) -> tuple[Word, ...]:
    """Split a caption into words; its tags are dropped, clauses end at marks of punctuation."""
    found: list[Word] = []
    plain = " ".join(_TAG.sub(" ", text).split())
    for clause, part in enumerate(_BREAK.split(_keep_decimals(plain))):
        for match in _WORD.finditer(part):
            folded = fold(match[0])
            if folded:
                found.append(Word(folded, clause))
    return tuple(found)


def _keep_decimals(text: str) -> str:
    return re.sub(r"(\d)[.,](\d)", r"\1\2", text)


@lru_cache(maxsize=65536)
def sounding(text: str) -> str:
    """Spell a folded text as it sounds, vowels kept: ``phaco`` and ``facco`` both give ``fako``.

    Our own rules for English spelling (common practice), coarse on purpose.
    """
    for pattern, instead in _RULES:
        text = pattern.sub(instead, text)
    return text


@lru_cache(maxsize=65536)
def consonants(text: str) -> str:
    """Give the consonants of a folded text as it sounds: what mis-hearing keeps of a long name."""
    return _DOUBLE.sub(r"\1", _VOWELS.sub("", sounding(text)))


@lru_cache(maxsize=65536)
def metaphone(text: str) -> str:
    """Give the Metaphone key (Philips 1990) of a folded text without spaces."""
    return jellyfish.metaphone(text).replace(" ", "")
