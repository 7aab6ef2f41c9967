"""The chaptered recording, and the chapters as files."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from vidseg.export.chapters import case_chapters, chapter_texts
from vidseg.media.write.remux import chaptered_suffix, remux
from vidseg.model.problem import MediaError, Problem
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions, Chapter, Recording
from vidseg.pipeline.case_run import CaseRun


@dataclass(frozen=True, slots=True)
class _Chaptered:
    """All that shows in a chaptered recording."""

    name: str
    recording: Recording
    chapters: tuple[Chapter, ...]
    captions: Captions | None


def make(run: CaseRun) -> None:
    """Write the chapters and the recording with them; where its parts cannot be joined, say so."""
    recording, captions = run.result.recording, run.result.captions
    chapters = case_chapters(run.result.annotation, recording.length)
    first = recording.parts[0]
    suffix = chaptered_suffix(first)
    name = f"{first.path.stem}.chaptered{suffix}"
    if suffix != first.path.suffix.lower():
        run.notes.append(
            f"{first.path.suffix or 'this file'} cannot hold chapters: {name} is a copy in another "
            "container, its packets unchanged"
        )
    texts, notes = chapter_texts(chapters)
    run.folder.write(texts)
    run.notes.extend(notes)
    shown = captions and Captions("", captions.cues, captions.language)
    try:
        told = run.folder.make(
            _Chaptered(name, recording, chapters, shown), [name], _write, run.progress
        )
    except MediaError as error:
        if len(recording.parts) == 1:
            raise
        problem = Problem.of(
            "chapters-not-joined",
            f"the parts cannot be joined by copying: {error.reason}; durations, clips and "
            "stills are not affected",
            first.path.name,
        )
        run.add_problems([problem])
    else:
        run.notes.extend(told)
        run.beside = replace(run.beside, video=name, chapters="chapters.vtt")


def _write(document: _Chaptered, work: Path, progress: Progress) -> tuple[str, ...]:
    return remux(
        document.recording, work / document.name, document.chapters, document.captions, progress
    )
