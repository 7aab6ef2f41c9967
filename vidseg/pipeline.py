"""One case, end to end: what ``reading`` understood becomes chaptered recording, clips, stills,
tables and page.

Calls, never computes. Every stage reports to ``progress(stage, fraction)``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from vidseg import __version__
from vidseg.disk.atomic_write import write_text_aside
from vidseg.export.audit_files import (
    pictures_wanted,
    read_findings,
    write_audit_csv,
    write_audit_json,
    write_audit_text,
    write_thumbnails,
)
from vidseg.export.case_json import write_case_json
from vidseg.export.chapters import case_chapters, write_chapter_files
from vidseg.export.clips import (
    REPORT_COLUMNS,
    ClipPlan,
    Cutting,
    clip_files,
    plan_clips,
    report_row,
    write_clips,
)
from vidseg.export.contact_sheet import write_contact_sheet
from vidseg.export.folder import OutputFolder, digest
from vidseg.export.page import PageClip, PageStill, write_page
from vidseg.export.still_list import read_still_list, write_still_list
from vidseg.export.stills import plan_stills, still_problems, write_stills
from vidseg.export.tables import TABLES, csv_text, write_tables
from vidseg.measure.audit.audit import audit
from vidseg.measure.audit.explain import unexplained
from vidseg.media.picture.survey import survey
from vidseg.media.splice.splice import ClipReport
from vidseg.media.write.remux import chaptered_suffix, remux
from vidseg.model.case import Case, CaseResult
from vidseg.model.finding import Finding
from vidseg.model.problem import MediaError, Problem, UsageError
from vidseg.model.progress import StageProgress, silent
from vidseg.model.recording import Recording

CHAPTER_FILES = ("chapters.vtt", "chapters.xml", "chapters.txt")
CLIP_LIST = "clips/clips.csv"
STILL_LIST = "stills/stills.csv"
PICTURE_LIST = "audit/pictures.txt"


ALL = frozenset({"tables", "chapters", "clips", "stills", "page"})
"""The kinds of output that ``run`` makes; "audit", which decodes everything, on request."""


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What to make. ``steps`` limits clips and stills; ``pad_ns`` widens each clip."""

    steps: tuple[str, ...] = ()
    pad_ns: int = 0
    join_visits: bool = False
    cutting: Cutting = field(default_factory=Cutting)
    outputs: frozenset[str] = ALL


@dataclass(frozen=True, slots=True)
class Made:
    """What ``write_case`` wrote: ``made`` anew, ``kept`` files taken over, notes for the user."""

    folder: Path
    made: tuple[str, ...]
    kept: int
    notes: tuple[str, ...]


def chaptered_name(recording: Recording) -> str:
    """Give the file name of the chaptered recording."""
    first = recording.parts[0]
    return f"{first.path.stem}.chaptered{chaptered_suffix(first)}"


def write_case(
    result: CaseResult, out: Path, options: RunOptions, progress: StageProgress = silent
) -> Made:
    """Write the outputs asked for into the folder ``out``, redoing only what changed.

    Raises UsageError for a step that does not occur or a folder that is not vidseg's, MediaError
    where the recording cannot be read or an output not written.
    """
    steps = _step_codes(options.steps, result)
    folder = OutputFolder(out)
    hashes = input_hashes(result.case, folder.input_hash, progress)
    maker = _Maker(result, folder, options, steps, hashes, progress)
    if "audit" in options.outputs:
        maker.audit()
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


def input_hashes(
    case: Case, hash_of: Callable[[Path], str], progress: StageProgress = silent
) -> dict[str, str]:
    """Give the SHA-256 of every input file by its name, as ``hash_of`` tells it."""
    paths = [*case.recordings, *(path for path in (case.annotation, case.captions) if path)]
    hashes: dict[str, str] = {}
    for number, path in enumerate(paths):
        progress("hashing inputs", number / len(paths))
        hashes[path.name] = hash_of(path)
    progress("hashing inputs", 1.0)
    return hashes


def audit_recording(recording: Recording, progress: StageProgress = silent) -> tuple[Finding, ...]:
    """Decode the recording once and give the reasons to doubt its clock."""
    return audit(survey(recording, lambda done: progress("auditing", done)), recording)


