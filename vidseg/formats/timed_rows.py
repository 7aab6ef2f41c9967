"""What a format that holds times and titles only can take of a sheet, and what it cannot."""

from __future__ import annotations

import re
from dataclasses import dataclass

from vidseg.model.annotation import Edge, Mark, Moment, Sheet
from vidseg.model.clock import format_time, ratio_round
from vidseg.model.problem import UsageError
from vidseg.model.recording import Captions

MS = 1_000_000
"""Nanoseconds in a millisecond."""

REPLACEMENT = "\N{REPLACEMENT CHARACTER}"

_BREAK = re.compile(r"\s*[\r\n]\s*")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


@dataclass(frozen=True, slots=True)
class TimedRow:
    """One row in ns. ``end`` None: a point, or where ``open_end`` an end that nobody saw."""

    start: int
    end: int | None
    label: str
    note: str = ""
    open_end: bool = False


def count(number: int, one: str, many: str) -> str:
    """Write a number with its noun: ``1 row``, ``3 rows``."""
    return f"{number} {one if number == 1 else many}"


def _clean(text: str) -> str:
    return _CONTROL.sub(REPLACEMENT, text)


def timed_rows(sheet: Sheet, target: str) -> tuple[list[TimedRow], list[str]]:
    """Give the rows of ``sheet`` by start (ns), the longer first, and what ``target`` loses.

    Raises UsageError, naming every row concerned, where a row cannot be expressed at all: a
    frame number or timecode (no clock here), no label, a time before zero, an end before its
    start.
    """
    refused: list[str] = []
    rows = [_row(number, mark, sheet, refused) for number, mark in enumerate(sheet.marks, 1)]
    if refused:
        shown = "; ".join(refused[:5]) + (f"; and {len(refused) - 5} more" if refused[5:] else "")
        raise UsageError(f"{target} cannot hold {count(len(refused), 'row', 'rows')}: {shown}")
    told: list[str] = []
    ordered = sorted(rows, key=lambda row: (row.start, row.end is None, -(row.end or 0)))
    if ordered != rows:
        told.append(f"The rows are written in order of start, as {target} wants them.")
    if opened := sum(isinstance(mark.start, Edge) for mark in sheet.marks):
        told.append(f"{count(opened, 'open start', 'open starts')}: written as 0:00:00.")
    if extra := sum(bool(mark.attributes) for mark in sheet.marks):
        told.append(f"Not held: the extra columns of {count(extra, 'row', 'rows')}.")
    if broken := sum(_BREAK.search(mark.label) is not None for mark in sheet.marks):
        told.append(f"{count(broken, 'label', 'labels')} with a line break: written with a space.")
    if odd := sum(_CONTROL.search(mark.label + mark.note) is not None for mark in sheet.marks):
        told.append(f"{count(odd, 'row', 'rows')} with control characters: replaced by a mark.")
    named = [name for name in ("case", "procedure", "annotator") if getattr(sheet, name)]
    if named:
        told.append(f"Not held: the name of the {', the '.join(named)}.")
    return ordered, told


def _row(number: int, mark: Mark, sheet: Sheet, refused: list[str]) -> TimedRow:
    place = f"row {number} ({mark.label!r})"
    label = _clean(_BREAK.sub(" ", mark.label)).strip()
    start = 0 if isinstance(mark.start, Edge) else _ns(mark.start, place, refused)
    open_end = isinstance(mark.end, Edge)
    end = None
    if mark.end is not None and not isinstance(mark.end, Edge) and not sheet.starts_only:
        end = _ns(mark.end, place, refused)
        if isinstance(mark.end, int) and isinstance(mark.start, int | Edge) and end <= start:
            refused.append(f"{place} ends at {format_time(end)}, not after its start")
    if not label:
        refused.append(f"{place} has no label")
    return TimedRow(start, end, label, _clean(mark.note), open_end)


def _ns(moment: Moment, place: str, refused: list[str]) -> int:
    if isinstance(moment, int):
        if moment < 0:
            refused.append(f"{place} has a time before zero")
        return moment
    refused.append(f"{place} is written as a frame number or timecode, which needs the recording")
    return 0


@dataclass(frozen=True, slots=True)
class CueRows:
    """What goes into a caption file: spans in whole ms, the lines of each, what was lost."""

    spans: list[tuple[int, int]]
    texts: list[list[str]]
    told: list[str]


def sheet_cues(sheet: Sheet, target: str) -> CueRows:
    """Give the rows of a sheet as cues: label, then the note, a line each.

    A point becomes a millisecond. Raises UsageError as ``timed_rows`` does, and where a row has
    no end that could be written: lists of starts only, and ends that nobody saw.
    """
    rows, told = timed_rows(sheet, target)
    way_out = (
        "write the ends, or give the recording so that they can be worked out, or write .json "
        "or .xml, which do without"
    )
    if sheet.starts_only and rows:
        raise UsageError(
            f"{target} needs an end for every row, and this list has starts only; {way_out}"
        )
    if opened := sum(row.open_end for row in rows):
        raise UsageError(
            f"{target} needs an end for every row, and {count(opened, 'row has', 'rows have')} an "
            f"open end; {way_out}"
        )
    if points := sum(row.end is None for row in rows):
        told.append(f"{count(points, 'point', 'points')} without an end: written 1 ms long.")
    pairs = [(row.start, row.start + MS if row.end is None else row.end) for row in rows]
    texts = [(row.label, row.note) for row in rows]
    return _cues(pairs, [[label, *_lines(note)] for label, note in texts], told, target)


def caption_cues(captions: Captions, target: str) -> CueRows:
    """Give captions as cues in order of start."""
    cues = sorted(captions.cues, key=lambda cue: cue.span.start)
    told = []
    if captions.language:
        told.append(f"Not held: the language ({captions.language}).")
    texts = [_lines(_clean(cue.text)) for cue in cues]
    return _cues([(cue.span.start, cue.span.end) for cue in cues], texts, told, target)


def _lines(text: str) -> list[str]:
    return re.split(r"\r\n|\r|\n", text) if text else []


def _cues(
    pairs: list[tuple[int, int]], texts: list[list[str]], told: list[str], target: str
) -> CueRows:
    if rounded := sum(moment % MS != 0 for pair in pairs for moment in pair):
        told.append(
            f"{count(rounded, 'time', 'times')}: rounded to the millisecond, the finest that "
            f"{target} holds."
        )
    spans = [(ratio_round(start, MS), ratio_round(end, MS)) for start, end in pairs]
    if short := sum(end <= start for start, end in spans):
        told.append(f"{count(short, 'cue', 'cues')} shorter than 1 ms: written 1 ms long.")
    solid = [[line for line in lines if line.strip()] for lines in texts]
    if blank := sum(len(a) != len(b) for a, b in zip(solid, texts, strict=True)):
        told.append(f"{count(blank, 'text', 'texts')}: blank lines left out.")
    return CueRows([(start, max(end, start + 1)) for start, end in spans], solid, told)
