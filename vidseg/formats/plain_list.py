"""Plain lists: a time and a step on each line, as people type them.

::

    # a comment
    0:04:10 Capsulorhexis
    4:10 - 5:30 Capsulorhexis | second attempt
    [5:35] Hydrodissection
    f8200 - f8410 Nucleus division
    9:50 - open Wound closure

Between start and end stands ``-``, ``–``, ``—``, ``-->``, ``→`` or ``to``; brackets around a time
are passed over, as is a dash or colon before the step. A note follows `` | ``. After a dash, text
counts as an end only where it is written as the start is (both with colons, both plain seconds,
or both frames), so ``4:10 - 5 mm incision`` is a start and a step; an open end is ``open`` in small
letters. Where no line has an end, each row runs until the next one starts.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.formats.moment import MOMENT_FORMS, parse_moment
from vidseg.formats.table_writing import REPLACEMENT, lost_facts, refuse_unreadable, writable
from vidseg.formats.text_file import read_text
from vidseg.formats.timed_rows import count
from vidseg.model.annotation import Cue, Edge, Frame, InPart, Mark, Moment, Sheet, Timecode
from vidseg.model.bounds import at_most_rows, shown
from vidseg.model.clock import NS, format_time
from vidseg.model.problem import Problem, UsageError
from vidseg.model.recording import Captions
from vidseg.model.span import Span

NOTE_MARK = " | "
LAST_CUE_NS = 5 * NS
"""How long the last caption of a list without ends is shown (our choice: nothing follows it)."""

_EXPECTED = "expected a time, then the step: 0:04:10 Capsulorhexis, or 4:10 - 5:30 Capsulorhexis"
_WORD = r"(?:(?:frame|f)\s*[0-9]++|open|[0-9]++(?:[:;.,][0-9]+)*+)(?![^\W_]|\.)"
_START = re.compile(rf"\s*([\[(]?)\s*({_WORD})\s*([\])]?)", re.IGNORECASE)
_DASH = r"(?:-->|->|→|-|–|—|to(?=\s))"
_END = re.compile(rf"\s*({_DASH})\s*([\[(]?)\s*({_WORD})\s*([\])]?)", re.IGNORECASE)
_LEAD = re.compile(r"\s*(?:(?:-->|->|→|-|–|—|:)(?=\s|$))?\s*")
_TIME_LIKE = re.compile(r"\s*[\[(]?\s*(?:[0-9]|f\s*[0-9]|frame\s*[0-9])", re.IGNORECASE)
_BREAK = re.compile(r"\s*[\r\n]+\s*")
_PAIRS = {"": "", "[": "]", "(": ")"}


@dataclass(frozen=True, slots=True)
class ListLine:
    """One line, taken apart. ``text`` is all that follows the times."""

    number: int
    start: Moment | Edge
    end: Moment | Edge | None
    text: str


class _LineError(Exception):
    """Says with which problem code a line is reported, and why."""

    def __init__(self, code: str, reason: str) -> None:
        super().__init__(code, reason)
        self.code, self.reason = code, reason


def read(path: Path) -> Sheet:
    """Read a plain list. Lines that cannot be read are problems of the sheet.

    Raises FormatError where the file is no text or is empty.
    """
    marks: list[Mark] = []
    problems: list[Problem] = []
    lines = list(_lines(path, problems))
    for line in lines:
        label, note = _label_and_note(line.text)
        if label:
            marks.append(Mark(label, line.start, line.end, note, path.name, line.number))
        else:
            problems.append(
                Problem.of(
                    "no-label",
                    f"no step stands after the time; {_EXPECTED}",
                    path.name,
                    line.number,
                )
            )
    problems.sort(key=lambda problem: problem.line or 0)
    starts_only = all(line.end is None for line in lines)
    return Sheet(path.name, tuple(marks), tuple(problems), starts_only)


def read_captions(path: Path) -> Captions:
    """Read a plain list as captions: a cue runs to its end, else until the next one starts.

    The last one, where it has no end, is shown for ``LAST_CUE_NS``. Raises FormatError where
    the file is no text or is empty.
    """
    problems: list[Problem] = []
    cues: list[Cue] = []
    lines = list(_lines(path, problems))
    following = [line.start for line in lines[1:]]
    for line, after in zip_longest(lines, following):
        start, end = line.start, line.end
        if end is None and isinstance(start, int):
            end = after if after is not None else start + LAST_CUE_NS
        if not isinstance(start, int) or not isinstance(end, int):
            reason = "captions need times in seconds, m:ss or h:mm:ss, not frames, timecode or open"
            problems.append(Problem.of("bad-time", reason, path.name, line.number))
        elif end <= start:
            reason = (
                f"the caption ends at {format_time(end)}, not after its start at "
                f"{format_time(start)}; captions must stand in order of time"
            )
            problems.append(Problem.of("ends-before-start", reason, path.name, line.number))
        elif not line.text:
            reason = "no text stands after the time"
            problems.append(Problem.of("bad-cue", reason, path.name, line.number))
        else:
            cues.append(Cue(Span(start, end), line.text))
    problems.sort(key=lambda problem: problem.line or 0)
    return Captions(path.name, tuple(cues), problems=tuple(problems))


def write(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Write a plain list, exact to the nanosecond: ``0:04:10 - 0:05:30 Capsulorhexis | note``.

    Returns sentences on what was not held. Raises UsageError for rows that no list can hold
    (no label, a time before zero).
    """
    refuse_unreadable(sheet, "a plain list")
    told: list[str] = []
    lines: list[str] = []
    changed = misread = 0
    for mark in sheet.marks:
        label = _one_line(mark.label).replace(NOTE_MARK, " / ")
        note = _one_line(mark.note)
        end = None if sheet.starts_only else mark.end
        times = _written(mark.start) + ("" if end is None else f" - {_written(end)}")
        lines.append(f"{times} {label}" + (f"{NOTE_MARK}{note}" if note else ""))
        changed += (label, note) != (mark.label, mark.note)
        misread += not _reads_back(lines[-1], (mark.start, end, label, note))
    if changed:
        told.append(
            f"{count(changed, 'row', 'rows')} with line breaks, spaces around a text, "
            f"{NOTE_MARK!r} in the step, or control characters: written with spaces, ' / ' or "
            f"{REPLACEMENT}."
        )
    if misread:
        told.append(
            f"{count(misread, 'row', 'rows')} where the step begins like a time, a dash or a "
            "bracket, or start and end are written in different ways: reading the list gives "
            "another step or end."
        )
    if extra := sum(bool(mark.attributes) for mark in sheet.marks):
        told.append(f"Not held: the extra columns of {count(extra, 'row', 'rows')}.")
    told += lost_facts(sheet, case_held=False)
    if sheet.marks and not sheet.starts_only and all(mark.end is None for mark in sheet.marks):
        told.append("No row has an end, so the list reads as one of starts only.")
    write_text_aside(path, "".join(f"{line}\n" for line in lines or ["# no rows"]))
    return tuple(told)


