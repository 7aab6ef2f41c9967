"""WebVTT: as a step annotation (a cue is a row) and as captions.

Source: W3C, WebVTT: The Web Video Text Tracks Format, the syntax of section 4 (what a file
must look like), not the forgiving parser of section 6. Cue identifiers, placement, styles,
regions, comments and markup carry no part of an annotation and are not kept.
"""

from __future__ import annotations

import html
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
from vidseg.model.transcript import UNSURE, Transcript

_STAMP = r"(?:[0-9]{2,6}:)?[0-5][0-9]:[0-5][0-9]\.[0-9]{3}"
_TIMING = re.compile(rf"({_STAMP})[ \t]+-->[ \t]+({_STAMP})(?:[ \t]+(.*))?", re.DOTALL)
_SIGNATURE = re.compile(r"WEBVTT(?:[ \t].*)?", re.DOTALL)
_COMMENT = re.compile(r"NOTE(?:[ \t].*)?", re.DOTALL)
_LANGUAGE = re.compile(r"Language:[ \t]*(\S+)[ \t]*")
_TAG = re.compile(rf"</?(?:c|i|b|u|ruby|rt|v|lang)(?:\.[^\s<>&.]+)*(?:[ \t][^>\n]*)?>|<{_STAMP}>")
_REFERENCE = re.compile(r"&(?:#[0-9]+|#[xX][0-9A-Fa-f]+|[A-Za-z][A-Za-z0-9]*);")
_PERCENT = r"(?:100(?:\.0+)?|[0-9]{1,2}(?:\.[0-9]+)?)%"
_SETTINGS = {
    "vertical": re.compile(r"rl|lr"),
    "line": re.compile(rf"(?:{_PERCENT}|-?[0-9]+)(?:,(?:start|center|end))?"),
    "position": re.compile(rf"{_PERCENT}(?:,(?:line-left|center|line-right))?"),
    "size": re.compile(_PERCENT),
    "align": re.compile(r"start|center|end|left|right"),
    "region": re.compile(r"\S+"),
}
_HEARD = (
    "Heard by a speech recogniser, nobody has compared it with the sound. It was less than half\n"
    "sure of words marked unsure."
)
_EXPECTED = (
    "expected `mm:ss.ttt --> mm:ss.ttt` or `hh:mm:ss.ttt --> hh:mm:ss.ttt`, minutes and seconds "
    "to 59, three decimals after a point, a space on both sides of the arrow"
)


@dataclass(slots=True)
class _File:
    """What is gathered while one file is read."""

    source: str
    cues: list[TimedText] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    identifiers: set[str] = field(default_factory=set)
    language: str = ""
    last_start: int | None = None

    def say(self, code: str, line: int, message: str) -> None:
        self.problems.append(Problem.of(code, message, self.source, line))

    def say_loose(self, line: int, message: str) -> None:
        self.problems.append(Problem.of("loose-cue", message, self.source, line))


def read(path: Path) -> Sheet:
    """Read a WebVTT file as a step annotation: first line of a cue the label, others the note.

    Cues may overlap. Malformed cues are problems; raises FormatError where the file is no
    text or does not start with ``WEBVTT``.
    """
    found = _read_file(path)
    return to_sheet(found.source, found.cues, found.problems)


def read_captions(path: Path) -> Captions:
    """Read a WebVTT file as captions, markup taken off; errors as for ``read``.

    ``language`` comes from a ``Language:`` line below the signature (common practice, not in
    the standard).
    """
    found = _read_file(path)
    return to_captions(found.source, found.cues, found.problems, found.language)


def _read_file(path: Path) -> _File:
    lines = read_lines(path)
    if not _SIGNATURE.fullmatch(lines[0]):
        raise FormatError(
            path.name, 1, f"the first line must be `WEBVTT`, not {lines[0][:60]!r}: no WebVTT file"
        )
    found = _File(path.name)
    first = 1
    while first < len(lines) and lines[first] and ARROW not in lines[first]:
        if match := _LANGUAGE.fullmatch(lines[first]):
            found.language = match[1]
        first += 1
    if unread := [text for text in lines[1:first] if not re.match(r"(Kind|Language):", text)]:
        found.problems.append(
            Problem.of(
                "unread-part",
                f"the lines below `WEBVTT` are not used, the first is {unread[0][:60]!r}",
                path.name,
                lines.index(unread[0]) + 1,
            )
        )
    if first < len(lines) and lines[first]:
        found.say("bad-cue", first + 1, "a blank line must stand between `WEBVTT` and this cue")
    for block in blocks(lines[first:], first + 1):
        _read_block(block, found)
    return found


