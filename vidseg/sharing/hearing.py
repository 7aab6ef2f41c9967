"""Names, dates and numbers spoken aloud: what a recogniser heard of them, and when."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from vidseg.measure.privacy.identifiers import find_identifiers, plain_words_of
from vidseg.measure.privacy.sifting import folded
from vidseg.model.procedure import Procedure
from vidseg.model.span import Span
from vidseg.model.transcript import HeardWord, Transcript

MARGIN_NS = 300_000_000
"""How much earlier and later than heard a word may be spoken (our choice)."""


@dataclass(frozen=True, slots=True)
class SpokenIdentifier:
    """What may identify someone, as heard, and the span (ns, case time) in which it is said."""

    span: Span
    text: str
    kind: str
    allowed: bool


def spoken_identifiers(
    heard: Transcript, procedure: Procedure, allowed: Sequence[str], end: int
) -> tuple[SpokenIdentifier, ...]:
    """Search what was heard; ``allowed`` may stay, ``end`` is the recording's (ns)."""
    known = plain_words_of([label for label, _ in procedure.labels()])
    stays = set(map(folded, allowed))
    found: list[SpokenIdentifier] = []
    for cue in heard.cues:
        words = [word for line in cue.lines for word in line]
        text, places = _joined(words)
        for one in find_identifiers(text, known):
            own = [word for word, (a, b) in zip(words, places, strict=True)
                   if a < one.end and b > one.start]  # fmt: skip
            start = max(0, own[0].span.start - MARGIN_NS)
            stop = min(end, max(word.span.end for word in own) + MARGIN_NS)
            ok = folded(one.text) in stays
            found.append(SpokenIdentifier(Span(start, stop), one.text, one.kind, ok))
    return tuple(found)


def _joined(words: Sequence[HeardWord]) -> tuple[str, list[tuple[int, int]]]:
    """Give the words as a text, and the characters of each in it."""
    return " ".join(word.text for word in words), list(_places(words))


def _places(words: Sequence[HeardWord]) -> Iterator[tuple[int, int]]:
    at = 0
    for word in words:
        yield at, at + len(word.text)
        at += len(word.text) + 1
