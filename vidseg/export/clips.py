"""Clips of a case: which frames each one holds, and writing them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vidseg.export.chapters import chaptered_segments
from vidseg.formats import webvtt
from vidseg.measure.case.captions import cut_captions
from vidseg.media.splice.many_clips import write_exact_clips
from vidseg.media.splice.splice import ClipReport
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clip import Clip
from vidseg.model.clock import format_seconds
from vidseg.model.cutting import AS_USUAL, Cutting
from vidseg.model.problem import UsageError
from vidseg.model.procedure import Step
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions, Recording
from vidseg.model.span import Span, Spans
from vidseg.model.stretch import stretches


@dataclass(frozen=True, slots=True)
class ClipPlan:
    """Which visit a clip shows.

    ``visit`` counts the visits to this step, from 1; None where the clip holds them all.
    """

    step: Step
    visit: int | None
    clip: Clip


def plan_clips(
    annotation: Annotation,
    recording: Recording,
    steps: Sequence[str] = (),
    pad_ns: int = 0,
    join_visits: bool = False,
    captions: Captions | None = None,
) -> tuple[ClipPlan, ...]:
    """Plan a clip for every visit to a step, in order of start.

    The number in a clip's name counts the visits of the case in that order (with
    ``join_visits``: its steps). ``captions`` are the case's; each clip gets its own share.

    Excluded time is left out, as it is from the durations, and so is a visit with no other.
    ``steps`` (codes) keeps only those; a phase is cut where it is named. ``pad_ns`` adds
    footage before and after each visit, but never excluded time. ``join_visits`` gives one
    clip for each step, its visits one after another; padded visits that meet are shown once.
    A visit shorter than a frame gets one frame. Raises UsageError for a code in ``steps`` that
    the case does not have.
    """
    known = {segment.step.code for segment in annotation.segments}
    if unknown := [code for code in steps if code not in known]:
        raise UsageError(
            f"no such step in this case: {', '.join(unknown)}; it has {', '.join(sorted(known))}"
        )
    usual = chaptered_segments(annotation)
    wanted = [s for s in annotation.segments if s in usual or s.step.code in steps]
    wanted.sort(key=lambda segment: (segment.span.start, -segment.span.end))
    groups = _by_step(wanted) if join_visits else [[segment] for segment in wanted]
    visits: Counter[str] = Counter()
    width = max(2, len(str(len(groups))))
    plans: list[ClipPlan] = []
    for number, group in enumerate(groups, start=1):
        step = group[0].step
        visits[step.code] += 1
        ranges = _ranges(group, annotation.excluded_spans, recording, pad_ns)
        if not ranges or (steps and step.code not in steps):
            continue
        visit = None if join_visits else visits[step.code]
        code = "".join(c if c.isalnum() or c in "-_" else "-" for c in step.code)
        later = f"-{visit}" if visit and visit > 1 else ""
        clip = Clip(f"{number:0{width}d}-{code}{later}.mp4", stretches(recording, ranges))
        if captions and (own := cut_captions(captions, clip.spans)).cues:
            clip = replace(clip, captions=replace(own, source=""))
        plans.append(ClipPlan(step, visit, clip))
    return tuple(plans)


def _by_step(segments: Sequence[Segment]) -> list[list[Segment]]:
    groups: dict[str, list[Segment]] = {}
    for segment in segments:
        groups.setdefault(segment.step.code, []).append(segment)
    return list(groups.values())


def _ranges(
    segments: Sequence[Segment], excluded: Spans, recording: Recording, pad_ns: int
) -> tuple[tuple[int, int], ...]:
    shown = Spans(_padded(segment.span, excluded, recording.length, pad_ns) for segment in segments)
    ranges: list[tuple[int, int]] = []
    for span in shown - excluded:
        first = min(recording.frame_at(span.start), recording.n_frames - 1)
        last = max(recording.frame_at(span.end), first + 1)
        if ranges and first < ranges[-1][1]:
            first = ranges[-1][1]
        if first < last:
            ranges.append((first, last))
    return tuple(ranges)


def _padded(span: Span, excluded: Spans, length: int, pad_ns: int) -> Span:
    before = max([0, *(e.end for e in excluded if e.end <= span.start)])
    after = min([length, *(e.start for e in excluded if e.start >= span.end)])
    start = max(span.start - pad_ns, before) if pad_ns else span.start
    return Span(start, max(min(span.end + pad_ns, after), start + 1))


def clip_files(clip: Clip) -> tuple[str, ...]:
    """Name the files of one clip: the video, and its captions where it has any."""
    return (clip.name, str(Path(clip.name).with_suffix(".vtt"))) if clip.captions else (clip.name,)


def write_clips(
    clips: Sequence[Clip],
    folder: Path,
    how: Cutting = AS_USUAL,
    *,
    cores: int = 0,
    progress: Progress | None = None,
    on_clip: Callable[[int, ClipReport], None] | None = None,
) -> tuple[ClipReport, ...]:
    """Write all clips into ``folder`` (made where missing), captions inside and beside them.

    ``on_clip`` hears of every finished clip by its place. Raises MediaError; finished clips stay.
    """
    folder.mkdir(parents=True, exist_ok=True)

    def finished(place: int, report: ClipReport) -> None:
        if (captions := clips[place].captions) is not None:
            webvtt.write_captions(captions, folder / clip_files(clips[place])[1])
        if on_clip:
            on_clip(place, report)

    return write_exact_clips(clips, folder, how, cores=cores, progress=progress, on_clip=finished)


REPORT_COLUMNS = (
    "file",
    "step",
    "visit",
    "frames",
    "start_s",
    "length_s",
    "way",
    "reason",
    "copied_frames",
    "encoded_frames",
    "verified",
    "damaged_frames",
)


def report_row(plan: ClipPlan, report: ClipReport) -> dict[str, str | int]:
    """Give the row of ``clips.csv`` that says what a clip holds and how it was made."""
    return {
        "file": plan.clip.name,
        "step": plan.step.code,
        "visit": "all" if plan.visit is None else plan.visit,
        "frames": plan.clip.n_frames,
        "start_s": format_seconds(plan.clip.spans[0].start),
        "length_s": format_seconds(plan.clip.length),
        "way": report.way,
        "reason": report.reason,
        "copied_frames": report.copied_frames,
        "encoded_frames": report.encoded_frames,
        "verified": report.verified,
        "damaged_frames": report.damaged,
    }
