"""Rows of the page's tables and cards: numbers already in words, nothing yet in HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from vidseg.export.page_text import file_link, file_name, plain, without_folders
from vidseg.export.timestrip import StepStyle, Strip, StripBlock
from vidseg.model.case import CaseResult
from vidseg.model.clock import NS, format_time
from vidseg.model.finding import Finding
from vidseg.model.problem import Severity
from vidseg.model.procedure import Kind
from vidseg.model.recording import Part

_SEVERITIES = (Severity.ERROR, Severity.WARNING, Severity.NOTE)
_NO_LOOK = StepStyle("–", "none")


@dataclass(frozen=True, slots=True)
class PageClip:
    """A clip beside the page: which visit (from 1) of which step, where it starts and how long
    it is (ns, case time); ``path`` is relative to the page."""

    step_code: str
    visit: int
    path: str
    start: int
    length: int


@dataclass(frozen=True, slots=True)
class PageStill:
    """A still beside the page: ``frame`` counts through the case, ``at`` is its start (ns, case
    time); ``poor`` is empty or says what is wrong with the best frame there was. ``path`` is
    relative to the page."""

    step_code: str
    frame: int
    at: int
    path: str
    poor: str


@dataclass(frozen=True, slots=True)
class PageWording:
    """How this page writes times: with hours only where the case has any."""

    hours: bool
    folders: tuple[Path, ...]

    @classmethod
    def for_case(cls, result: CaseResult) -> PageWording:
        """Take the case's length and the folders that the page must not name."""
        paths = [part.path for part in result.recording.parts] + list(result.case.recordings)
        paths += [path for path in (result.case.annotation, result.case.captions) if path]
        folders = {folder for path in paths for folder in (path.parent, path.absolute().parent)}
        return cls(result.recording.length >= 3600 * NS, tuple(folders))

    def clock(self, ns: int, decimals: int = 1) -> str:
        """Write a time or length: ``4:10.2``, or ``0:04:10.2`` in a case of an hour or more."""
        text = format_time(ns, decimals)
        if self.hours or not text.startswith("0:"):
            return text
        text = text.removeprefix("0:")
        return text[1:] if text.startswith("0") else text

    def length(self, ns: int, *, least: bool = False) -> str:
        """Write a length; ``least`` puts ≥ before it."""
        return ("≥\u00a0" if least else "") + self.clock(ns)

    def said(self, text: str) -> str:
        """Give a sentence fit for the page: folders and harmful characters taken out."""
        return plain(without_folders(text, self.folders))


@dataclass(frozen=True, slots=True)
class ClipLink:
    """A link to a clip."""

    link: str
    length: str


@dataclass(frozen=True, slots=True)
class DurationLine:
    """One step in the durations table; ``share`` from 0 to 1."""

    look: StepStyle
    level: str
    name: str
    visits: int
    active: str
    recording: str
    elapsed: str
    interrupted: str
    shared: str
    share: float
    share_text: str
    open_edges: str


@dataclass(frozen=True, slots=True)
class VisitRow:
    """One visit or excluded span in the visits table; frames count through the case."""

    order: int
    look: StepStyle
    level: str
    name: str
    visit: str
    start: str
    end: str
    length: str
    first: int
    last: int
    note: str
    open_edges: str
    clips: tuple[ClipLink, ...]


@dataclass(frozen=True, slots=True)
class EventLine:
    """One event in the events table."""

    order: int
    name: str
    category: str
    at: str
    frame: int
    note: str
    during: str


