"""Matroska chapters as XML, the form that mkvtoolnix reads and writes.

Sources: RFC 9559, "Chapters" (nanoseconds, editions, nesting, chapters of no length
as bookmarks); the element names of the XML are those of mkvtoolnix. An XML with its own
entities is refused: no chapter file needs them, and they can be made to fill the memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat
from xml.sax.saxutils import escape

from vidseg.disk.atomic_write import write_text_aside
from vidseg.disk.digests import bytes_sha256
from vidseg.formats.text_file import read_bytes
from vidseg.formats.timed_rows import TimedRow, count, timed_rows
from vidseg.model.annotation import Mark, Sheet
from vidseg.model.bounds import DEEPEST, MOST_ROWS, too_many_rows
from vidseg.model.clock import format_time, parse_time
from vidseg.model.problem import FormatError, Problem

_TIME = re.compile(r"[0-9]{1,6}:[0-5][0-9]:[0-5][0-9](?:\.[0-9]{1,9})?")


@dataclass(slots=True)
class _Atom:
    """A ChapterAtom as written; ``titles`` in order, ``depth`` 0 for the outermost."""

    line: int
    depth: int
    start: str = ""
    end: str = ""
    titles: list[str] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)
    linked: bool = False


@dataclass(slots=True)
class _Edition:
    line: int
    default: bool = False
    atoms: list[_Atom] = field(default_factory=list)


class _Reader:
    """Handlers for one parse; keeps the line of every chapter."""

    def __init__(self, source: str, size: int) -> None:
        self.source, self.size = source, size
        self.editions: list[_Edition] = []
        self.open: list[_Atom] = []
        self.path: list[str] = []
        self.text: list[str] = []
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.text.append
        self.parser.StartDoctypeDeclHandler = self.doctype
        self.parser.SkippedEntityHandler = self.skipped

    @property
    def line(self) -> int:
        return int(self.parser.CurrentLineNumber)

    def doctype(self, name: str, system: str | None, public: str | None, internal: bool) -> None:
        if internal:
            raise FormatError(
                self.source,
                self.line,
                "the XML defines entities or a document type of its own, which no chapter file "
                "needs; it is not read: delete the part in [ ] after DOCTYPE",
            )

    def skipped(self, name: str, parameter: bool) -> None:
        raise FormatError(self.source, self.line, f"the entity &{name}; is not defined in XML")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if not self.path and name != "Chapters":
            raise FormatError(
                self.source, self.line, f"expected <Chapters>, found <{name}>: no Matroska chapters"
            )
        parent = self.path[-1] if self.path else ""
        if name == "EditionEntry" and parent == "Chapters":
            self.editions.append(_Edition(self.line))
        elif name == "ChapterAtom":
            if parent not in ("EditionEntry", "ChapterAtom") or not self.editions:
                raise FormatError(
                    self.source, self.line, f"a <ChapterAtom> must not stand in <{parent}>"
                )
            if len(self.open) >= DEEPEST:
                raise FormatError(
                    self.source,
                    self.line,
                    f"chapters lie in one another more than {DEEPEST} deep; no player shows that",
                )
            if len(self.editions[-1].atoms) >= MOST_ROWS:
                raise too_many_rows(self.source, f"{self.size / 1e6:.1f} MB")
            atom = _Atom(self.line, len(self.open))
            self.editions[-1].atoms.append(atom)
            self.open.append(atom)
        self.path.append(name)
        self.text.clear()

    def end(self, name: str) -> None:
        text = "".join(self.text).strip()
        self.text.clear()
        self.path.pop()
        parent = self.path[-1] if self.path else ""
        if name == "ChapterAtom":
            self.open.pop()
        elif name == "EditionFlagDefault" and parent == "EditionEntry":
            self.editions[-1].default = text == "1"
        elif name == "ChapterString" and parent == "ChapterDisplay" and self.open:
            self.open[-1].titles.append(text)
        elif parent == "ChapterAtom":
            self.fact(name, text, self.open[-1])

    def fact(self, name: str, text: str, atom: _Atom) -> None:
        if name == "ChapterTimeStart":
            atom.start = text
        elif name == "ChapterTimeEnd":
            atom.end = text
        elif (name, text) == ("ChapterFlagHidden", "1"):
            atom.flags.append("hidden")
        elif (name, text) == ("ChapterFlagEnabled", "0"):
            atom.flags.append("disabled")
        elif name in ("ChapterSegmentUUID", "ChapterSegmentUID"):
            atom.linked = True


def read(path: Path) -> Sheet:
    """Read Matroska chapter XML; nested chapters become rows of their own, after their parent.

    Of several editions the default one is read (RFC 9559, "Default Edition": the first flagged
    default, else the first). A chapter that ends where it starts is a point. ``starts_only`` is
    True where no chapter has an end and none is nested. Raises FormatError for a file that is
    no such XML.
    """
    edition, problems = _edition(path)
    atoms = edition.atoms if edition is not None else []
    marks = [mark for atom in atoms if (mark := _mark(atom, path.name, problems)) is not None]
    flagged = [atom for atom in atoms if atom.flags]
    if flagged:
        _tell_unread(
            problems,
            path.name,
            flagged[0].line,
            f"{count(len(flagged), 'chapter is', 'chapters are')} flagged hidden or disabled; read "
            "like the others",
        )
    translated = [atom for atom in atoms if len(atom.titles) > 1]
    if translated:
        _tell_unread(
            problems,
            path.name,
            translated[0].line,
            f"{count(len(translated), 'chapter has', 'chapters have')} several titles; the first "
            "is read",
        )
    starts_only = bool(atoms) and not any(atom.end or atom.depth for atom in atoms)
    return Sheet(path.name, tuple(marks), tuple(problems), starts_only)


def _edition(path: Path) -> tuple[_Edition | None, list[Problem]]:
    data = read_bytes(path)
    reader = _Reader(path.name, len(data))
    try:
        reader.parser.Parse(data, True)
    except expat.ExpatError as error:
        reason = f"not valid XML at column {error.offset + 1}: {expat.errors.messages[error.code]}"
        raise FormatError(path.name, error.lineno, reason) from None
    except (LookupError, ValueError) as error:
        raise FormatError(path.name, 1, f"the encoding cannot be read: {error}") from None
    editions = reader.editions
    if not editions:
        return None, []
    chosen = next((edition for edition in editions if edition.default), editions[0])
    if len(editions) == 1:
        return chosen, []
    message = (
        f"the file holds {len(editions)} editions (sets of chapters); the one in line "
        f"{chosen.line} is read, players take it by default: delete the others or mark the right "
        "one with <EditionFlagDefault>1</EditionFlagDefault>"
    )
    return chosen, [Problem.of("several-editions", message, path.name, chosen.line)]


def _mark(atom: _Atom, source: str, problems: list[Problem]) -> Mark | None:
    found: list[tuple[str, str]] = []
    title = atom.titles[0] if atom.titles else ""
    if not title:
        found.append(("no-label", "the chapter has no title (ChapterDisplay/ChapterString)"))
    if atom.linked:
        found.append(("bad-row", "the chapter lies in another file (ChapterSegmentUUID)"))
    start = _time(atom.start, "ChapterTimeStart", found) if atom.start else None
    if not atom.start:
        found.append(("no-start", f"the chapter {title!r} has no ChapterTimeStart"))
    end = _time(atom.end, "ChapterTimeEnd", found) if atom.end else None
    if start is not None and end is not None and end < start:
        text = f"the chapter {title!r} ends at {atom.end}, before its start at {atom.start}"
        found.append(("ends-before-start", text))
    problems += [
        Problem.of(code, f"{text}; it is left out", source, atom.line) for code, text in found
    ]
    if found or start is None:
        return None
    return Mark(title, start, None if end == start else end, "", source, atom.line)


def _time(text: str, name: str, found: list[tuple[str, str]]) -> int | None:
    if _TIME.fullmatch(text):
        return parse_time(text)
    found.append(
        ("bad-time", f"{name} {text[:40]!r} is no time; expected hh:mm:ss with up to nine decimals")
    )
    return None


def _tell_unread(problems: list[Problem], source: str, line: int, message: str) -> None:
    problems.append(Problem.of("unread-part", message, source, line))


def write(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Write ``sheet_text`` to ``path``; returns its sentences."""
    text, told = sheet_text(sheet)
    write_text_aside(path, text)
    return told


