"""SubRip (.srt): as a step annotation (a cue is a row) and as captions.

No standard exists; this is the common practice: a number, ``HH:MM:SS,mmm --> HH:MM:SS,mmm``, the
text, a blank line. A point is taken for the comma too, hours may have any number of digits, and
coordinates may follow. Markup (``<b>``, ``{\\an8}``) is taken off.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.formats.cues import (
    ARROW,
    Block,
    TimedText,
    arrow_lines,
    blocks,
    ends_after_start,
    read_lines,
    to_captions,
    to_sheet,
)
from vidseg.formats.timed_rows import MS, CueRows, caption_cues, count, sheet_cues
from vidseg.model.annotation import Sheet
from vidseg.model.clock import format_time, parse_time
from vidseg.model.problem import FormatError, Problem
from vidseg.model.recording import Captions

_STAMP = r"[0-9]{1,6}:[0-5][0-9]:[0-5][0-9][,.][0-9]{3}"
_TIMING = re.compile(rf"[ \t]*({_STAMP})[ \t]*-->[ \t]*({_STAMP})(?:[ \t]+(.*))?", re.DOTALL)
_COORDINATES = re.compile(r"(?:[XY][12]:-?[0-9]+[ \t]*)+")
_NUMBER = re.compile(r"[ \t]*[0-9]+")
_LONG_ARROW = re.compile(r"-{2,}>")
_MARKUP = re.compile(r"</?(?:b|i|u|s|font)(?:[ \t][^<>]*)?>|\{\\[^{}]*\}", re.IGNORECASE)


@dataclass(slots=True)
class _File:
    """What is gathered while one file is read."""

    source: str
    cues: list[TimedText] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    unnumbered: list[int] = field(default_factory=list)

    def say(self, line: int, message: str) -> None:
        self.problems.append(Problem.of("bad-cue", message, self.source, line))

    def say_loose(self, line: int, message: str) -> None:
        self.problems.append(Problem.of("loose-cue", message, self.source, line))


def read(path: Path) -> Sheet:
    """Read a SubRip file as a step annotation: first line of a cue the label, others the note.

    Malformed cues are problems; raises FormatError where the file is no text or holds no
    cue at all.
    """
    found = _read_file(path)
    return to_sheet(found.source, found.cues, found.problems)


def read_captions(path: Path) -> Captions:
    """Read a SubRip file as captions, markup taken off; errors as for ``read``."""
    found = _read_file(path)
    return to_captions(found.source, found.cues, found.problems)


def _read_file(path: Path) -> _File:
    lines = [line.rstrip() for line in read_lines(path)]
    if lines[0].startswith("WEBVTT"):
        raise FormatError(path.name, 1, "this is WebVTT, not SubRip; name the file .vtt")
    found = _File(path.name)
    whole = list(blocks(lines))
    if whole and not any(arrow_lines(block) for block in whole):
        raise FormatError(path.name, whole[0][0][0], "no SubRip file: no line holds `-->`")
    for block in whole:
        _read_block(block, found)
    if found.unnumbered:
        found.say_loose(
            found.unnumbered[0],
            f"{count(len(found.unnumbered), 'cue has', 'cues have')} no number in the line before "
            "the times; read all the same",
        )
    return found


def _read_block(block: Block, found: _File) -> None:
    line, text = block[0]
    arrows = arrow_lines(block)
    if not arrows:
        found.say(
            line,
            f"{text[:60]!r} belongs to no cue: no times stand with it; a blank line ends a cue, so "
            "there must be none within its text",
        )
        return
    if arrows[0] == 0:
        found.unnumbered.append(line)
    elif arrows[0] > 1 or not _NUMBER.fullmatch(text):
        found.say(line, f"{text[:60]!r} stands before the times; expected a number alone")
    for place, following in zip(arrows, [*arrows[1:], len(block)], strict=True):
        if place != arrows[0]:
            found.say(block[place][0], "a blank line must stand before each cue")
        payload = [text for _, text in block[place + 1 : following]]
        if following != len(block) and payload and _NUMBER.fullmatch(payload[-1]):
            payload.pop()
        _read_cue(block[place], payload, found)


def _read_cue(timing: tuple[int, str], payload: list[str], found: _File) -> None:
    line, text = timing
    match = _TIMING.fullmatch(text)
    if match is None:
        found.say(
            line,
            f"{text[:80]!r} is no line of times; expected `HH:MM:SS,mmm --> HH:MM:SS,mmm`, minutes "
            "and seconds to 59, three decimals",
        )
        return
    start, end = parse_time(match[1]), parse_time(match[2])
    if match[3] and not _COORDINATES.fullmatch(match[3]):
        found.say_loose(line, f"{match[3][:60]!r} after the times is not used")
    if ends_after_start(found.source, line, start, end, found.problems):
        plain = _MARKUP.sub("", "\n".join(payload))
        found.cues.append(TimedText(start, end, plain, line))


def write(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Write a sheet as SubRip: label, then the note, a line each. Times in milliseconds.

    Returns sentences on what SubRip could not hold. Raises UsageError where a row cannot be
    expressed at all: frame numbers, timecodes, open ends, lists of starts only.
    """
    return _write_cues(sheet_cues(sheet, "SubRip"), path)


def write_captions(captions: Captions, path: Path) -> tuple[str, ...]:
    """Write captions as SubRip, in order of start; returns what SubRip could not hold."""
    return _write_cues(caption_cues(captions, "SubRip"), path)


def _write_cues(cues: CueRows, path: Path) -> tuple[str, ...]:
    """Write the cues; SubRip has no way to escape what it takes for an arrow or for markup."""
    told = list(cues.told)
    if not cues.spans:
        told.append("There is no row, so the file is empty.")
    texts = [[_LONG_ARROW.sub("->", line) for line in lines] for lines in cues.texts]
    lines = [line for text in texts for line in text]
    if arrows := sum(ARROW in line for text in cues.texts for line in text):
        told.append(f"{count(arrows, 'line', 'lines')} with `-->`: written `->`.")
    if marked := sum(_MARKUP.search(line) is not None for line in lines):
        told.append(
            f"{count(marked, 'line', 'lines')} with text that readers of SubRip take for markup "
            "and leave out."
        )
    parts = []
    for number, ((start, end), text) in enumerate(zip(cues.spans, texts, strict=True), 1):
        payload = "".join(line + "\n" for line in text)
        parts.append(f"{number}\n{_stamp(start)} --> {_stamp(end)}\n{payload}")
    write_text_aside(path, "\n".join(parts))
    return tuple(told)


def _stamp(ms: int) -> str:
    return f"{format_time(ms * MS, 3):0>12}".replace(".", ",")
