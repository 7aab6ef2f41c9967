"""What WebVTT and SubRip share: lines, blocks, and one cue read as a row or as a caption."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from vidseg.formats.text_file import read_text
from vidseg.model.annotation import Cue, Mark, Sheet
from vidseg.model.bounds import MOST_ROWS, too_many_rows
from vidseg.model.clock import format_time
from vidseg.model.problem import Problem
from vidseg.model.recording import Captions
from vidseg.model.span import Span

ARROW = "-->"
LINE_END = re.compile(r"\r\n|\r|\n")

Block = list[tuple[int, str]]
"""Lines that stand together between blank ones, each with its number from 1."""


@dataclass(frozen=True, slots=True)
class TimedText:
    """One cue of a file: ``start`` and ``end`` in ns, plain ``text``, ``line`` of its timing."""

    start: int
    end: int
    text: str
    line: int


def read_lines(path: Path) -> list[str]:
    """Read a text file as lines, ended by LF, CR LF or CR.

    Raises FormatError as ``read_text`` does, and where too many of them hold an arrow.
    """
    text = read_text(path)
    if text.count(ARROW) > MOST_ROWS:
        raise too_many_rows(path.name, f"{text.count(ARROW):,} cues")
    return LINE_END.split(text)


def blocks(lines: Sequence[str], first: int = 1) -> Iterator[Block]:
    """Yield the runs of lines between empty ones; the first line has the number ``first``."""
    block: Block = []
    for number, text in enumerate(lines, first):
        if text:
            block.append((number, text))
        elif block:
            yield block
            block = []
    if block:
        yield block


def arrow_lines(block: Block) -> list[int]:
    """Give the places in a block of the lines that hold an arrow."""
    return [place for place, (_, text) in enumerate(block) if ARROW in text]


def ends_after_start(source: str, line: int, start: int, end: int, problems: list[Problem]) -> bool:
    """Say whether a cue ends after it starts (ns), and report it where it does not."""
    if end > start:
        return True
    problems.append(
        Problem.of(
            "ends-before-start",
            f"the cue ends at {format_time(end)}, not after its start at {format_time(start)}; "
            "it is left out: write an end after the start",
            source,
            line,
        )
    )
    return False


def in_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Sort problems by line, those of one line as they came."""
    return tuple(sorted(problems, key=lambda problem: problem.line or 0))


def to_sheet(source: str, cues: Iterable[TimedText], problems: list[Problem]) -> Sheet:
    """Read cues as rows: the first line of a cue is the label, the other lines are the note."""
    marks: list[Mark] = []
    for cue in cues:
        label, _, note = cue.text.partition("\n")
        if label.strip():
            marks.append(Mark(label.strip(), cue.start, cue.end, note, source, cue.line))
            continue
        problems.append(
            Problem.of(
                "no-label",
                f"the cue at {format_time(cue.start)} has no text in its first line, where the "
                "step is expected; it is left out",
                source,
                cue.line,
            )
        )
    return Sheet(source, tuple(marks), in_order(problems))


def to_captions(
    source: str, cues: Iterable[TimedText], problems: list[Problem], language: str = ""
) -> Captions:
    """Read cues as captions: all their text, line breaks kept."""
    return Captions(
        source,
        tuple(Cue(Span(cue.start, cue.end), cue.text) for cue in cues),
        language,
        in_order(problems),
    )
