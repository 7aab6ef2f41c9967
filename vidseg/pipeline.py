"""One case, end to end: read, check, time; then chaptered recording, clips, stills, tables, page.

Calls, never computes. Every stage reports to ``progress(stage, fraction)``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

from vidseg import __version__
from vidseg.export.case_json import write_case_json
from vidseg.export.chapters import case_chapters, write_chapter_files
from vidseg.export.clips import ClipPlan, clip_files, plan_clips, write_plan
from vidseg.export.contact_sheet import write_contact_sheet
from vidseg.export.folder import OutputFolder, digest, file_sha256
from vidseg.export.page import PageClip, PageStill, write_page
from vidseg.export.still_list import read_still_list, write_still_list
from vidseg.export.stills import plan_stills, still_problems, write_stills
from vidseg.export.tables import TABLES, write_tables
from vidseg.formats import read_captions, read_sheet
from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.check import check
from vidseg.measure.durations import time_case
from vidseg.measure.operative import in_operative_time, known_time
from vidseg.measure.privacy import identifying
from vidseg.measure.resolve import Clock, resolve
from vidseg.media.probe import open_recording
from vidseg.media.remux import chaptered_suffix, remux
from vidseg.model.annotation import Annotation, Mark, Sheet
from vidseg.model.case import Case, CaseResult
from vidseg.model.clock import format_time
from vidseg.model.edits import Edit, EditMap
from vidseg.model.problem import MediaError, Problem, UsageError
from vidseg.model.procedure import Procedure
from vidseg.model.recording import Recording
from vidseg.model.span import Span, Spans
from vidseg.model.timing import Timing

Progress = Callable[[str, float], None]

DEFAULT_PROCEDURE = "phaco"
CHAPTER_FILES = ("chapters.vtt", "chapters.xml", "chapters.txt")
STILL_LIST = "stills/stills.csv"


@dataclass(frozen=True, slots=True)
class Reading:
    """An annotation file understood, with or without its recording.

    ``timing`` is in operative time, ``recording_timing`` in the recording's own.
    """

    sheet: Sheet
    procedure: Procedure
    annotation: Annotation
    timing: Timing
    recording_timing: Timing
    edits: EditMap
    problems: tuple[Problem, ...]


ALL = frozenset({"tables", "chapters", "clips", "stills", "page"})
"""The kinds of output."""


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What to make. ``steps`` limits clips and stills; ``pad_ns`` widens each clip."""

    steps: tuple[str, ...] = ()
    pad_ns: int = 0
    join_visits: bool = False
    quality: int = 18
    outputs: frozenset[str] = ALL


@dataclass(frozen=True, slots=True)
class Made:
    """What ``write_case`` wrote: ``made`` anew, ``kept`` files taken over, notes for the user."""

    folder: Path
    made: tuple[str, ...]
    kept: int
    notes: tuple[str, ...]


def _silent(_stage: str, _fraction: float) -> None:
    """Report to nobody."""