def write_audit(
    findings: Sequence[Finding],
    recording: Recording,
    folder: Path,
    progress: StageProgress = silent,
) -> None:
    """Write an audit's table, JSON, text and pictures into ``folder`` (made where missing)."""
    (folder / "audit").mkdir(parents=True, exist_ok=True)
    write_audit_csv(findings, recording, folder / "audit.csv")
    write_audit_json(findings, recording, folder / "audit.json")
    write_audit_text(findings, folder / "audit.txt")
    write_thumbnails(
        recording, findings, folder / "audit", lambda done: progress("pictures of cuts", done)
    )


@dataclass
class _Maker:
    """Makes the pieces of one case's folder, each under the key of what goes into it."""

    result: CaseResult
    folder: OutputFolder
    options: RunOptions
    steps: tuple[str, ...]
    hashes: Mapping[str, str]
    progress: StageProgress
    notes: list[str] = field(default_factory=list)
    page_clips: list[PageClip] = field(default_factory=list)
    page_stills: list[PageStill] = field(default_factory=list)
    findings: tuple[Finding, ...] = ()
    pictures: list[str] = field(default_factory=list)
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

    def audit(self) -> None:
        """Audit the recording, write what was found, and tell what nothing explains."""
        result, folder = self.result, self.folder

        def make(work: Path) -> None:
            findings = audit_recording(result.recording, self.progress)
            write_audit_csv(findings, result.recording, work / "audit.csv")
            write_audit_json(findings, result.recording, work / "audit.json")

        def make_pictures(work: Path) -> None:
            report = self.reporting("pictures of cuts")
            written = write_thumbnails(result.recording, self.findings, work / "audit", report)
            write_text_aside(work / PICTURE_LIST, "".join(f"{path.name}\n" for path in written))

        clock = [(part.start, part.skipped) for part in result.recording.parts]
        folder.make(self.key("audit", clock), ["audit.csv", "audit.json"], make)
        self.findings = read_findings(folder.work / "audit.json")
        wanted = pictures_wanted(result.recording, self.findings)
        names = [f"audit/{name}" for frame in wanted.values() for name in frame]
        folder.make(
            self.key("pictures", self.findings), [PICTURE_LIST], make_pictures, optional=names
        )
        self.pictures = [name for name in names if name in folder.entries]
        told = unexplained(self.findings, result.edits.edits, result.annotation)
        self.notes.extend(problem.message for problem in told)
        self.result = replace(result, problems=(*result.problems, *told))

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
        result, how = self.result, self.options.cutting
        plans = plan_clips(
            result.annotation,
            result.recording,
            self.steps,
            self.options.pad_ns,
            self.options.join_visits,
        )
        parts = [(part.start, part.skipped) for part in result.recording.parts]
        made_by = (how.quality, how.reencode, how.verify)
        keys = {
            plan.name: self.key("clip", plan.ranges, parts, made_by, result.captions)
            for plan in plans
        }
        files = {
            plan.name: [f"clips/{name}" for name in clip_files(plan, result.captions)]
            for plan in plans
        }

        def record(plan: ClipPlan, report: ClipReport) -> None:
            note = json.dumps(report_row(plan, report))
            self.folder.record(keys[plan.name], files[plan.name], note)
            if report.way == "re-encoded" and not how.reencode:
                self.notes.append(f"{plan.name} was re-encoded whole: {report.reason}")

        write_clips(
            [p for p in plans if not self.folder.take_over(keys[p.name], files[p.name])],
            result.recording,
            self.folder.work / "clips",
            result.captions,
            how,
            self.reporting("clips"),
            record,
        )
        rows = [json.loads(self.folder.entries[files[plan.name][0]].note) for plan in plans]

        def make_list(work: Path) -> None:
            write_text_aside(work / CLIP_LIST, csv_text(REPORT_COLUMNS, rows))

        if rows:
            self.folder.make(self.key("clip list", rows), [CLIP_LIST], make_list)
        self.page_clips = [
            PageClip(
                plan.step.code,
                plan.visit or 1,
                files[plan.name][0],
                plan.spans[0].start,
                plan.length,
            )
            for plan in plans
        ]

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
                findings=self.findings,
                pictures=self.pictures,
            )

        key = self.key(
            "page", result.annotation, result.timing, result.problems, result.case,
            result.captions, self.page_clips, self.page_stills, self.video,
            self.findings, self.pictures,
        )  # fmt: skip
        self.folder.make(key, ["index.html"], make)
