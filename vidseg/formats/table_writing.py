"""A sheet as the header and rows of a table, and what a table cannot hold of it."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from vidseg.formats.moment import moment_text, parse_moment
from vidseg.formats.table_columns import role_of
from vidseg.formats.timed_rows import count
from vidseg.model.annotation import Edge, Mark, Moment, Sheet
from vidseg.model.problem import UsageError

REPLACEMENT = "\ufffd"
"""Stands for a character that text files and spreadsheets cannot hold (U+FFFD)."""

_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


@dataclass(frozen=True, slots=True)
class Table:
    """What is to be written: rows of moments (start and, where there are ends, end) and texts."""

    header: tuple[str, ...]
    rows: tuple[tuple[tuple[Moment | Edge | None, ...], tuple[str, ...]], ...]
    told: tuple[str, ...]


def writable(text: str) -> str:
    """Replace what no text file can hold (control characters, halves of a pair) by U+FFFD.

    Line breaks become ``\\n``, whatever they were.
    """
    return _UNWRITABLE.sub(REPLACEMENT, text.replace("\r\n", "\n").replace("\r", "\n"))


def refuse_unreadable(sheet: Sheet, target: str) -> None:
    """Raise UsageError, naming the rows, where a row could not be read back at all."""
    refused = [
        f"row {number} ({mark.label!r}) {fault}"
        for number, mark in enumerate(sheet.marks, 1)
        if (fault := _fault(mark))
    ]
    if refused:
        shown = "; ".join(refused[:5]) + (f"; and {len(refused) - 5} more" if refused[5:] else "")
        raise UsageError(f"{target} cannot hold {count(len(refused), 'row', 'rows')}: {shown}")


def _fault(mark: Mark) -> str:
    if not mark.label.strip():
        return "has no label"
    for moment in (mark.start, mark.end):
        try:
            sound = moment is None or parse_moment(moment_text(moment)) == moment
        except ValueError:
            sound = False
        if not sound:
            return f"has a time that cannot be written: {moment_text(moment)}"
    return ""


def table_of(sheet: Sheet) -> Table:
    """Lay a sheet out as ``start,end,step,note``, the case where it has one, and its attributes.

    Raises UsageError where a row could not be read back.
    """
    refuse_unreadable(sheet, "a table")
    told: list[str] = []
    extras = _extra_columns(sheet, told)
    changed = 0
    rows = []
    for mark in sheet.marks:
        attributes: dict[str, str] = {}
        for name, value in mark.attributes:
            attributes.setdefault(name, value)
        texts = [mark.label, mark.note, *([sheet.case] if sheet.case else [])]
        texts += [attributes.get(name, "") for name in extras]
        written = tuple(writable(text).strip() for text in texts)
        changed += written != tuple(texts)
        rows.append(((mark.start,) if sheet.starts_only else (mark.start, mark.end), written))
    if changed:
        told.append(
            f"{count(changed, 'row', 'rows')} with spaces around a text, carriage returns, or "
            f"characters that no text file holds: written without the spaces, with plain line "
            f"breaks, and with {REPLACEMENT}."
        )
    told += lost_facts(sheet, case_held=bool(rows))
    edges = ("start",) if sheet.starts_only else ("start", "end")
    case = ("case",) if sheet.case else ()
    return Table((*edges, "step", "note", *case, *extras.values()), tuple(rows), tuple(told))


def lost_facts(sheet: Sheet, *, case_held: bool) -> list[str]:
    """Say which facts about the whole sheet a list of rows does not hold."""
    told: list[str] = []
    names = ["procedure", "annotator", *([] if case_held else ["case"])]
    if missing := [name for name in names if getattr(sheet, name)]:
        told.append(f"Not held: the name of the {', the '.join(missing)}.")
    if sheet.starts_only and (ends := sum(mark.end is not None for mark in sheet.marks)):
        told.append(f"Not held: {count(ends, 'end', 'ends')} in a list of starts only.")
    return told


def _extra_columns(sheet: Sheet, told: list[str]) -> dict[str, str]:
    """Give the columns of the attributes: attribute name to header, in order of appearance.

    A name that would be read as another column is written with ``extra`` before it.
    """
    frames = {"start_frame"} if sheet.starts_only else {"start_frame", "end_frame"}
    columns: dict[str, str] = {}
    taken: set[str] = set()
    names = dict.fromkeys(name for mark in sheet.marks for name, _ in mark.attributes)
    for name in names:
        header = writable(name).strip()
        role = role_of(header)
        while not header or header in taken or (role is not None and role not in frames):
            header = f"extra {header}".strip()
            role = role_of(header)
        # two frame columns of one edge would clash
        if role is not None:
            frames.discard(role)
        taken.add(header)
        columns[name] = header
        if header != name:
            told.append(f"The extra column {name!r} is written as {header!r}.")
    repeated = sum(
        any(times > 1 for times in Counter(name for name, _ in mark.attributes).values())
        for mark in sheet.marks
    )
    if repeated:
        told.append(
            f"{count(repeated, 'row has', 'rows have')} an extra column twice: the first is kept."
        )
    return columns
