"""Clips of a case: which frames each one holds, and writing them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from vidseg.export.chapters import chaptered_segments
from vidseg.formats import webvtt
from vidseg.measure.case.captions import cut_captions
from vidseg.media.read.stretch import stretches
from vidseg.media.splice.many_clips import ClipOrder, write_exact_clips
from vidseg.media.splice.splice import ClipReport, Verify
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import format_seconds
from vidseg.model.problem import UsageError
from vidseg.model.procedure import Step
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions, Recording
from vidseg.model.span import Span, Spans


@dataclass(frozen=True, slots=True)
class Cutting:
    """How clips are cut.

    ``quality`` is x264's constant rate factor for what is encoded; ``reencode`` encodes all of
    it; ``verify`` says how much is compared with the source; ``cores`` is how many are used at
    a time, 0 for all there are.
    """

    quality: int = 18
    reencode: bool = False
    verify: Verify = "edges"
    cores: int = 0


@dataclass(frozen=True, slots=True)
class ClipPlan:
    """One clip to be written.

    ``number`` counts the visits of the case in order of start (with ``join_visits``: its steps),
    ``visit`` the visits to this step, from 1; None where the clip holds them all. ``ranges``
    are case-wide frame numbers ``[first, last)``, ``spans`` the same footage on the case clock.
    """

    number: int
    step: Step
    visit: int | None
    ranges: tuple[tuple[int, int], ...]
    spans: tuple[Span, ...]
    name: str

    @property
    def n_frames(self) -> int:
        """Frames in the clip."""
        return sum(last - first for first, last in self.ranges)

    @property
    def length(self) -> int:
        """Length of the clip in ns."""
        return sum(span.length for span in self.spans)


def plan_clips(
    annotation: Annotation,
    recording: Recording,
    steps: Sequence[str] = (),
    pad_ns: int = 0,
    join_visits: bool = False,
) -> tuple[ClipPlan, ...]:
    """Plan a clip for every visit to a step, in order of start.

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
        spans = tuple(piece.span for piece in stretches(recording, ranges))
        name = f"{number:0{width}d}-{code}{later}.mp4"
        plans.append(ClipPlan(number, step, visit, ranges, spans, name))
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


def clip_files(plan: ClipPlan, captions: Captions | None) -> tuple[str, ...]:
    """Name the files of one clip: the video, and its captions where it has any."""
    if captions is None or not cut_captions(captions, plan.spans).cues:
        return (plan.name,)
    return plan.name, str(Path(plan.name).with_suffix(".vtt"))


def write_clips(
    plans: Sequence[ClipPlan],
    recording: Recording,
    folder: Path,
    captions: Captions | None = None,
    how: Cutting = Cutting(),
    progress: Progress | None = None,
    on_clip: Callable[[ClipPlan, ClipReport], None] | None = None,
) -> tuple[ClipReport, ...]:
    """Write all clips into ``folder`` (made where missing), and say how each was made.

    ``captions`` are the case's; each clip gets its own share inside and beside it.
    ``on_clip`` hears of every finished clip. Raises MediaError; finished clips stay.
    """
    folder.mkdir(parents=True, exist_ok=True)
    own = [cut_captions(captions, plan.spans) if captions else None for plan in plans]
    orders = [
        ClipOrder(plan.ranges, folder / plan.name, text)
        for plan, text in zip(plans, own, strict=True)
    ]

    def finished(place: int, report: ClipReport) -> None:
        text = own[place]
        if text is not None and text.cues:
            webvtt.write_captions(text, orders[place].out.with_suffix(".vtt"))
        if on_clip:
            on_clip(plans[place], report)

    return write_exact_clips(
        recording,
        orders,
        quality=how.quality,
        reencode=how.reencode,
        verify=how.verify,
        cores=how.cores,
        progress=progress,
        on_clip=finished,
    )


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
)


def report_row(plan: ClipPlan, report: ClipReport) -> dict[str, str | int]:
    """Give the row of ``clips.csv`` that says what a clip holds and how it was made."""
    return {
        "file": plan.name,
        "step": plan.step.code,
        "visit": "all" if plan.visit is None else plan.visit,
        "frames": plan.n_frames,
        "start_s": format_seconds(plan.spans[0].start),
        "length_s": format_seconds(plan.length),
        "way": report.way,
        "reason": report.reason,
        "copied_frames": report.copied_frames,
        "encoded_frames": report.encoded_frames,
        "verified": report.verified,
    }
