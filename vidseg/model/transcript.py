"""What was heard in a recording: words with their times and how sure the recogniser is of each."""

from __future__ import annotations

from dataclasses import dataclass

from vidseg.model.annotation import Cue
from vidseg.model.span import Span

UNSURE = 0.5
"""A word below this probability is marked as unsure (our choice)."""


@dataclass(frozen=True, slots=True)
class HeardWord:
    """One word as written, without white space, heard during ``span`` (ns, case time).

    ``sure`` is the recogniser's probability, 0 to 1.
    """

    span: Span
    text: str
    sure: float


@dataclass(frozen=True, slots=True)
class HeardCue:
    """One caption: its lines of words, at least one, and how long it is shown (ns, case time)."""

    span: Span
    lines: tuple[tuple[HeardWord, ...], ...]

    @property
    def cue(self) -> Cue:
        """The caption as plain text."""
        return Cue(
            self.span, "\n".join(" ".join(word.text for word in line) for line in self.lines)
        )


@dataclass(frozen=True, slots=True)
class Transcript:
    """All captions in order of time; ``language`` as spoken (ISO 639-1); ``model`` heard it."""

    cues: tuple[HeardCue, ...]
    language: str
    model: str

    @property
    def words(self) -> tuple[HeardWord, ...]:
        """All words, in order of time."""
        return tuple(word for cue in self.cues for line in cue.lines for word in line)
