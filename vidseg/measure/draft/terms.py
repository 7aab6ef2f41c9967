"""The vocabulary's words in mangled speech, found by spelling and sound, over word breaks.

Windows of one to five words, their spaces removed, are compared with every label and saying. No
list of known mis-hearings is kept: a user's own terms are found the same way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rapidfuzz import fuzz, process

from vidseg.measure.draft.hearing import Word, metaphone, sounding
from vidseg.model.plain_words import LITTLE, ORDINARY
from vidseg.model.procedure import Step, fold

LONGEST_WINDOW = 5
WORD_HEARD = 65
"""Likeness, in percent, at which a word of a longer term counts as heard."""
LABEL_WEIGHT = 2.0
SPOKEN_WEIGHT = 1.6
SAYING_WORDS = 5
"""Sayings of more words are compared by their n-grams only."""


_DENIALS = frozenset({"no", "not", "without", "never"})


@dataclass(frozen=True, slots=True)
class Term:
    """A label or saying: ``text`` folded, its keys, and the weight it has for each step."""

    text: str
    sound: str
    key: str
    shown: str
    steps: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Mention:
    """A term heard: ``first`` to ``last`` are words of cue ``cue``; ``likeness`` 0 to 1."""

    cue: int
    first: int
    last: int
    term: Term
    heard: str
    likeness: float


def terms_of(steps: Iterable[Step]) -> tuple[Term, ...]:
    """Collect the terms of steps; the weight of one that stands with several is shared."""
    owners: dict[str, dict[str, float]] = {}
    shown: dict[str, str] = {}
    for step in steps:
        labelled = [(label, LABEL_WEIGHT) for label in (step.name, *step.aliases)]
        said = [(text, SPOKEN_WEIGHT) for text in step.spoken if len(text.split()) <= SAYING_WORDS]
        for text, weight in (*labelled, *said):
            key = fold(text)
            if len(key) < 2 or key.isdigit():
                continue
            shown.setdefault(key, text)
            weights = owners.setdefault(key, {})
            weights[step.code] = max(weights.get(step.code, 0.0), weight)
    return tuple(
        Term(
            text,
            sounding(text),
            metaphone(text),
            shown[text],
            tuple((code, weight / len(weights) ** 0.7) for code, weight in weights.items()),
        )
        for text, weights in owners.items()
    )


def threshold(letters: int) -> float:
    """Give the likeness from which a term of that many letters counts as heard."""
    if letters <= 4:
        return 0.99
    if letters <= 6:
        return 0.86
    return 0.80 if letters <= 8 else 0.765


def likeness(heard: Sequence[str], terms: Sequence[Term]) -> NDArray[np.float64]:
    """Compare folded texts with terms: an array (heard, terms) of 0 to 1.

    The best of letters, letters as they sound, and a mean of letters and Metaphone keys.
    """
    letters = process.cdist(heard, [t.text for t in terms], scorer=fuzz.ratio, dtype=np.float32)
    sound = process.cdist(
        [sounding(text) for text in heard],
        [t.sound for t in terms],
        scorer=fuzz.ratio,
        dtype=np.float32,
    )
    keys = process.cdist(
        [metaphone(text) for text in heard],
        [t.key for t in terms],
        scorer=fuzz.ratio,
        dtype=np.float32,
    )
    spelled = np.maximum(letters, sound * 0.99)
    best = np.maximum(spelled, 0.45 * spelled + 0.55 * keys)
    return np.asarray(best, dtype=np.float64) / 100


def find_mentions(cues: Sequence[Sequence[Word]], terms: Sequence[Term]) -> tuple[Mention, ...]:
    """Find the terms heard in cues, best first where they overlap, in order of time."""
    if not terms:
        return ()
    places: dict[str, list[tuple[int, int, int]]] = {}
    longest = max(len(term.text) for term in terms) * 1.3 + 2
    for number, cue in enumerate(cues):
        for first in range(len(cue)):
            for last in range(first, min(first + LONGEST_WINDOW, len(cue))):
                if cue[last].clause != cue[first].clause:
                    break
                text = "".join(word.text for word in cue[first : last + 1])
                if len(text) > longest:
                    break
                if len(text) >= 2:
                    places.setdefault(text, []).append((number, first, last))
    if not places:
        return ()
    heard = list(places)
    found = likeness(heard, terms)
    limits = np.array([threshold(len(term.text)) for term in terms])
    sizes = np.array([len(term.text) for term in terms])
    lengths = np.array([len(text) for text in heard])
    # A window much longer or shorter than the term holds other words too.
    fits = np.abs(lengths[:, None] - sizes[None, :]) <= np.maximum(1.0, 0.34 * sizes[None, :])
    candidates: list[Mention] = []
    for row, column in np.argwhere((found >= limits[None, :]) & fits):
        term = terms[column]
        text = heard[row]
        for number, first, last in places[text]:
            spoken = [word.text for word in cues[number][first : last + 1]]
            like = float(found[row, column])
            if (
                _denial_lost(spoken, term)
                or _loose_edge(spoken, term, like)
                or _ordinary(spoken, term, like)
                or _word_lost(text, term, like)
            ):
                continue
            candidates.append(Mention(number, first, last, term, " ".join(spoken), like))
    return _best(candidates)


def _denial_lost(spoken: Sequence[str], term: Term) -> bool:
    """Say whether the term denies something and the words heard do not."""
    return bool(_DENIALS & set(term.shown.lower().split())) and not _DENIALS & set(spoken)


def _word_lost(text: str, term: Term, like: float) -> bool:
    """Say whether a word that tells of a term of several words is not to be heard in ``text``.

    Mangled speech keeps the little words; another telling word makes another meaning.
    """
    telling = [fold(word) for word in term.shown.split()]
    telling = [word for word in telling if word and word not in LITTLE]
    if like > 0.97 or len(telling) < 2:
        return False
    for word in telling:
        part = (
            fuzz.partial_ratio(word, text) + fuzz.partial_ratio(sounding(word), sounding(text))
        ) / 2
        if part < (80 if len(word) <= 3 else WORD_HEARD):
            return True
    return False


def _ordinary(spoken: Sequence[str], term: Term, like: float) -> bool:
    """Say whether an ordinary word, or one alike only in its ending, is taken for the term."""
    if len(spoken) > 1 or like > 0.985:
        return False
    word = spoken[0]
    if word in ORDINARY or len(term.shown.split()) > 1:
        return True
    for ending in ("ing", "ion", "ed", "er", "ment"):
        if word.endswith(ending) and term.text.endswith(ending):
            return bool(fuzz.ratio(word[: -len(ending)], term.text[: -len(ending)]) < 78)
    return False


def _loose_edge(spoken: Sequence[str], term: Term, like: float) -> bool:
    """Say whether the window only drags a little word along that the term does not hold."""
    if len(spoken) == 1 or like > 0.97:
        return False
    head = spoken[0] in LITTLE and term.text[:2] != spoken[0][:2]
    tail = spoken[-1] in LITTLE and term.text[-2:] != spoken[-1][-2:]
    return (head or tail) and like < 0.9


def _best(candidates: Sequence[Mention]) -> tuple[Mention, ...]:
    def worth(mention: Mention) -> float:
        return float(mention.likeness**3 * len(mention.term.text) ** 0.8)

    taken: dict[int, list[tuple[int, int]]] = {}
    kept: list[Mention] = []
    for mention in sorted(candidates, key=worth, reverse=True):
        spans = taken.setdefault(mention.cue, [])
        if all(mention.last < first or mention.first > last for first, last in spans):
            spans.append((mention.first, mention.last))
            kept.append(mention)
    return tuple(sorted(kept, key=lambda mention: (mention.cue, mention.first)))
