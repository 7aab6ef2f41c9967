"""A whole recording heard, window by window: what is done is kept, and a next run goes on."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from vidseg.media.stream.voice import RATE_HZ, Voice, voice
from vidseg.model.clock import NS
from vidseg.model.problem import UsageError
from vidseg.model.progress import Progress
from vidseg.model.recording import Part, Recording
from vidseg.model.span import Span
from vidseg.model.transcript import HeardWord, Transcript
from vidseg.speech.cues import cues_of
from vidseg.speech.recogniser import Recogniser

WINDOW_S, SEARCH_S = 120, 30
"""A window is so long at most; it ends where it is quietest within its last ``SEARCH_S``."""
QUIET_S = 0.5


def transcribe(
    recording: Recording,
    recogniser: Callable[[], Recogniser],
    state: Path,
    key: str,
    model: str,
    progress: Progress | None = None,
) -> Transcript:
    """Hear all parts on the case clock.

    What was heard is kept in ``state``, a line a window, until the caller removes it; lines under
    the same ``key`` are taken over. ``recogniser`` is called once it is needed. Raises UsageError
    where no part has a sound track or ``state`` cannot be written, and MediaError.
    """
    if not any(part.audio for part in recording.parts):
        raise UsageError(
            f"{recording.parts[0].path.name} has no sound track: there is nothing to hear"
        )
    words: list[HeardWord] = []
    engine: Recogniser | None = None
    language = ""
    with _State(state, key) as kept:
        for number, part in enumerate(recording.parts):
            for at, samples in _windows(part, number):
                name = f"{number}:{at}"
                if name not in kept.rows:
                    engine = engine or recogniser()
                    tell = _share(progress, recording, part, at, len(samples))
                    found = engine.heard(samples, tell)
                    kept.add(name, _row(found, engine.language or ""))
                row = kept.rows[name]
                language = row["language"] or language
                start = part.start + at * NS // RATE_HZ
                words.extend(
                    HeardWord(Span(start + a, start + b), text, sure)
                    for a, b, text, sure in row["words"]
                )
    if progress is not None:
        progress(1.0)
    return Transcript(cues_of(words), language, model)


def _share(
    progress: Progress | None, recording: Recording, part: Part, at: int, count: int
) -> Progress | None:
    if progress is None:
        return None

    def report(fraction: float) -> None:
        heard_ns = part.start + (at + fraction * count) * NS / RATE_HZ
        progress(min(1.0, heard_ns / recording.length))

    return report


def _row(words: tuple[HeardWord, ...], language: str) -> dict[str, Any]:
    return {
        "language": language,
        "words": [
            [word.span.start, word.span.end, word.text, round(word.sure, 4)] for word in words
        ],
    }


def _windows(part: Part, number: int) -> Iterator[tuple[int, Voice]]:
    """Yield (first sample, samples) of each window of a part, in order and without holes."""
    held: list[Voice] = []
    at = count = 0
    for block in voice(part, number):
        held.append(block)
        count += len(block)
        if count >= WINDOW_S * RATE_HZ:
            samples = np.concatenate(held)
            cut = _quietest(samples)
            yield at, samples[:cut]
            at, held, count = at + cut, [samples[cut:]], len(samples) - cut
    if count:
        yield at, np.concatenate(held)


def _quietest(samples: Voice) -> int:
    """Give the place within the last ``SEARCH_S`` around which it is quietest."""
    first = len(samples) - SEARCH_S * RATE_HZ
    width = int(QUIET_S * RATE_HZ)
    count = (len(samples) - first) // width
    loud = np.square(samples[first : first + count * width]).reshape(count, width).mean(axis=1)
    return first + int(loud.argmin()) * width + width // 2


class _State:
    """What was heard so far: a line that names the key, then one for each window."""

    def __init__(self, path: Path, key: str) -> None:
        self.path, self.key = path, key
        self.rows: dict[str, Mapping[str, Any]] = {}
        self._file: BinaryIO | None = None

    def __enter__(self) -> _State:
        lines: list[bytes] = []
        try:
            if self.path.exists():
                lines = self.path.read_bytes().splitlines(keepends=True)
            good = self._read(lines)
            self._file = self.path.open("r+b" if good else "wb")
            if not good:
                self._append({"key": self.key})
            else:
                self._file.truncate(sum(len(line) for line in lines[:good]))
                self._file.seek(0, 2)
        except OSError as error:
            raise UsageError(f"cannot write to {self.path.parent}: {error.strerror}") from error
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def _read(self, lines: list[bytes]) -> int:
        """Take over rows of the same key; give the number of whole lines, 0 for another key."""
        for number, line in enumerate(lines):
            try:
                data = json.loads(line) if line.endswith(b"\n") else None
            except ValueError:
                data = None
            if not isinstance(data, dict) or (number == 0 and data.get("key") != self.key):
                return number
            if number:
                self.rows[data.pop("window")] = data
        return len(lines)

    def _append(self, data: Mapping[str, Any]) -> None:
        assert self._file is not None
        self._file.write(json.dumps(data, ensure_ascii=False).encode() + b"\n")
        self._file.flush()

    def add(self, window: str, row: Mapping[str, Any]) -> None:
        """Keep what was heard in one window."""
        try:
            self._append({"window": window, **row})
        except OSError as error:
            raise UsageError(f"cannot write to {self.path.parent}: {error.strerror}") from error
        self.rows[window] = row
