"""One case, read: files opened, rows understood, problems found, steps timed. Writes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from vidseg.formats import read_captions, read_sheet
from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.case.check import check
from vidseg.measure.case.durations import time_case
from vidseg.measure.case.operative import in_operative_time, known_time
from vidseg.measure.case.resolve import resolve
from vidseg.measure.case.ruler import Clock
from vidseg.measure.privacy.identifying_text import telling_notes
from vidseg.measure.privacy.metadata import identifying
from vidseg.media.read.probe import open_recording
from vidseg.media.redact.residue import residue
from vidseg.model.annotation import Annotation, Mark, Sheet
from vidseg.model.case import Case, CaseResult, Reading
from vidseg.model.clock import format_time
from vidseg.model.edits import Edit, EditMap
from vidseg.model.problem import Problem, UsageError
from vidseg.model.procedure import Procedure, chosen_vocabulary
from vidseg.model.progress import StageProgress, silent
from vidseg.model.recording import Recording
from vidseg.model.span import Span, Spans


def understand(
    sheet: Sheet,
    *,
    procedure: str | Procedure | None = None,
    case_procedure: str | None = None,
    recording: Recording | None = None,
    rate: Fraction | None = None,
    length_ns: int | None = None,
    clock: Clock = "recording",
    edits: Sequence[Edit] = (),
    case: str = "",
) -> Reading:
    """Resolve, check and time the rows of a sheet, with or without the recording.

    ``procedure`` is a vocabulary, or what names the one asked for; ``case_procedure`` names the
    case's: see ``chosen_vocabulary``.
    ``rate`` and ``length_ns`` stand in where there is no recording: see ``resolve``. Without
    either the observed time runs from 0 to the last mark. ``clock`` says which clock times are
    written on; ``edits`` are those declared. Raises UsageError for edits that overlap or lie
    outside the recording. The case is named after the sheet's
    file unless ``case`` or the sheet names it.
    """
    if isinstance(procedure, Procedure):
        vocabulary = procedure
    else:
        vocabulary = load_procedure(chosen_vocabulary(procedure, sheet.procedure, case_procedure))
    annotation, unresolved = resolve(
        sheet,
        vocabulary,
        recording,
        rate=rate,
        length_ns=length_ns,
        clock=clock,
        case=case or sheet.case or Path(sheet.source).stem,
    )
    found = (
        *sheet.problems,
        *unresolved,
        *check(annotation, vocabulary, sheet, recording),
    )
    recorded = _recorded(annotation, recording, length_ns)
    in_recording = time_case(annotation, vocabulary, recorded)
    try:
        edit_map = EditMap(edits, recorded.items[-1].end if recorded else 0)
    except ValueError as error:
        raise UsageError(f"declared edits: {error}") from None
    operative, moved = in_operative_time(annotation, edit_map)
    timing = (
        time_case(operative, vocabulary, known_time(recorded, edit_map)) if edits else in_recording
    )
    return Reading(
        sheet,
        vocabulary,
        annotation,
        recorded,
        timing,
        in_recording,
        edit_map,
        (*found, *moved, *telling_notes(annotation, vocabulary)),
    )


def _recorded(annotation: Annotation, recording: Recording | None, length_ns: int | None) -> Spans:
    if recording is not None:
        return recording.recorded
    rows = (*annotation.segments, *annotation.excluded)
    end = length_ns or max((segment.span.end for segment in rows), default=0)
    return Spans([Span(0, end)] if end else [])


def chapters_as_sheet(recording: Recording) -> Sheet:
    """Give the chapters found in the recording itself as an annotation sheet.

    Raises UsageError where there are none.
    """
    marks = tuple(
        Mark(
            label=chapter.title,
            start=part.start + chapter.span.start,
            end=part.start + chapter.span.end,
            source=part.path.name,
            line=number,
        )
        for part in recording.parts
        for number, chapter in enumerate(part.chapters, 1)
    )
    if not marks:
        raise UsageError(
            f"{recording.parts[0].path.name} holds no chapters; give an annotation file as well"
        )
    return Sheet(source=recording.parts[0].path.name, marks=marks)


def read_case_files(
    case: Case,
    *,
    procedure: str | None = None,
    clock: Clock = "recording",
    progress: StageProgress = silent,
) -> CaseResult:
    """Open a case's recording, annotation and captions; check and time it. Writes nothing.

    ``procedure`` names the vocabulary asked for; the result's case names the one that counts.
    """
    if not case.recordings:
        raise UsageError(f"case {case.id!r} names no recording")
    recording = open_recording(
        case.recordings,
        progress=lambda fraction: progress("reading frame times", fraction),
        starts=case.starts,
    )
    if clock == "timecode" and case.annotation is None:
        raise UsageError(
            "--clock timecode needs an annotation: chapters are on the file's own clock"
        )
    sheet = read_sheet(case.annotation) if case.annotation else chapters_as_sheet(recording)
    chosen = chosen_vocabulary(procedure, sheet.procedure, case.procedure)
    reading = understand(
        sheet,
        procedure=chosen,
        recording=recording,
        clock=clock,
        edits=case.edits,
        case=case.id,
    )
    captions = read_captions(case.captions) if case.captions else None
    problems = (
        *reading.problems,
        *(captions.problems if captions else ()),
        *recording_problems(recording),
    )
    case = replace(case, procedure=chosen)
    return CaseResult.of(replace(reading, problems=problems), case, recording, captions)


def with_captions(result: CaseResult, captions: Path) -> CaseResult:
    """Give the case with captions that it had none of before."""
    read = read_captions(captions)
    return replace(
        result,
        case=replace(result.case, captions=captions),
        captions=read,
        problems=(*result.problems, *read.problems),
    )


def recording_problems(recording: Recording) -> tuple[Problem, ...]:
    """Give what makes the recording's times doubtful, and what in it may identify someone."""
    found: list[Problem] = []
    if recording.clock == "touching":
        names = ", ".join(part.path.name for part in recording.parts)
        found.append(
            Problem.of(
                "joined-without-clock",
                f"it is not known when the parts ({names}) began, so they are taken to follow one "
                "another without a hole; give their starts in a case.toml",
                recording.parts[0].path.name,
            )
        )
    for part in recording.parts:
        if part.skipped:
            found.append(
                Problem.of(
                    "parts-overlap",
                    f"its first {part.skipped} frames ({format_time(part.skipped_ns)}) repeat the "
                    "end of the part before and are left out",
                    part.path.name,
                    None,
                    part.span,
                )
            )
        found.extend(Problem.of("doubtful-clock", doubt, part.path.name) for doubt in part.doubts)
        found.extend(identifying(part.tags, part.path.name))
    return tuple(found)


def hidden_problems(recording: Recording) -> tuple[Problem, ...]:
    """Give what lies in the recording's files beyond pictures, sound, chapters and captions.

    All of it is read. Much of it is harmless (the settings of an encoder are a message within
    the pictures); what it says is not looked into.
    """
    return tuple(
        Problem.of(
            "identifying-metadata",
            f"holds {thing}; what it says is not known, and a copy by `vidseg deidentify` has none",
            part.path.name,
        )
        for part in recording.parts
        for thing in residue(part.path)
    )
