"""The files of the copy: recording, annotation, ``case.toml``, captions, vocabulary, stills."""

from __future__ import annotations

import json
import secrets
import tomllib
from pathlib import Path

from vidseg import __version__
from vidseg.disk.digests import file_sha256
from vidseg.export.chapters import case_chapters
from vidseg.export.deidentify import write_json
from vidseg.export.folder import OutputFolder, digest
from vidseg.export.still_list import write_still_list
from vidseg.export.stills import plan_stills, write_stills
from vidseg.formats import write_sheet
from vidseg.formats.case_file import read_case
from vidseg.formats.case_writing import write_case
from vidseg.formats.vocabulary_writing import write_procedure
from vidseg.formats.webvtt import write_captions
from vidseg.measure.case.retime import Carried, differing
from vidseg.measure.privacy.sifting import sheet_of
from vidseg.media.redact.redact import redact
from vidseg.media.redact.redact_plan import Redaction
from vidseg.model.case import Case, CaseResult
from vidseg.model.problem import MediaError
from vidseg.model.progress import StageProgress
from vidseg.reading import read_case_files
from vidseg.sharing.options import ShareOptions
from vidseg.sharing.words import SharedWords, own_vocabulary

COPY = "copy"
WAYS = "record/ways.json"
STILLS = f"{COPY}/stills/stills.csv"
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

    def make(work: Path) -> None:
        made = redact(
            result.recording,
            redaction,
            work / COPY / name,
            chapters=chapters,
            quality=options.quality,
            progress=lambda done: progress("copy of the recording", done),
        )
        write_json({"ways": made.ways, "notes": made.notes}, work / WAYS)

    hashes = [file_sha256(path) for path in result.case.recordings]
    parts = [(part.start, part.skipped) for part in result.recording.parts]
    key = digest(__version__, hashes, parts, redaction, chapters, options.quality)
    folder.make(key, [f"{COPY}/{name}", WAYS], make)
    told = json.loads((folder.work / WAYS).read_text(encoding="utf-8"))
    return name, tuple(told["ways"] + told["notes"])


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
        id=options.new_id or _known_id(folder) or f"case-{secrets.token_hex(4)}",
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

    def make(work: Path) -> None:
        write_sheet(sheet_of(carried.annotation), work / COPY / "steps.csv")
        write_case(case, work / COPY / "case.toml")
        if spoken:
            write_captions(spoken, work / COPY / "captions.vtt")
        if own:
            write_procedure(result.procedure, work / COPY / "procedure.toml")

    names = ["steps.csv", "case.toml", *(["captions.vtt"] if spoken else [])]
    names += ["procedure.toml"] if own else []
    key = digest(__version__, case, carried, spoken, result.procedure)
    folder.make(key, [f"{COPY}/{n}" for n in names], make)
    return case


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
    names = [
        f"{COPY}/stills/{still.name}" for still in plan_stills(copy.annotation, copy.recording)
    ]

    def make(work: Path) -> None:
        target = work / COPY / "stills"
        found = write_stills(
            copy.annotation, copy.recording, target, (), lambda done: progress("stills", done)
        )
        write_still_list(found, work / STILLS)

    recording = folder.entries[f"{COPY}/{copy.case.recordings[0].name}"]
    key = digest("stills", recording.sha256, folder.entries[f"{COPY}/steps.csv"].sha256)
    folder.make(key, [STILLS], make, optional=names)


def _known_id(folder: OutputFolder) -> str:
    """Give the pseudonym that an earlier run chose, so that the same again changes nothing."""
    for place in (folder.work, folder.out):
        try:
            text = (place / COPY / "case.toml").read_text(encoding="utf-8")
            return str(tomllib.loads(text)["id"])
        except (OSError, ValueError, KeyError):
            continue
    return ""
