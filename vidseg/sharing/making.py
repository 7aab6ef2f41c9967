"""The files of the copy: recording, annotation, ``case.toml``, captions, vocabulary, stills."""

from __future__ import annotations

import secrets
import tomllib
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.export.chapters import case_chapters
from vidseg.export.folder import OutputFolder
from vidseg.export.stills import keep_stills, plan_stills
from vidseg.formats import write_sheet
from vidseg.formats.case_file import read_case
from vidseg.formats.case_writing import case_text
from vidseg.formats.vocabulary_writing import write_procedure
from vidseg.formats.webvtt import write_captions
from vidseg.measure.case.retime import Carried, differing
from vidseg.measure.privacy.sifting import sheet_of
from vidseg.media.redact.redact import redact
from vidseg.media.redact.redact_plan import Redaction
from vidseg.model.annotation import Annotation
from vidseg.model.case import Case, CaseResult
from vidseg.model.problem import MediaError
from vidseg.model.procedure import Procedure
from vidseg.model.progress import Progress, StageProgress
from vidseg.model.recording import Captions, Chapter, Recording
from vidseg.reading import read_case_files
from vidseg.sharing.options import ShareOptions
from vidseg.sharing.words import SharedWords, own_vocabulary

COPY = "copy"
EDGE_TOLERANCE_NS = 1_000_000
"""Matroska rounds frame times to the millisecond; so may each edge of a visit."""


def make_recording(
    result: CaseResult,
    redaction: Redaction,
    options: ShareOptions,
    folder: OutputFolder,
    progress: StageProgress,
) -> tuple[str, tuple[str, ...]]:
    """Make the copy of the recording; give its name, and sentences on how it was made."""
    suffix = result.recording.parts[0].path.suffix.lower()
    name = f"recording{suffix if suffix in ('.mp4', '.mov', '.mkv') else '.mkv'}"
    chapters = case_chapters(result.annotation, result.recording.length)

    document = _Copied(name, result.recording, redaction, chapters, options.quality)
    report = partial(progress, "copy of the recording")
    told = folder.make(document, [f"{COPY}/{name}"], _write_recording, report)
    return name, tuple(told)


@dataclass(frozen=True, slots=True)
class _Copied:
    """All that shows in a copy of a recording."""

    name: str
    recording: Recording
    redaction: Redaction
    chapters: tuple[Chapter, ...]
    quality: int


def _write_recording(copied: _Copied, work: Path, progress: Progress) -> tuple[str, ...]:
    made = redact(
        copied.recording,
        copied.redaction,
        work / COPY / copied.name,
        chapters=copied.chapters,
        quality=copied.quality,
        progress=progress,
    )
    return (*made.ways, *made.notes)


def new_id() -> str:
    """Give an id that says nothing: eight consonants, so that it holds no name and no number."""
    return "case-" + "".join(secrets.choice("bcdfghjkmnpqrstvwxz") for _ in range(8))


def make_case(
    result: CaseResult,
    options: ShareOptions,
    folder: OutputFolder,
    name: str,
    carried: Carried,
    words: SharedWords,
) -> Case:
    """Write the annotation, the captions, the vocabulary where it is the user's own, and
    ``case.toml``; give that case, its paths relative."""
    before, own = result.case, own_vocabulary(result.procedure)
    spoken = words.captions if words.captions and words.captions.cues else None
    case = Case(
        id=options.new_id or _known_id(folder) or new_id(),
        recordings=(Path(name),),
        annotation=Path("steps.csv"),
        procedure="./procedure.toml" if own else result.procedure.code,
        captions=Path("captions.vtt") if spoken else None,
        edits=carried.edits,
        surgeon=words.surgeon,
        role=words.role,
        case_number=before.case_number,
        covariates=words.covariates,
    )

    names = ["steps.csv", "case.toml", *(["captions.vtt"] if spoken else [])]
    names += ["procedure.toml"] if own else []
    document = _Told(case_text(case), carried.annotation, spoken, result.procedure if own else None)
    folder.make(document, [f"{COPY}/{n}" for n in names], _write_case)
    return case


@dataclass(frozen=True, slots=True)
class _Told:
    """All that shows in the files beside a copy of a recording; the case as text."""

    case: str
    annotation: Annotation
    captions: Captions | None
    vocabulary: Procedure | None


def _write_case(told: _Told, work: Path, _: Progress) -> None:
    write_sheet(sheet_of(told.annotation), work / COPY / "steps.csv")
    write_text_aside(work / COPY / "case.toml", told.case)
    if told.captions:
        write_captions(told.captions, work / COPY / "captions.vtt")
    if told.vocabulary:
        write_procedure(told.vocabulary, work / COPY / "procedure.toml")


def read_again(result: CaseResult, folder: OutputFolder, progress: StageProgress) -> CaseResult:
    """Read the copy as any case. Raises MediaError where something in it may identify someone,
    or where a step does not take as long as in the recording."""
    copy = read_case_files(read_case(folder.work / COPY / "case.toml"), progress=progress)
    told = [p.message for p in copy.problems if p.code == "identifying-metadata"]
    visits = max((len(step.segments) for step in copy.timing.steps), default=0)
    told += differing(result.timing, copy.timing, EDGE_TOLERANCE_NS * (2 * visits + 1))
    if told:
        raise MediaError("the copy", f"it failed its check and is not kept: {'; '.join(told)}")
    return copy


def make_stills(copy: CaseResult, folder: OutputFolder, progress: StageProgress) -> None:
    """Write stills of the copy, not of the recording."""
    plans = plan_stills(copy.annotation, copy.recording)
    report = partial(progress, "stills")
    keep_stills(plans, copy.recording, folder, f"{COPY}/stills", report)


def _known_id(folder: OutputFolder) -> str:
    """Give the pseudonym that an earlier run chose, so that the same again changes nothing."""
    for place in (folder.work, folder.out):
        try:
            text = (place / COPY / "case.toml").read_text(encoding="utf-8")
            return str(tomllib.loads(text)["id"])
        except (OSError, ValueError, KeyError):
            continue
    return ""