@dataclass(frozen=True, slots=True)
class ProblemRow:
    """One problem in the problems list; ``frame`` is where its span starts, if it has one."""

    severity: str
    code: str
    message: str
    place: str
    at: str
    frame: int | None


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One audit finding; ``before`` and ``after`` are links to the pictures around it, or None."""

    number: int
    code: str
    meaning: str
    at: str
    frame: int
    start: int
    score: str
    evidence: str
    effect: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class StillCard:
    """One still in the gallery."""

    look: StepStyle
    name: str
    visit: str
    at: str
    frame: int
    link: str
    poor: str
    clips: tuple[ClipLink, ...]


def _open_edges(start: bool, end: bool) -> str:
    if start and end:
        return "start and end not in the recording"
    if start:
        return "start not in the recording"
    return "end not in the recording" if end else ""


def _visit_text(block: StripBlock) -> str:
    return f"{block.visit} of {block.visits}" if block.visits > 1 else ""


def _blocks(strip: Strip) -> list[StripBlock]:
    return sorted((b for row in strip.rows for b in row.blocks), key=lambda b: b.order)


def _clips(
    clips: Sequence[PageClip], words: PageWording
) -> dict[tuple[str, int], tuple[ClipLink, ...]]:
    found: dict[tuple[str, int], tuple[ClipLink, ...]] = {}
    for clip in clips:
        key = (clip.step_code, clip.visit)
        link = ClipLink(file_link(clip.path), words.clock(clip.length))
        found[key] = (*found.get(key, ()), link)
    return found


def share_text(part: int, whole: int) -> str:
    """Write a share in percent; a dash where there is no whole."""
    return f"{100 * part / whole:.1f} %" if whole else "–"


def totals(result: CaseResult, strip: Strip, words: PageWording) -> list[tuple[str, str, str]]:
    """Give the case's totals as (name, value, remark), coverage by the main level alone."""
    timing = result.timing
    observed = timing.observed_ns
    level = next((found for found in timing.levels if found.level is strip.main), None)
    covered, gap = (level.covered_ns, level.gap_ns) if level else (0, observed)
    visits = sum(len(row.blocks) for row in strip.rows if row.level is strip.main)
    labels = sum(found.step.kind is strip.main for found in timing.steps)
    name = strip.main.value
    return [
        (
            "Recorded",
            words.clock(timing.recorded_ns),
            "operative time" if result.edits.edits else "",
        ),
        ("Excluded", words.clock(timing.excluded_ns), ""),
        ("Observed", words.clock(observed), "recorded minus excluded"),
        (f"In a {name}", words.clock(covered), share_text(covered, observed)),
        (f"No {name}", words.clock(gap), share_text(gap, observed)),
        ("Visits", str(visits), f"to {labels} {name}{'' if labels == 1 else 's'}"),
    ]


def duration_lines(result: CaseResult, strip: Strip, words: PageWording) -> list[DurationLine]:
    """Give a row for each step that occurs, in vocabulary order."""
    looks = {block.segment.step.code: block.look for block in _blocks(strip)}
    observed = result.timing.observed_ns
    shown = {found.step.code: found.active_ns for found in result.recording_timing.steps}
    rows = []
    for found in result.timing.steps:
        least = (
            found.open_start
            or found.open_end
            or any(segment.open_start or segment.open_end for segment in found.segments)
        )
        rows.append(
            DurationLine(
                look=looks.get(found.step.code, _NO_LOOK),
                level=found.step.kind.value,
                name=plain(found.step.name),
                visits=len(found.segments),
                active=words.length(found.active_ns, least=least),
                recording=words.clock(shown.get(found.step.code, found.active_ns)),
                elapsed=words.length(found.elapsed_ns, least=least),
                interrupted=words.clock(found.interrupted_ns),
                shared=words.clock(found.shared_ns),
                share=found.active_ns / observed if observed else 0.0,
                share_text=share_text(found.active_ns, observed),
                open_edges=_open_edges(found.open_start, found.open_end),
            )
        )
    return rows


def visit_rows(
    result: CaseResult, strip: Strip, words: PageWording, clips: Sequence[PageClip]
) -> list[VisitRow]:
    """Give a row for each visit and excluded span, by start; numbered as in ``segments.csv``."""
    found = _clips(clips, words)
    blocks = {id(block.segment): block for block in _blocks(strip)}
    every = (*result.annotation.segments, *result.annotation.excluded)
    rows = []
    for order, segment in enumerate(sorted(every, key=lambda s: s.span), 1):
        block = blocks.get(id(segment))
        code = segment.step.code
        rows.append(
            VisitRow(
                order=order,
                look=block.look if block else StepStyle("", "excluded"),
                level=segment.step.kind.value,
                name=plain(segment.step.name),
                visit=_visit_text(block) if block else "",
                start=words.clock(segment.span.start),
                end=words.clock(segment.span.end),
                length=words.length(
                    segment.span.length, least=segment.open_start or segment.open_end
                ),
                first=result.recording.frame_at(segment.span.start),
                last=result.recording.frame_at(segment.span.end) - 1,
                note=words.said(segment.note),
                open_edges=_open_edges(segment.open_start, segment.open_end),
                clips=found.get((code, block.visit), ()) if block else (),
            )
        )
    return rows


def event_lines(result: CaseResult, words: PageWording) -> list[EventLine]:
    """Give a row for each event, by time, with the steps it fell into."""
    rows = []
    for order, event in enumerate(result.annotation.events, 1):
        during = [s.step for s in result.annotation.segments if s.span.holds(event.at)]
        finest = [step.name for step in during if step.kind is not Kind.PHASE] or [
            step.name for step in during
        ]
        frame = result.recording.frame_at(event.at)
        rows.append(
            EventLine(
                order=order,
                name=plain(event.step.name),
                category=plain(event.step.category or ""),
                at=words.clock(event.at),
                frame=min(frame, result.recording.n_frames - 1),
                note=words.said(event.note),
                during=plain(", ".join(dict.fromkeys(finest))),
            )
        )
    return rows