def sheet_text(sheet: Sheet) -> tuple[str, tuple[str, ...]]:
    """Give a sheet as one edition of Matroska chapters, exact to the nanosecond.

    Rows inside another are nested in it; a point ends where it starts; lists of starts only
    get no ends. Gives sentences beside it on what chapters could not hold. Raises UsageError
    for rows written as frame numbers or timecode.
    """
    rows, told = timed_rows(sheet, "Matroska chapter XML")
    if notes := sum(bool(row.note) for row in rows):
        told.append(f"Not held: the notes of {count(notes, 'row', 'rows')}.")
    if opened := sum(row.open_end for row in rows):
        told.append(
            f"{count(opened, 'open end', 'open ends')}: written as a chapter without an end."
        )
    flat = sheet.starts_only
    depths, crossing = _nest(rows) if not flat else ([0] * len(rows), 0)
    if nested := sum(depth > 0 for depth in depths):
        told.append(
            f"{count(nested, 'chapter', 'chapters')} inside another: nested, as RFC 9559 has it; "
            "players that know no nesting show the outer ones only."
        )
    if crossing:
        told.append(
            f"{count(crossing, 'chapter', 'chapters')} partly over an earlier one: players may "
            "cut the earlier one short (RFC 9559)."
        )
    parts = ['<?xml version="1.0" encoding="UTF-8"?>\n<Chapters>\n']
    if rows:
        parts.append(f"  <EditionEntry>\n    <EditionUID>{_uid('edition', rows)}</EditionUID>\n")
        parts.extend(_atoms(rows, depths, with_ends=not flat))
        parts.append("  </EditionEntry>\n")
    return "".join([*parts, "</Chapters>\n"]), tuple(told)