def _read_block(block: Block, found: _File) -> None:
    line, text = block[0]
    arrows = arrow_lines(block)
    if _COMMENT.fullmatch(text):
        if arrows:
            found.say(
                "bad-cue",
                block[arrows[0]][0],
                "a comment must not hold `-->`: players take it for a cue; it is left out here, "
                "delete the comment or its `NOTE`",
            )
    elif text.rstrip(" \t") in ("STYLE", "REGION") and not arrows:
        if found.last_start is not None:
            found.say_loose(line, f"a {text.strip()} block must stand before the first cue")
    elif not arrows:
        found.say(
            "bad-cue",
            line,
            f"{text[:60]!r} belongs to no cue: no timing line stands with it; a blank line ends a "
            "cue, so there must be none within its text",
        )
    else:
        if arrows[0] > 1:
            found.say(
                "bad-cue",
                line,
                f"{arrows[0]} lines stand before the timing line; expected one at most",
            )
        elif arrows[0] == 1:
            if text in found.identifiers:
                found.say_loose(line, f"the cue identifier {text[:60]!r} stands twice")
            found.identifiers.add(text)
        for place, following in zip(arrows, [*arrows[1:], len(block)], strict=True):
            if place != arrows[0]:
                found.say("bad-cue", block[place][0], "a blank line must stand before each cue")
            _read_cue(block[place], [text for _, text in block[place + 1 : following]], found)


def _read_cue(timing: tuple[int, str], payload: list[str], found: _File) -> None:
    line, text = timing
    match = _TIMING.fullmatch(text)
    if match is None:
        found.say("bad-cue", line, f"{text[:80]!r} is no timing line; {_EXPECTED}")
        return
    start, end = parse_time(match[1]), parse_time(match[2])
    if found.last_start is not None and start < found.last_start:
        found.say(
            "cue-order",
            line,
            f"the cue starts at {format_time(start)}, before the cue above it "
            f"({format_time(found.last_start)}); WebVTT has cues in order of start: correct the "
            "time or move the cue",
        )
    found.last_start = start
    _check_settings(match[3] or "", line, found)
    stripped = _TAG.sub("", "\n".join(payload))
    if "<" in stripped:
        found.say_loose(
            line,
            "the cue holds `<` that opens no WebVTT tag; it is kept as text, in WebVTT it is "
            "written `&lt;`",
        )
    if ends_after_start(found.source, line, start, end, found.problems):
        plain = _REFERENCE.sub(lambda match: html.unescape(match[0]), stripped)
        found.cues.append(TimedText(start, end, plain, line))


def _check_settings(text: str, line: int, found: _File) -> None:
    names: set[str] = set()
    for setting in text.split():
        name, _, value = setting.partition(":")
        pattern = _SETTINGS.get(name)
        if pattern is None or not pattern.fullmatch(value) or name in names:
            found.say_loose(line, f"{setting[:60]!r} is no cue setting of WebVTT; it is not used")
        names.add(name)


def write(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Write ``sheet_text`` to ``path``; returns its sentences."""
    text, told = sheet_text(sheet)
    write_text_aside(path, text)
    return told


def sheet_text(sheet: Sheet) -> tuple[str, tuple[str, ...]]:
    """Give a sheet as WebVTT: label, then the note, a line each. Times in milliseconds.

    Gives sentences beside it on what WebVTT could not hold. Raises UsageError where a row cannot be
    expressed at all: frame numbers, timecodes, open ends, lists of starts only.
    """
    cues = sheet_cues(sheet, "WebVTT")
    if crossing := _crossings(cues.spans):
        cues.told.append(
            f"{count(crossing, 'cue', 'cues')} partly over an earlier one: allowed in WebVTT, but "
            "in a file of chapters cues may only nest."
        )
    return _text(cues), tuple(cues.told)


def write_captions(captions: Captions, path: Path) -> tuple[str, ...]:
    """Write captions as WebVTT, in order of start; returns what WebVTT could not hold."""
    cues = caption_cues(captions, "WebVTT")
    write_text_aside(path, _text(cues))
    return tuple(cues.told)


def write_transcript(transcript: Transcript, path: Path, *, word_times: bool = False) -> None:
    """Write what was heard: words of which the recogniser is unsure in ``<c.unsure>``.

    ``word_times`` writes the start of each word but a cue's first before it (a cue timestamp).
    """
    head = f"WEBVTT\nLanguage: {transcript.language}\n" if transcript.language else "WEBVTT\n"
    parts = [head, f"\nNOTE\n{_HEARD} Model: {transcript.model}.\n"]
    for cue in transcript.cues:
        start, end = cue.span.start // MS, -(-cue.span.end // MS)
        shown = start
        lines = []
        for line in cue.lines:
            words = []
            for word in line:
                text = html.escape(word.text, quote=False)
                text = f"<c.unsure>{text}</c>" if word.sure < UNSURE else text
                at = word.span.start // MS
                if word_times and shown < at < end:
                    text, shown = f"<{_stamp(at)}>{text}", at
                words.append(text)
            lines.append(" ".join(words) + "\n")
        parts.append(f"\n{_stamp(start)} --> {_stamp(end)}\n" + "".join(lines))
    write_text_aside(path, "".join(parts))


def _text(cues: CueRows) -> str:
    parts = ["WEBVTT\n"]
    for (start, end), lines in zip(cues.spans, cues.texts, strict=True):
        payload = "".join(html.escape(line, quote=False) + "\n" for line in lines)
        parts.append(f"\n{_stamp(start)} --> {_stamp(end)}\n{payload}")
    return "".join(parts)


def _stamp(ms: int) -> str:
    return f"{format_time(ms * MS, 3):0>12}"


def _crossings(spans: list[tuple[int, int]]) -> int:
    """Count the cues that overlap an earlier one without lying inside it."""
    running: list[int] = []
    found = 0
    for start, end in spans:
        running = [other for other in running if other > start]
        found += any(other < end for other in running)
        running.append(end)
    return found