def _one_line(text: str) -> str:
    return _BREAK.sub(" ", writable(text)).strip()


def _reads_back(line: str, expected: tuple[Moment | Edge, Moment | Edge | None, str, str]) -> bool:
    try:
        back = _take_apart(line, 1)
    except _LineError:
        return False
    return (back.start, back.end, *_label_and_note(back.text)) == expected


def _label_and_note(text: str) -> tuple[str, str]:
    label, _, note = f" {text} ".partition(NOTE_MARK)
    return label.strip(), note.strip()


def _written(moment: Moment | Edge) -> str:
    if isinstance(moment, Edge):
        return moment.value
    if isinstance(moment, Frame):
        return f"f{moment.number}"
    if isinstance(moment, Timecode):
        return moment.text
    if isinstance(moment, InPart):
        raise UsageError("a plain list holds no times within a part; write .csv or .json")
    whole = format_time(moment, 9)
    head, _, decimals = whole.partition(".")
    kept = decimals[:3] + decimals[3:].rstrip("0")
    return head if not kept.strip("0") else f"{head}.{kept}"


def _lines(path: Path, problems: list[Problem]) -> Iterator[ListLine]:
    """Take the lines of a file apart, comments and blank ones passed over; report bad ones."""
    whole = read_text(path)
    numbered = enumerate(re.split(r"\r\n|\r|\n", whole), 1)
    solid = (row for row in numbered if row[1].strip() and not row[1].lstrip().startswith("#"))
    for number, text in at_most_rows(solid, path.name, len(whole)):
        try:
            yield _take_apart(text, number)
        except _LineError as error:
            problems.append(Problem.of(error.code, error.reason, path.name, number))


def _take_apart(text: str, number: int) -> ListLine:
    match = _START.match(text)
    if match is None:
        word = text.split(maxsplit=1)[0]
        if _TIME_LIKE.match(text):
            raise _LineError("bad-time", f"not a time: {shown(word)}; expected {MOMENT_FORMS}")
        raise _LineError("bad-row", f"the line starts with {shown(word)}; {_EXPECTED}")
    before, written, after = match.groups()
    rest = text[match.end() :]
    start = _moment(written)
    end: Moment | Edge | None = None
    found = _END.match(rest)
    if found is not None and _is_end(written, found[3]):
        # one pair of brackets may hold both times: [0:55 - 1:20]
        if not after and not found[2]:
            after = found[4]
        elif _PAIRS[found[2]] != found[4]:
            raise _LineError("bad-row", f"a bracket is not closed around {found[3]!r}")
        end = _moment(found[3])
        rest = rest[found.end() :]
    if _PAIRS[before] != after:
        raise _LineError("bad-row", f"a bracket is not closed around {written!r}")
    lead = _LEAD.match(rest)
    rest = rest[lead.end() :] if lead is not None else rest
    return ListLine(number, start, end, rest.strip())


def _moment(written: str) -> Moment | Edge:
    try:
        return parse_moment(written)
    except ValueError as error:
        raise _LineError("bad-time", str(error)) from None


def _is_end(start: str, end: str) -> bool:
    """Whether what follows a dash is an end, and not a step that begins with a number."""
    if end.casefold() == Edge.OPEN:
        return end == Edge.OPEN
    if start.casefold() == Edge.OPEN:
        return True
    return _form(start) == _form(end)


def _form(written: str) -> str:
    if ":" in written:
        return "clock"
    return "frame" if written[0] in "fF" else "seconds"
