"""Captions of a recording made by ear and written to a file; stopped and begun again at will."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from vidseg import __version__
from vidseg.disk.digests import Stamp
from vidseg.formats import subrip, webvtt
from vidseg.media.read.threads import cores
from vidseg.model.problem import UsageError
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions, Recording
from vidseg.model.transcript import Transcript
from vidseg.speech.models import find_model
from vidseg.speech.recogniser import Recogniser
from vidseg.speech.transcribe import transcribe

SUFFIXES = (".vtt", ".srt")


@dataclass(frozen=True, slots=True)
class Listening:
    """How to listen: the ``model`` (a folder, a name, None for the best there is), the language
    spoken (ISO 639-1, None to find out), words to expect (see ``hints_of``)."""

    model: str | None = None
    language: str | None = None
    hints: str = ""
    word_times: bool = False


def write_heard(
    recording: Recording, out: Path, how: Listening, progress: Progress | None = None
) -> Transcript:
    """Hear a recording and write ``out`` (.vtt or .srt), aside and renamed.

    What is heard is kept beside it until then, so that the same call goes on after a stop. Raises
    UsageError for another suffix, without a model or a sound track, and MediaError.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise UsageError(f"captions are written as {' or '.join(SUFFIXES)}, not as {out.name!r}")
    if how.word_times and out.suffix.lower() != ".vtt":
        raise UsageError(f"only .vtt can hold the time of each word, not {out.name!r}")
    state = out.with_name(f".{out.name}.heard")
    made = hear(recording, state, how, progress)
    if out.suffix.lower() == ".vtt":
        webvtt.write_transcript(made, out, word_times=how.word_times)
    else:
        subrip.write_captions(
            Captions(out.name, tuple(cue.cue for cue in made.cues), made.language), out
        )
    state.unlink(missing_ok=True)
    return made


def hear(
    recording: Recording, state: Path, how: Listening, progress: Progress | None = None
) -> Transcript:
    """Hear a recording; what is heard is kept in ``state`` until the caller removes it."""
    model = find_model(how.model)
    return transcribe(
        recording,
        lambda: Recogniser(model, how.language, how.hints, cores()),
        state,
        _key(recording, model, how),
        _name(model),
        progress,
    )


def captions_beside(recording: Recording) -> Path:
    """Give the file that holds what was heard in a recording, beside its first part."""
    first = recording.parts[0].path
    return first.with_name(f"{first.stem}.heard.vtt")


def heard_captions(recording: Recording, how: Listening, progress: Progress | None = None) -> Path:
    """Give the captions heard in a recording; what was heard before is not heard again."""
    out = captions_beside(recording)
    if not out.exists():
        write_heard(recording, out, how, progress)
    return out


def _name(model: Path) -> str:
    """Name a model without the folders it lies in: of caches the name before ``snapshots``."""
    for parent in (model, *model.parents):
        if parent.name.startswith("models--"):
            return parent.name.rsplit("--", 1)[-1]
    return model.name if model.name != "model" else model.parent.name


def _key(recording: Recording, model: Path, how: Listening) -> str:
    parts = [
        (part.path.name, part.start, part.skipped, stamp.bytes, stamp.changed_ns)
        for part in recording.parts
        for stamp in [Stamp.of(part.path)]
    ]
    weights = Stamp.of(model / "model.bin").bytes
    return json.dumps([__version__, parts, str(model), weights, how.language, how.hints])
