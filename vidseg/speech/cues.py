"""Words become captions: broken at sentence ends and pauses, short enough to be read. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from vidseg.model.clock import NS
from vidseg.model.span import Span
from vidseg.model.transcript import HeardCue, HeardWord

LONGEST_NS = 7 * NS
LINE_LETTERS = 42
"""A caption has two lines of so many letters and lasts seven seconds at most: common practice of
broadcasters."""
PAUSE_NS = 800_000_000
"""A pause that ends a caption."""
BREATH_NS = 250_000_000
"""A pause at which a sentence that does not fit is best broken."""
SHORTEST_NS = NS
"""Shown at least that long where the next one leaves the room."""


def cues_of(words: Sequence[HeardWord]) -> tuple[HeardCue, ...]:
    """Group words, in order of time, into captions that do not overlap."""
    groups = [part for sentence in _sentences(words) for part in _fitting(sentence)]
    made: list[HeardCue] = []
    for number, group in enumerate(groups):
        start, end = group[0].span.start, max(word.span.end for word in group)
        following = groups[number + 1][0].span.start if number + 1 < len(groups) else None
        end = max(end, start + SHORTEST_NS)
        if following is not None:
            end = max(min(end, following), start + 1)
        if made and start < made[-1].span.end:
            start = made[-1].span.end
            end = max(end, start + 1)
        made.append(HeardCue(Span(start, min(end, start + LONGEST_NS)), _lines(group)))
    return tuple(made)


def _sentences(words: Sequence[HeardWord]) -> Iterator[list[HeardWord]]:
    """Break at pauses, and at sentence ends unless a word or two would be left alone."""
    held: list[HeardWord] = []
    for word in words:
        if held:
            gap = word.span.start - held[-1].span.end
            ended = held[-1].text[-1:] in ".?!" and len(held) > 2
            if gap >= PAUSE_NS or ended:
                yield held
                held = []
        held.append(word)
    if held:
        yield held


def _fitting(words: list[HeardWord]) -> Iterator[list[HeardWord]]:
    """Break what is too long where it hurts least: at a comma, a breath, else in the middle."""
    if len(words) == 1 or _fits(words):
        yield words
        return
    best = max(range(1, len(words)), key=lambda place: _break_value(words, place))
    yield from _fitting(words[:best])
    yield from _fitting(words[best:])


def _fits(words: Sequence[HeardWord]) -> bool:
    if words[-1].span.end - words[0].span.start > LONGEST_NS:
        return False
    return all(_letters(line) <= LINE_LETTERS for line in _lines(words))


def _break_value(words: Sequence[HeardWord], place: int) -> float:
    """Say how good a break before word ``place`` is; the middle counts for balance."""
    before, after = words[place - 1], words[place]
    gap = after.span.start - before.span.end
    balance = 1 - abs(2 * place / len(words) - 1)
    return balance + 0.6 * (before.text[-1:] in ",;:") + 0.8 * min(1.0, gap / BREATH_NS)


def _letters(words: Sequence[HeardWord]) -> int:
    return sum(len(word.text) for word in words) + len(words) - 1


def _lines(words: Sequence[HeardWord]) -> tuple[tuple[HeardWord, ...], ...]:
    """Give one line, or two that are as even as can be."""
    if _letters(words) <= LINE_LETTERS or len(words) == 1:
        return (tuple(words),)
    place = min(
        range(1, len(words)),
        key=lambda place: max(_letters(words[:place]), _letters(words[place:])),
    )
    return tuple(words[:place]), tuple(words[place:])