def problem_rows(result: CaseResult, words: PageWording) -> list[ProblemRow]:
    """Give the problems, errors first, else in the order found."""
    last = result.recording.n_frames - 1
    rows = []
    for problem in sorted(result.problems, key=lambda p: _SEVERITIES.index(p.severity)):
        place = file_name(problem.source) if problem.source else ""
        if place and problem.line is not None:
            place += f", line {problem.line}"
        span = problem.span
        rows.append(
            ProblemRow(
                severity=problem.severity.value,
                code=plain(problem.code),
                message=words.said(problem.message),
                place=place,
                at=f"{words.clock(span.start)} to {words.clock(span.end)}" if span else "",
                frame=min(result.recording.frame_at(span.start), last) if span else None,
            )
        )
    return rows


def finding_rows(
    result: CaseResult, words: PageWording, findings: Sequence[Finding], pictures: Sequence[str]
) -> list[FindingRow]:
    """Give a row for each audit finding, by time; ``pictures`` are paths beside the page."""
    last = result.recording.n_frames - 1

    def picture(number: int, side: str) -> str | None:
        for path in pictures:
            name = path.rpartition("/")[2]
            if int(name.partition("-")[0]) == number and name.endswith(f"-{side}.jpg"):
                return file_link(path)
        return None

    return [
        FindingRow(
            number=number,
            code=finding.code,
            meaning=finding.meaning,
            at=words.clock(finding.start)
            + (f" to {words.clock(finding.end)}" if finding.length else ""),
            frame=min(result.recording.frame_at(finding.start), last),
            start=finding.start,
            score=f"{finding.score:.2f}",
            evidence=plain(finding.evidence),
            effect=finding.effect,
            before=picture(number, "before"),
            after=picture(number, "after"),
        )
        for number, finding in enumerate(findings, 1)
    ]


def still_cards(
    result: CaseResult,
    strip: Strip,
    words: PageWording,
    clips: Sequence[PageClip],
    stills: Sequence[PageStill],
) -> list[StillCard]:
    """Give the stills by time, each with the visit it shows and that visit's clips."""
    found = _clips(clips, words)
    names = {step.code: step.name for step in result.procedure.steps}
    cards = []
    for still in sorted(stills, key=lambda s: s.at):
        own = [b for b in _blocks(strip) if b.segment.step.code == still.step_code]
        block = next((b for b in own if b.segment.span.holds(still.at)), None)
        cards.append(
            StillCard(
                look=block.look if block else (own[0].look if own else _NO_LOOK),
                name=plain(names.get(still.step_code, still.step_code)),
                visit=_visit_text(block) if block else "",
                at=words.clock(still.at),
                frame=still.frame,
                link=file_link(still.path),
                poor=plain(still.poor),
                clips=found.get((still.step_code, block.visit), ()) if block else (),
            )
        )
    return cards


def rate_text(rate: Fraction) -> str:
    """Write a frame rate: ``25``, or ``30000/1001 (29.970)``."""
    if rate.denominator == 1:
        return str(rate.numerator)
    return f"{rate.numerator}/{rate.denominator} ({float(rate):.3f})"


def part_facts(part: Part, words: PageWording, parts: int) -> dict[str, object]:
    """Give the facts of one file as name and rows of (fact, value), and its doubts."""
    size = f"{part.width} × {part.height} px"
    if part.pixel_aspect != 1:
        size += f", pixel aspect {part.pixel_aspect}"
    if part.rotation:
        size += f", turned by {part.rotation}°"
    if part.interlaced:
        size += ", interlaced"
    rate = f"{rate_text(part.rate)} frames a second"
    if not part.constant_rate:
        rate += " on average; the rate varies, every frame has its own time"
    facts = [
        ("Picture", size),
        ("Frame rate", rate),
        ("Frames", f"{len(part.frame_ns)}"),
        ("Length", words.clock(part.length, 3)),
        ("Format", plain(f"{part.container}, {part.codec} {part.profile}".strip())),
        ("Sound", "; ".join(plain(f"{a.codec}, {a.rate_hz} Hz") for a in part.audio) or "none"),
    ]
    if part.size_bytes:
        facts.append(("File size", f"{part.size_bytes / 1e6:.1f} MB"))
    if parts > 1:
        facts.insert(0, ("Starts at", words.clock(part.start, 3)))
    if not part.pts_order:
        facts.append(("Times", "missing or out of order in the file: frames counted instead"))
    doubts = [words.said(doubt) for doubt in part.doubts]
    return {"name": file_name(part.path), "facts": facts, "doubts": doubts}
