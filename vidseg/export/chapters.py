"""Chapters of a case: one for every visit to a step, tiling the recording from 0 to its end.

Titles are the vocabulary's names and are not localised.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from vidseg.formats import matroska_xml, webvtt
from vidseg.media.write.target import NO_STEP
from vidseg.model.annotation import Annotation, Mark, Segment, Sheet
from vidseg.model.clock import NS, format_time
from vidseg.model.procedure import LEVELS, Kind
from vidseg.model.recording import Chapter
from vidseg.model.span import Span

SITE_SHORTEST_NS = 10 * NS
"""Video-sharing sites may ignore a list with a shorter chapter (common practice)."""


def chaptered_segments(annotation: Annotation) -> tuple[Segment, ...]:
    """Give the segments that chapters and clips are made of: steps, else phases, else tasks."""
    for level in (Kind.STEP, *(level for level in LEVELS if level is not Kind.STEP)):
        found = tuple(s for s in annotation.segments if s.step.kind is level)
        if found:
            return found
    return ()


def case_chapters(
    annotation: Annotation, length: int, *, gap_ns: int = NS, numbered: bool = False
) -> tuple[Chapter, ...]:
    """Give the chapters of a recording of ``length`` ns.

    Every visit starts a chapter with the step's name; excluded time has chapters of its own
    name. Time without a step is titled ``No step``, which every vocabulary reads as idle; a
    gap of up to ``gap_ns`` goes to the chapter before it instead (0: none does, and chapters
    read back give the same visits). Where visits overlap, the one that started last is the
    chapter, and the other goes on after it. ``numbered`` adds " (2)" to the title of a second
    visit; such titles are no longer labels of the vocabulary.
    """
    segments = [*chaptered_segments(annotation), *annotation.excluded]
    segments = [s for s in segments if s.span.start < length and s.span.end > 0]
    titles = _titles(segments, numbered)
    edges = {0, length}
    for segment in segments:
        edges |= {max(segment.span.start, 0), min(segment.span.end, length)}
    ordered = sorted(edges)
    pieces: list[tuple[int, int, int | None]] = []
    for start, end in pairwise(ordered):
        shown = _shown(segments, start)
        if pieces and pieces[-1][2] == shown:
            pieces[-1] = (pieces[-1][0], end, shown)
        else:
            pieces.append((start, end, shown))
    chapters: list[Chapter] = []
    for start, end, shown in pieces:
        if shown is None and chapters and end - start <= gap_ns:
            chapters[-1] = Chapter(Span(chapters[-1].span.start, end), chapters[-1].title)
        else:
            chapters.append(Chapter(Span(start, end), NO_STEP if shown is None else titles[shown]))
    return tuple(chapters)


def _shown(segments: Sequence[Segment], at: int) -> int | None:
    """Give the number of the segment on top at ``at``: excluded, then latest, then shortest."""
    running = [
        (s.step.kind is Kind.EXCLUDED, s.span.start, -s.span.end, number)
        for number, s in enumerate(segments)
        if s.span.holds(at)
    ]
    return max(running)[3] if running else None


def _titles(segments: Sequence[Segment], numbered: bool) -> list[str]:
    visits: Counter[str] = Counter()
    titles = [segment.step.name for segment in segments]
    for number in sorted(range(len(segments)), key=lambda n: segments[n].span):
        visits[segments[number].step.code] += 1
        if numbered and (visit := visits[segments[number].step.code]) > 1:
            titles[number] += f" ({visit})"
    return titles


def chapter_texts(chapters: Sequence[Chapter]) -> tuple[dict[str, str], tuple[str, ...]]:
    """Give ``chapters.vtt``, ``chapters.xml`` (Matroska) and ``chapters.txt`` by name, and
    sentences on what a file cannot hold. See ``site_list`` for the last."""
    sheet = Sheet("chapters", tuple(Mark(c.title, c.span.start, c.span.end) for c in chapters))
    written = {
        "chapters.vtt": webvtt.sheet_text(sheet),
        "chapters.xml": matroska_xml.sheet_text(sheet),
        "chapters.txt": site_list(chapters),
    }
    notes = tuple(f"{name}: {told}" for name, (_, all_told) in written.items() for told in all_told)
    return {name: text for name, (text, _) in written.items()}, notes


def site_list(chapters: Sequence[Chapter]) -> tuple[str, tuple[str, ...]]:
    """Give the chapter list that video-sharing sites read from a description, and notes on it.

    Lines of ``m:ss Title`` (``h:mm:ss`` from one hour on), the first at 0:00, seconds rounded
    down. Of chapters that start within one second the longest stays. Sites commonly want at
    least three chapters of at least ten seconds each (common practice): a note
    says where the list falls short, nothing is merged.
    """
    longest: dict[int, Chapter] = {}
    notes: list[str] = []
    for chapter in chapters:
        second = chapter.span.start // NS
        rival = longest.get(second)
        if rival is None:
            longest[second] = chapter
            continue
        kept, left = sorted((rival, chapter), key=lambda c: c.span.length, reverse=True)
        longest[second] = kept
        notes.append(
            f"{left.title!r} at {format_time(left.span.start)} was left out: {kept.title!r} starts "
            "in the same second"
        )
    if longest and 0 not in longest:
        longest[0] = Chapter(Span(0, min(longest) * NS), NO_STEP)
    starts = sorted(longest)
    end = max((c.span.end for c in chapters), default=0)
    hours = end >= 3600 * NS
    lines = [
        f"{_clock(second, hours)} {' '.join(longest[second].title.split())}\n" for second in starts
    ]
    lengths = [b * NS - a * NS for a, b in pairwise(starts)]
    if starts:
        lengths.append(end - starts[-1] * NS)
    short = sum(length < SITE_SHORTEST_NS for length in lengths)
    if short or len(starts) < 3:
        notes.append(
            f"{len(starts)} chapters, {short} of them under 10 s: sites that want at least three "
            "chapters of 10 s or more may ignore the list"
        )
    return "".join(lines), tuple(notes)


def _clock(seconds: int, hours: bool) -> str:
    whole, second = divmod(seconds, 60)
    if not hours:
        return f"{whole}:{second:02d}"
    return f"{whole // 60}:{whole % 60:02d}:{second:02d}"
