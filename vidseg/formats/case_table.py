"""A table of cases (CSV, TSV, XLSX): facts and covariates, a row for each case or annotation.

Columns in any order and case (``HEADER_WORDS``): ``case``, or ``annotation`` with the name of an
annotation file; ``recording`` and ``captions``, names of files; ``length``, or ``frames`` and
``rate``; ``surgeon``, ``role``, ``experience``, ``case_number``, ``date``, ``complete``,
``annotator``, ``procedure``. Every other column is a covariate. A column named like something that
identifies a patient is refused, its values unread.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from vidseg.formats import workbook
from vidseg.formats.case_file import is_identifying
from vidseg.formats.own_toml import Fault, join_faults
from vidseg.formats.text_file import read_text
from vidseg.model.bounds import (
    MOST_CASES,
    MOST_FRAMES,
    at_most_rows,
    bounded_ns,
    parse_rate,
    usable_path,
    whole_number,
)
from vidseg.model.clock import frame_to_ns, parse_time
from vidseg.model.problem import FormatError
from vidseg.model.procedure import fold
from vidseg.model.record import CaseFacts

HEADER_WORDS: dict[str, tuple[str, ...]] = {
    "case": ("case", "id", "case id", "video", "VideoID", "video name"),
    "annotation": ("annotation", "annotation file", "file", "file name"),
    "recording": ("recording", "recordings", "recording file"),
    "captions": ("captions", "captions file"),
    "annotator": ("annotator", "annotated by", "rater", "coder"),
    "procedure": ("procedure", "vocabulary"),
    "length": ("length", "length (s)", "duration", "duration (s)"),
    "frames": ("frames", "number of frames"),
    "rate": ("rate", "fps", "frame rate", "frames per second"),
    "surgeon": ("surgeon", "operator"),
    "role": ("role",),
    "experience": ("experience", "level of experience"),
    "case_number": ("case number", "case no", "number in series"),
    "date": ("date", "date of operation"),
    "complete": ("complete", "complete recording"),
}
"""Every word that names a column, by what it names."""
_ROLES = {fold(word): role for role, words in HEADER_WORDS.items() for word in words}
_DATE = re.compile(r"[0-9]{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12][0-9]|3[01]))?)?")
_YES = {"yes", "true", "1", "y"}
_NO = {"no", "false", "0", "n"}


@dataclass(frozen=True, slots=True)
class CaseRow:
    """One row. ``case``, ``annotation`` or ``recording`` is filled, the others where told."""

    line: int
    case: str = ""
    annotation: str = ""
    recording: str = ""
    captions: str = ""
    annotator: str = ""
    procedure: str = ""
    rate: Fraction | None = None
    length_ns: int | None = None
    facts: CaseFacts = field(default_factory=CaseFacts)


def read_case_table(path: Path) -> tuple[CaseRow, ...]:
    """Read a table of cases. Raises FormatError that lists everything wrong in it, with lines."""
    found, faults = read_case_rows(path, ("case", "annotation"))
    _refuse_contradictions(found, faults)
    if faults:
        raise join_faults(path.name, faults)
    return tuple(found)


def read_case_rows(path: Path, naming: Sequence[str]) -> tuple[list[CaseRow], list[Fault]]:
    """Read a table of cases; give its rows, and what is wrong with some of them, with lines.

    ``naming`` are the columns of which one must be there, and be filled in each row. Raises
    FormatError where the table cannot be read or its header not be used.
    """
    rows = _workbook_rows(path) if path.suffix.lower() == ".xlsx" else _text_rows(path)
    if not rows:
        raise FormatError(path.name, None, "holds no rows; expected a header and a row per case")
    (header_line, header), *body = rows
    columns = _columns(header, path.name, header_line, naming)
    faults: list[Fault] = []
    found: list[CaseRow] = []
    for line, cells in body:
        if not any(cells):
            continue
        told = {columns[place]: cell for place, cell in enumerate(cells[: len(columns)]) if cell}
        if any(cells[len(columns) :]):
            faults.append((line, f"the row has more cells than the header ({len(columns)})"))
        if not any(told.get(name) for name in naming):
            faults.append((line, f"the row names no {' and no '.join(naming)}"))
        found.append(_row(line, told, faults))
    return found, faults


def _text_rows(path: Path) -> list[tuple[int, list[str]]]:
    text = read_text(path)
    first = text.lstrip("\ufeff").split("\n", 1)[0]
    delimiter = max("\t;|,", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    try:
        return [
            (reader.line_num, [cell.strip().lstrip("\ufeff") for cell in cells])
            for cells in at_most_rows(reader, path.name, len(text))
            if any(cell.strip() for cell in cells)
        ]
    except csv.Error as error:
        raise FormatError(path.name, reader.line_num, f"the row cannot be split: {error}") from None


def _workbook_rows(path: Path) -> list[tuple[int, list[str]]]:
    grids = [grid for grid in workbook.read_grids(path).values() if grid]
    if not grids:
        return []
    # a date keeps midnight as its time of day, which says nothing
    return [
        (line, [re.sub(r"^(\d{4}-\d\d-\d\d) 00:00:00$", r"\1", cell.text) for cell in cells])
        for line, cells in grids[0]
        if any(cell.text for cell in cells)
    ]


def _columns(header: Sequence[str], source: str, line: int, naming: Sequence[str]) -> list[str]:
    """Give for each column the role it has, or ``=name`` for a covariate. Raises FormatError."""
    faults: list[Fault] = []
    columns: list[str] = []
    for place, name in enumerate(header, 1):
        role = _ROLES.get(fold(name), f"={name}")
        if not name:
            faults.append((line, f"column {place} has no name"))
        elif role[0] == "=" and is_identifying(name):
            faults.append(
                (line, f"no patient identifier belongs in a library; take the column {name!r} out")
            )
        elif role in columns:
            faults.append((line, f"the column {name!r} stands for the same as one before it"))
        columns.append(role)
    if not set(naming) & set(columns):
        wanted = " or ".join(f"`{name}`" for name in naming)
        faults.append((line, f"a column {wanted} is missing"))
    if ("frames" in columns) and "rate" not in columns:
        faults.append((line, "a column `frames` needs a column `rate` (frames a second)"))
    if faults:
        raise join_faults(source, faults)
    return columns


def _row(line: int, told: Mapping[str, str], faults: list[Fault]) -> CaseRow:
    def say(role: str, expected: str) -> None:
        faults.append((line, f"{role}: {told[role]!r}; expected {expected}"))

    for name in ("annotation", "captions", "procedure"):
        try:
            usable_path(told.get(name, ""))
        except ValueError as error:
            faults.append((line, f"{name}: {error}"))
    rate = length = number = None
    complete = None
    if "rate" in told:
        try:
            rate = parse_rate(told["rate"])
        except ValueError as error:
            faults.append((line, f"rate: {error}"))
    if "length" in told:
        try:
            length = parse_time(told["length"])
        except ValueError as error:
            faults.append((line, f"length: {error}"))
    if "frames" in told:
        frames = whole_number(told["frames"], MOST_FRAMES)
        if frames is None:
            say("frames", f"a whole number up to {MOST_FRAMES:,}")
        elif rate is not None and length is None:
            try:
                length = bounded_ns(frame_to_ns(frames, rate), told["frames"] + " frames")
            except ValueError as error:
                faults.append((line, f"frames: {error}"))
    if "case_number" in told:
        number = whole_number(told["case_number"], MOST_CASES)
        if not number:
            say("case_number", f"a whole number from 1 to {MOST_CASES:,}")
    if "date" in told and _DATE.fullmatch(told["date"]) is None:
        say("date", "a year or month is best (2024, 2024-05), 2024-05-31 at most")
    if "complete" in told:
        if told["complete"].casefold() in _YES | _NO:
            complete = told["complete"].casefold() in _YES
        else:
            say("complete", "yes or no")
    facts = CaseFacts(
        surgeon=told.get("surgeon", ""),
        role=told.get("role", ""),
        experience=told.get("experience", ""),
        case_number=number,
        date=told.get("date", ""),
        complete=complete,
        covariates=tuple((key[1:], value) for key, value in told.items() if key[0] == "="),
    )
    return CaseRow(
        line,
        told.get("case", ""),
        told.get("annotation", ""),
        told.get("recording", ""),
        told.get("captions", ""),
        told.get("annotator", ""),
        told.get("procedure", ""),
        rate,
        length,
        facts,
    )


def _refuse_contradictions(rows: Sequence[CaseRow], faults: list[Fault]) -> None:
    """Tell rows that name the same annotation twice, or one case with different facts."""
    seen: dict[tuple[str, str, str, str], int] = {}
    facts: dict[str, CaseRow] = {}
    for row in rows:
        key = (row.case, row.annotation, row.annotator, row.procedure)
        if key in seen:
            faults.append((row.line, f"stands for the same as line {seen[key]}"))
        seen.setdefault(key, row.line)
        before = facts.setdefault(row.case, row) if row.case else row
        if before.facts != row.facts:
            faults.append(
                (row.line, f"case {row.case!r} has other facts here than on line {before.line}")
            )
