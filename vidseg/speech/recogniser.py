"""The recogniser: faster-whisper, on this machine's processor, offline."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from vidseg.media.stream.voice import RATE_HZ, Voice
from vidseg.model.clock import NS
from vidseg.model.problem import UsageError
from vidseg.model.procedure import Procedure
from vidseg.model.progress import Progress
from vidseg.model.span import Span
from vidseg.model.transcript import HeardWord

TRIES = (0.0, 0.4, 0.8)
"""Temperatures tried in turn where a stretch of half a minute will not come out; the library's own
six make repeated words cost many times the time."""
MOST_TOKENS = 200
"""Words and parts of words in half a minute: nobody says more, a recogniser that loops does."""
HINT_LETTERS = 8
"""Words of a vocabulary from this length on are told to the recogniser beforehand: they are the
trade's own. Plain ones it knows, and there is room for about two hundred."""


def hints_of(procedure: Procedure) -> str:
    """Give the long words of a vocabulary's names, which the recogniser is to expect."""
    texts = [text for step in procedure.steps for text in (step.name, *step.aliases)]
    words = [word for text in texts for word in re.findall(r"[^\W\d_]+", text.lower())]
    return " ".join(dict.fromkeys(word for word in words if len(word) >= HINT_LETTERS))


class Recogniser:
    """A model, loaded; the language is found out where it is not given, once.

    Raises UsageError where the model cannot be loaded or does not know the language.
    """

    def __init__(self, model: Path, language: str | None, hints: str, threads: int) -> None:
        os.environ.setdefault("HF_HUB_OFFLINE", "1")
        from faster_whisper import WhisperModel

        try:
            self._model: Any = WhisperModel(
                str(model),
                device="cpu",
                compute_type="int8",
                cpu_threads=threads,
                local_files_only=True,
            )
        except (RuntimeError, ValueError, OSError) as error:
            raise UsageError(f"the model in {model} cannot be loaded: {error}") from error
        if language is not None and language not in self._model.supported_languages:
            raise UsageError(
                f"the model in {model} does not know the language {language!r}; it knows "
                f"{', '.join(sorted(self._model.supported_languages))}"
            )
        only = not self._model.model.is_multilingual
        self.language = "en" if only else language
        self.hints = hints

    def heard(self, samples: Voice, progress: Progress | None = None) -> tuple[HeardWord, ...]:
        """Give the words in ``samples``, times in ns from their start.

        ``progress`` gets the fraction done. Silence is passed over unheard.
        """
        if not samples.any():
            return ()
        segments, info = self._model.transcribe(
            samples,
            language=self.language,
            temperature=TRIES,
            max_new_tokens=MOST_TOKENS,
            # or what went wrong once goes on being wrong
            condition_on_previous_text=False,
            hotwords=self.hints or None,
            vad_filter=True,
            word_timestamps=True,
        )
        return tuple(self._words(segments, info, len(samples), progress))

    def _words(
        self, segments: Iterable[Any], info: Any, count: int, progress: Progress | None
    ) -> Iterable[HeardWord]:
        held: HeardWord | None = None
        for segment in segments:
            self.language = self.language or info.language
            if progress is not None:
                progress(min(1.0, segment.end * RATE_HZ / count))
            for word in segment.words or ():
                text = word.word.strip()
                start = max(0, round(word.start * NS))
                span = Span(start, max(start + 1, round(word.end * NS)))
                if held is not None and word.word[:1] in "'’-%°":
                    # the second part of a word: o'clock, 0.5%
                    whole = Span(held.span.start, max(held.span.end, span.end))
                    held = HeardWord(whole, held.text + text, min(held.sure, word.probability))
                elif text:
                    if held is not None:
                        yield held
                    held = HeardWord(span, text, float(word.probability))
        if held is not None:
            yield held