def understand(
    sheet: Sheet,
    *,
    procedure: str | None = None,
    recording: Recording | None = None,
    rate: Fraction | None = None,
    length_ns: int | None = None,
    clock: Clock = "recording",
    edits: Sequence[Edit] = (),
    case: str = "",
) -> Reading:
    """Resolve, check and time the rows of a sheet, with or without the recording.

    ``rate`` and ``length_ns`` stand in where there is no recording: see ``resolve``. Without
    either the observed time runs from 0 to the last mark. ``clock`` says which clock times are
    written on; ``edits`` are those declared. Raises UsageError for edits that overlap or lie
    outside the recording. The case is named after the sheet's
    file unless ``case`` or the sheet names it.
    """
    vocabulary = load_procedure(procedure or sheet.procedure or DEFAULT_PROCEDURE)
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
    return Reading(sheet, vocabulary, annotation, timing, in_recording, edit_map, (*found, *moved))


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
    progress: Progress = _silent,
) -> CaseResult:
    """Open a case's recording, annotation and captions; check and time it. Writes nothing."""
    if not case.recordings:
        raise UsageError(f"case {case.id!r} names no recording")
    recording = open_recording(
        case.recordings,
        progress=lambda fraction: progress("reading frame times", fraction),
        starts=case.starts,
    )
    sheet = read_sheet(case.annotation) if case.annotation else chapters_as_sheet(recording)
    reading = understand(
        sheet,
        procedure=procedure or case.procedure,
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
    return CaseResult(
        case=case,
        procedure=reading.procedure,
        recording=recording,
        sheet=sheet,
        annotation=reading.annotation,
        timing=reading.timing,
        recording_timing=reading.recording_timing,
        edits=reading.edits,
        captions=captions,
        problems=problems,
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


def chaptered_name(recording: Recording) -> str:
    """Give the file name of the chaptered recording."""
    first = recording.parts[0]
    return f"{first.path.stem}.chaptered{chaptered_suffix(first)}"


def write_case(
    result: CaseResult, out: Path, options: RunOptions, progress: Progress = _silent
) -> Made:
    """Write the outputs asked for into the folder ``out``, redoing only what changed.

    Raises UsageError for a step that does not occur or a folder that is not vidseg's, MediaError
    where the recording cannot be read or an output not written.
    """
    steps = _step_codes(options.steps, result)
    folder = OutputFolder(out)
    hashes = input_hashes(result.case, progress)
    maker = _Maker(result, folder, options, steps, hashes, progress)
    if "tables" in options.outputs:
        maker.tables()
    if "chapters" in options.outputs:
        maker.chaptered()
    if "clips" in options.outputs:
        maker.clips()
    if "stills" in options.outputs:
        maker.stills()
    if "page" in options.outputs:
        maker.page()
    folder.finish()
    kept = len(folder.entries) - len(folder.made)
    return Made(folder.out, tuple(folder.made), kept, tuple(maker.notes))


def _step_codes(labels: Sequence[str], result: CaseResult) -> tuple[str, ...]:
    """Look up the steps that a user names. Raises UsageError for one that does not occur."""
    present = {segment.step.code: segment.step.name for segment in result.annotation.segments}
    codes = []
    for label in labels:
        step = result.procedure.find(label)
        if step is None or step.code not in present:
            raise UsageError(f"no row of step {label!r}; this case has {', '.join(present)}")
        codes.append(step.code)
    return tuple(codes)


def input_hashes(case: Case, progress: Progress = _silent) -> dict[str, str]:
    """Give the SHA-256 of every input file by its name."""
    paths = [*case.recordings, *(path for path in (case.annotation, case.captions) if path)]
    hashes: dict[str, str] = {}
    for number, path in enumerate(paths):
        progress("hashing inputs", number / len(paths))
        hashes[path.name] = file_sha256(path)
    progress("hashing inputs", 1.0)
    return hashes


@dataclass
class _Maker:
    """Makes the pieces of one case's folder, each under the key of what goes into it."""

    result: CaseResult
    folder: OutputFolder
    options: RunOptions
    steps: tuple[str, ...]
    hashes: Mapping[str, str]
    progress: Progress
    notes: list[str] = field(default_factory=list)
    page_clips: list[PageClip] = field(default_factory=list)
    page_stills: list[PageStill] = field(default_factory=list)
    video: str | None = None

    def key(self, *ingredients: object) -> str:
        """Digest what every piece depends on, and what this one does besides."""
        recordings = [self.hashes[path.name] for path in self.result.case.recordings]
        return digest(__version__, recordings, *ingredients)

    def reporting(self, stage: str) -> Callable[[float], None]:
        """Give the progress of one stage."""
        return lambda fraction: self.progress(stage, fraction)

    def tables(self) -> None:
        """Write the tables and ``case.json``."""
        result = self.result

        def make(work: Path) -> None:
            write_tables(
                work,
                result.timing,
                result.annotation,
                result.recording,
                result.recording_timing,
            )
            write_case_json(result, self.hashes, work / "case.json")

        key = self.key("tables", result.annotation, result.timing, result.problems, result.case)
        self.folder.make(key, [*TABLES, "case.json"], make)

    def chaptered(self) -> None:
        """Write the chaptered recording and the chapters as files."""
        result = self.result
        chapters = case_chapters(result.annotation, result.recording.length)
        name = chaptered_name(result.recording)
        suffix = result.recording.parts[0].path.suffix
        if Path(name).suffix != suffix.lower():
            self.notes.append(
                f"{suffix or 'this file'} cannot hold chapters: {name} is a copy in another "
                "container, its packets unchanged"
            )

        def make_video(work: Path) -> None:
            report = self.reporting("chaptered recording")
            told = remux(result.recording, work / name, chapters, result.captions, report)
            self.notes.extend(told)

        def make_files(work: Path) -> None:
            self.notes.extend(write_chapter_files(chapters, work))

        self.folder.make(self.key("chapters", chapters), CHAPTER_FILES, make_files)
        key = self.key("video", chapters, result.captions, result.recording.parts)
        try:
            self.folder.make(key, [name], make_video)
            self.video = name
        except MediaError as error:
            if len(result.recording.parts) == 1:
                raise
            problem = Problem.of(
                "chapters-not-joined",
                f"the parts cannot be joined by copying: {error.reason}; durations, clips and "
                "stills are not affected",
                result.recording.parts[0].path.name,
            )
            self.notes.append(problem.message)
            self.result = replace(result, problems=(*result.problems, problem))

    def clips(self) -> None:
        """Cut the clips, each a piece of its own, so that a stopped run goes on clip by clip."""
        result, options = self.result, self.options
        plans = plan_clips(
            result.annotation, result.recording, self.steps, options.pad_ns, options.join_visits
        )
        report = self.reporting("clips")
        total = sum(plan.n_frames for plan in plans)
        done = 0
        for plan in plans:

            def make(work: Path, plan: ClipPlan = plan, done: int = done) -> None:
                write_plan(
                    plan,
                    result.recording,
                    work / "clips",
                    result.captions,
                    options.quality,
                    lambda fraction: report((done + fraction * plan.n_frames) / total),
                )

            names = [f"clips/{name}" for name in clip_files(plan, result.captions)]
            key = self.key("clip", plan.ranges, options.quality, result.captions)
            self.folder.make(key, names, make)
            done += plan.n_frames
            report(done / total)
            self.page_clips.append(
                PageClip(
                    plan.step.code, plan.visit or 1, names[0], plan.spans[0].start, plan.length
                )
            )

    def stills(self) -> None:
        """Choose and write the stills, their list and the contact sheet."""
        result = self.result
        plans = plan_stills(result.annotation, result.recording, self.steps)
        names = [f"stills/{plan.name}" for plan in plans if plan.ranges]
        if not names:
            self.notes.append("no step has footage of its own, so there are no stills")
            return

        def make(work: Path) -> None:
            found = write_stills(
                result.annotation,
                result.recording,
                work / "stills",
                self.steps,
                self.reporting("stills"),
            )
            if found:
                write_contact_sheet(found, result.timing, work / "contact-sheet.jpg")
            write_still_list(found, work / STILL_LIST)

        key = self.key("stills", result.annotation, result.timing, self.steps)
        self.folder.make(key, [STILL_LIST], make, optional=[*names, "contact-sheet.jpg"])
        found = read_still_list(self.folder.work / STILL_LIST, result.procedure)
        self.page_stills = [
            PageStill(s.step.code, s.frame, s.at_ns, f"stills/{s.path.name}", s.poor) for s in found
        ]
        poor = still_problems(result.annotation, found, self.steps)
        self.notes.extend(problem.message for problem in poor)
        self.result = replace(result, problems=(*result.problems, *poor))

    def page(self) -> None:
        """Write the case page on all that was made."""
        result = self.result
        part = result.recording.parts[0]

        def make(work: Path) -> None:
            write_page(
                result,
                work,
                video=self.video,
                video_type=f"{part.codec} in {part.container}",
                clips=self.page_clips,
                stills=self.page_stills,
                captions=None,
                chapters="chapters.vtt" if self.video else None,
            )

        key = self.key(
            "page", result.annotation, result.timing, result.problems, result.case,
            result.captions, self.page_clips, self.page_stills, self.video,
        )  # fmt: skip
        self.folder.make(key, ["index.html"], make)
