"""What becomes of every frame of a shared copy: gone, covered or as it is; and where it lies."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from vidseg.media.write.cover import Cover, box_of, cover_of
from vidseg.model.annotation import Cue
from vidseg.model.mask import Mask
from vidseg.model.problem import UsageError
from vidseg.model.recording import Captions, Chapter, Part, Recording
from vidseg.model.span import Kept, Span, Spans
from vidseg.model.stretch import Stretch, stretches


@dataclass(frozen=True, slots=True)
class Redaction:
    """What is to go, in case time (ns). A frame goes, or is covered, if any of it is concerned.

    ``removed`` is cut out of the copy; ``blanked`` keeps its time and becomes black and silent;
    ``masks`` are covered in black. Sound goes altogether unless ``keep_sound``, and then
    ``silenced`` becomes zero samples. ``reencode`` copies nothing.
    """

    removed: Spans = field(default_factory=Spans)
    blanked: Spans = field(default_factory=Spans)
    masks: tuple[Mask, ...] = ()
    keep_sound: bool = False
    silenced: Spans = field(default_factory=Spans)
    reencode: bool = False

    @property
    def silent(self) -> Spans:
        """Where nothing is to be heard."""
        return self.silenced | self.blanked


@dataclass(frozen=True, slots=True)
class RedactionPlan:
    """The stretches of the copy in order, each with what is painted over it (None: nothing)."""

    pieces: tuple[Stretch, ...]
    covers: tuple[Cover | None, ...]

    @property
    def kept(self) -> Kept:
        """What stays: (span on the case clock, where it starts in the copy), exact ns."""
        found: list[tuple[Span, int]] = []
        for piece in self.pieces:
            if found and found[-1][0].end == piece.span.start:
                before, offset = found[-1]
                found[-1] = Span(before.start, piece.span.end), offset
            else:
                found.append((piece.span, piece.offset))
        return tuple(found)


def plan(recording: Recording, redaction: Redaction) -> RedactionPlan:
    """Decide on every frame. Raises UsageError where nothing would be left, or where a mask
    lies outside the picture."""
    for mask in redaction.masks:
        if all(box_of(mask, part) is None for part in recording.parts):
            raise UsageError(
                f"the mask {mask.x},{mask.y},{mask.width},{mask.height} lies outside the picture"
            )
    ranges: list[tuple[int, int]] = []
    covers: list[Cover | None] = []
    for number, part in enumerate(recording.parts):
        base = recording.first_frame(number)
        for first, last, cover in _runs(part, redaction):
            ranges.append((base + first, base + last))
            covers.append(cover)
    if not ranges:
        raise UsageError("nothing of the recording would be left in the copy")
    return RedactionPlan(stretches(recording, ranges), tuple(covers))


def _runs(part: Part, redaction: Redaction) -> list[tuple[int, int, Cover | None]]:
    count = len(part.frame_ns)
    removed = [frames_of(part, span) for span in redaction.removed]
    blanked = [frames_of(part, span) for span in redaction.blanked]
    masked = [
        (frames_of(part, mask.span) if mask.span else (0, count), box)
        for mask in redaction.masks
        if (box := box_of(mask, part)) is not None
    ]
    edges = {0, count}
    for first, last in (*removed, *blanked, *(frames for frames, _ in masked)):
        edges |= {first, last}
    found: list[tuple[int, int, Cover | None]] = []
    ordered = sorted(edges)
    for first, last in pairwise(ordered):
        if _within(first, removed):
            continue
        boxes = [box for frames, box in masked if _within(first, [frames])]
        cover = cover_of(boxes, part, black=_within(first, blanked))
        if found and found[-1][1:] == (first, cover):
            found[-1] = found[-1][0], last, cover
        else:
            found.append((first, last, cover))
    return found


def _within(frame: int, ranges: Iterable[tuple[int, int]]) -> bool:
    return any(first <= frame < last for first, last in ranges)


def frames_of(part: Part, span: Span) -> tuple[int, int]:
    """Give the frames ``[first, last)`` of ``part`` that are on show at any time of ``span``."""
    start, end = span.start - part.start, span.end - part.start
    first = max(0, int(np.searchsorted(part.frame_ns, start, "right")) - 1)
    if start >= part.length:
        first = len(part.frame_ns)
    return first, max(first, int(np.searchsorted(part.frame_ns, end, "left")))


def in_copy(spans: Iterable[Span], kept: Kept) -> Spans:
    """Give where ``spans`` of the case clock lie in the copy."""
    found = []
    for span in spans:
        for stays, offset in kept:
            if span.overlaps(stays):
                start, end = max(span.start, stays.start), min(span.end, stays.end)
                found.append(Span(start - stays.start + offset, end - stays.start + offset))
    return Spans(found)


def fitted_chapters(
    chapters: Sequence[Chapter], kept: Kept
) -> tuple[tuple[Chapter, ...], list[str]]:
    """Give ``chapters`` (case time) on the clock of the copy; those removed altogether go."""
    found: dict[int, Chapter] = {}
    notes: list[str] = []
    gone = 0
    for chapter in sorted(chapters, key=lambda chapter: chapter.span):
        left = in_copy([chapter.span], kept).items
        if not left:
            gone += 1
            continue
        span = Span(left[0].start, left[-1].end)
        before = found.get(span.start)
        if before is not None:
            notes.append(f"two chapters start at one place of the copy and became one: "
                         f"{before.title!r} and {chapter.title!r}")  # fmt: skip
            title = f"{before.title}, {chapter.title}"
            chapter = Chapter(Span(span.start, max(span.end, before.span.end)), title)
        else:
            chapter = Chapter(span, chapter.title)
        found[span.start] = chapter
    if gone:
        notes.append(f"chapters of which nothing is left in the copy: {gone}")
    return tuple(found.values()), notes


def fitted_captions(
    captions: Captions | None, kept: Kept, gone: Spans
) -> tuple[Captions | None, list[str]]:
    """Give ``captions`` (case time) on the clock of the copy.

    A caption that touches ``gone``, time removed or silenced, goes: it may tell what was said.
    """
    if captions is None:
        return None, []
    cues: list[Cue] = []
    for cue in captions.cues:
        left = in_copy([cue.span], kept).items
        if left and not (Spans([cue.span]) & gone).items:
            cues.append(Cue(Span(left[0].start, left[-1].end), cue.text))
    fewer = len(captions.cues) - len(cues)
    notes = [f"captions that touch removed or silenced time left out: {fewer}"] if fewer else []
    return Captions(captions.source, tuple(cues), captions.language), notes
