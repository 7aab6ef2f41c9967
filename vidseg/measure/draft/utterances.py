"""What was said and when: captions joined, repeated lines merged, cut into sentences with times."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from vidseg.model.annotation import Cue
from vidseg.model.clock import NS
from vidseg.model.procedure import fold

MOST_WORDS = 24
"""A sentence of more words is cut at a comma or a caption's edge, as one with no full stop."""
FEWEST_WORDS = 4
"""A caption without punctuation and of fewer words is read together with the next."""
APART_S = 1.5
"""A pause from which unpunctuated captions are two sentences (common practice)."""
REPEATED_WORDS = 3
"""Words that a caption must share with the end of what was said before to be a rolling one."""

_TAG = re.compile(r"<[^>]*>")
_SOUND = re.compile(r"\[[^\]]*\]|\([^)]*\)|♪+")
_END = re.compile(r"[.!?;…]+[\"'”’)]*$")
_COMMA = re.compile(r"[,:–—]$")


@dataclass(frozen=True, slots=True)
class Utterance:
    """A sentence as spoken: ``start_s`` to ``end_s``, and the caption (from 0) it begins in."""

    cue: int
    start_s: float
    end_s: float
    text: str

    @property
    def middle_s(self) -> float:
        """The middle of its time."""
        return (self.start_s + self.end_s) / 2

    def slowed(self, times: float) -> Utterance:
        """Give the same words at times so many times later."""
        return replace(self, start_s=self.start_s * times, end_s=self.end_s * times)


@dataclass(frozen=True, slots=True)
class _Spoken:
    cue: int
    start_s: float
    end_s: float
    text: str


def plain_text(text: str) -> str:
    """Give a caption's words without markup and marks of sound, on one line."""
    return " ".join(_SOUND.sub(" ", _TAG.sub(" ", text)).split())


def merged(cues: Sequence[Cue]) -> tuple[Cue, ...]:
    """Take out what captions repeat: rolling lines, and the same caption shown twice in a row.

    ``cues`` in order of time, and as many come back; one that says nothing new is left empty.
    """
    out: list[Cue] = []
    before: list[str] = []
    last_end = -1
    for cue in cues:
        words = plain_text(cue.text).split()
        keys = [fold(word) for word in words]
        again = _repeated(before, keys) if cue.span.start <= last_end + 2 * NS else 0
        out.append(replace(cue, text=" ".join(words[again:])))
        before = (before + keys[again:])[-60:]
        last_end = max(last_end, cue.span.end)
    return tuple(out)


def _repeated(before: Sequence[str], keys: Sequence[str]) -> int:
    """Give how many first words of a caption end what was said before it."""
    for size in range(min(len(before), len(keys)), 0, -1):
        if size < REPEATED_WORDS and size < len(keys):
            return 0
        if before[-size:] == keys[:size]:
            # One or two words alone, as "okay", are said again rather than shown again.
            return size if size >= REPEATED_WORDS else 0
    return 0


def utterances(cues: Sequence[Cue]) -> tuple[Utterance, ...]:
    """Cut merged captions into sentences, each with the time at which it was said.

    Within a caption time runs with the letters. Captions without punctuation are one sentence
    each; a sentence that runs over several captions is joined.
    """
    words = list(_timed_words(cues))
    if not words:
        return ()
    ends = sum(bool(_END.search(word.text)) for word in words)
    punctuated = ends * 30 >= len(words)
    found: list[Utterance] = []
    held: list[_Spoken] = []
    for number, word in enumerate(words):
        held.append(word)
        after = words[number + 1] if number + 1 < len(words) else None
        if after is None or _ends(held, after, punctuated):
            text = " ".join(w.text for w in held).replace(">>", " ").strip()
            if any(c.isalnum() for c in text):
                found.append(Utterance(held[0].cue, held[0].start_s, held[-1].end_s, text))
            held = []
    return tuple(found)


def _ends(held: Sequence[_Spoken], after: _Spoken, punctuated: bool) -> bool:
    word = held[-1]
    if after.text.startswith(">>") or after.start_s - word.end_s > 2 * APART_S:
        return True
    if _END.search(word.text):
        return True
    leaves = after.cue != word.cue
    if punctuated:
        long = len(held) >= MOST_WORDS
        return long and (leaves or bool(_COMMA.search(word.text)) or len(held) >= 2 * MOST_WORDS)
    if leaves:
        return len(held) >= FEWEST_WORDS or after.start_s - word.end_s > APART_S
    return len(held) >= MOST_WORDS


def _timed_words(cues: Iterable[Cue]) -> Iterable[_Spoken]:
    for number, cue in enumerate(cues):
        words = plain_text(cue.text).split()
        letters = sum(len(word) + 1 for word in words)
        start, length = cue.span.start / NS, cue.span.length / NS
        done = 0
        for word in words:
            first = start + length * done / letters
            done += len(word) + 1
            yield _Spoken(number, first, start + length * done / letters, word)