def _nest(rows: list[TimedRow]) -> tuple[list[int], int]:
    """Give the depth of every row, and how many overlap an earlier one without lying in it."""
    depths: list[int] = []
    around: list[TimedRow] = []
    latest = [0]
    crossing = 0
    for row in rows:
        while around and not _inside(row, around[-1]):
            around.pop()
            latest.pop()
        crossing += row.start < latest[-1]
        depths.append(len(around))
        end = row.start if row.end is None else row.end
        latest[-1] = max(latest[-1], end)
        around.append(row)
        latest.append(row.start)
    return depths, crossing


def _inside(row: TimedRow, other: TimedRow) -> bool:
    """Say whether a row that starts no earlier than ``other`` lies inside it."""
    if other.end is None or row.open_end:
        return False
    end = row.start if row.end is None else row.end
    return row.start < other.end and end <= other.end


def _atoms(rows: list[TimedRow], depths: list[int], *, with_ends: bool) -> Iterator[str]:
    for number, (row, depth) in enumerate(zip(rows, depths, strict=True)):
        pad = "  " * (depth + 2)
        yield f"{pad}<ChapterAtom>\n"
        yield f"{pad}  <ChapterUID>{_uid(number, row)}</ChapterUID>\n"
        yield f"{pad}  <ChapterTimeStart>{_stamp(row.start)}</ChapterTimeStart>\n"
        if with_ends and not row.open_end:
            end = row.start if row.end is None else row.end
            yield f"{pad}  <ChapterTimeEnd>{_stamp(end)}</ChapterTimeEnd>\n"
        yield (
            f"{pad}  <ChapterDisplay>\n"
            f"{pad}    <ChapterString>{escape(row.label)}</ChapterString>\n"
            f"{pad}    <ChapterLanguage>und</ChapterLanguage>\n"
            f"{pad}    <ChapLanguageIETF>und</ChapLanguageIETF>\n"
            f"{pad}  </ChapterDisplay>\n"
        )
        following = depths[number + 1] if number + 1 < len(depths) else 0
        for closing in range(depth, following - 1, -1):
            yield "  " * (closing + 2) + "</ChapterAtom>\n"


def _stamp(ns: int) -> str:
    return f"{format_time(ns, 9):0>18}"


def _uid(*of: object) -> int:
    """Make a number that is the same every time, not zero, and unlike others (RFC 9559: 64 bit)."""
    return int(bytes_sha256(repr(of).encode())[:16], 16) >> 1 or 1
