"""Comma, semicolon, tab or bar separated tables: times, frame numbers, one case or many.

Read: a header row in any order and case (``table_columns.HEADER_WORDS``), or, without a header,
``start,end,step[,note]`` or ``start,step`` in that order. Delimiter, byte-order mark, quotes
(RFC 4180) and decimal comma are recognised; blank lines, lines that start with ``#`` and a first
line ``sep=;`` (spreadsheet programs write it) are passed over. Spaces around a cell do not count.

Written: seconds with all their decimals, so that nothing is rounded. A text that would run as a
formula in a spreadsheet program is ``guarded`` by an apostrophe, which reading takes off again, so
that every text comes back as it was.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.disk.formulas import guarded, unguarded
from vidseg.formats.moment import is_moment, moment_text
from vidseg.formats.table_columns import NEEDED, ColumnPlaces, count_roles, find_columns
from vidseg.formats.table_rows import Cell, SheetRow, one_sheet, sheets_by_case
from vidseg.formats.table_writing import table_of
from vidseg.formats.text_file import read_text
from vidseg.model.annotation import Sheet
from vidseg.model.bounds import at_most_rows, shown
from vidseg.model.problem import FormatError, Problem

DELIMITERS = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma"}
"""What may stand between cells, and its name; where several fit, the first counts."""

_SEPARATOR_LINE = re.compile(r'"?sep=."?\s*')

CsvRecord = tuple[int, list[str] | csv.Error]


def read(path: Path) -> Sheet:
    """Read a table that holds one case; rows that cannot be read are problems of the sheet.

    Raises FormatError where the file is no text, is empty, or has no recognisable columns.
    """
    columns, rows, problems = _read_rows(path)
    return one_sheet(path.name, columns, sheets_by_case(path.name, columns, rows, problems))


def read_many(path: Path, case_column: str = "VideoID") -> dict[str, Sheet]:
    """Read a table that holds many cases, told apart by ``case_column``: a sheet for each.

    Rows without a case, and lines that cannot be read at all, are problems of the sheet ``""``,
    which is there only where there are such. Raises FormatError as ``read`` does, and where the
    table has no such column.
    """
    columns, rows, problems = _read_rows(path, case_column)
    sheets = sheets_by_case(path.name, columns, rows, problems)
    if "" in sheets:
        homeless = sheets.pop("")
        told = [
            Problem.of(
                "bad-row",
                f"the row names no case: column {case_column!r} is blank",
                path.name,
                mark.line,
            )
            for mark in homeless.marks
        ]
        sheets[""] = Sheet(
            path.name, (), (*homeless.problems, *told), starts_only=columns.starts_only
        )
    return sheets


def is_table(path: Path) -> bool:
    """Say whether a text file holds a table: a header with start and step, or tabs between cells.

    Raises FormatError where it is no text.
    """
    firsts = _first_records(read_text(path))
    if any(count_roles(record) >= 2 for _, record in firsts.values()):
        return True
    return "\t" in firsts and _without_header(firsts["\t"][1]) is not None


def write(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Write ``start,end,step,note`` and the extra columns; tabs where the suffix is ``.tsv``.

    A list of starts only has no column ``end``. Returns sentences on what was not held. Raises
    UsageError for rows that no table can hold (no label, a time before zero).
    """
    table = table_of(sheet)
    target = io.StringIO()
    delimiter = "\t" if path.suffix.lower() == ".tsv" else ","
    writer = csv.writer(target, delimiter=delimiter, lineterminator="\n")
    writer.writerow([guarded(name) for name in table.header])
    for moments, texts in table.rows:
        writer.writerow([*(moment_text(m) for m in moments), *(guarded(text) for text in texts)])
    write_text_aside(path, target.getvalue())
    return table.told


def _text(cell: str) -> str:
    """Give a cell's text: no spaces around, plain line breaks, the added apostrophe taken off."""
    return unguarded(cell.strip().replace("\r\n", "\n").replace("\r", "\n"))


def _read_rows(
    path: Path, case_column: str | None = None
) -> tuple[ColumnPlaces, list[SheetRow], list[Problem]]:
    text = read_text(path)
    delimiter, columns, header = _layout(text, path.name, case_column)
    rows: list[SheetRow] = []
    problems: list[Problem] = []
    for line, record in at_most_rows(_records(text, delimiter), path.name, len(text)):
        if line == header:
            continue
        fault = _fault(record, columns, delimiter)
        if fault:
            problems.append(Problem.of("bad-row", fault, path.name, line))
        elif not isinstance(record, csv.Error):
            cells = record[: len(columns.names)]
            rows.append((line, [Cell(_text(cell)) for cell in cells]))
    return columns, rows, problems


def _fault(record: list[str] | csv.Error, columns: ColumnPlaces, delimiter: str) -> str:
    """Say what is wrong with the shape of a row; empty text where nothing is."""
    if isinstance(record, csv.Error):
        return (
            f"the row cannot be split into cells ({record}); a quote that opens a cell must be "
            'closed at its end, and a quote inside is written twice ("")'
        )
    expected = len(columns.names)
    if any(cell.strip() for cell in record[expected:]):
        decimal = " (a decimal comma too)" if delimiter == "," else ""
        return (
            f"the row has {len(record)} cells where {expected} are expected; a cell that holds a "
            f"{DELIMITERS[delimiter]}{decimal} must stand in quotes"
        )
    if len(record) < columns.fewest:
        return (
            f"the row has {len(record)} cells where at least {columns.fewest} are expected "
            f"({', '.join(columns.names)}; between cells stands a {DELIMITERS[delimiter]}): "
            f"{shown(delimiter.join(record))}"
        )
    return ""


def _layout(text: str, source: str, case_column: str | None) -> tuple[str, ColumnPlaces, int]:
    """Find the delimiter, the columns, and the line of the header (0 where there is none)."""
    firsts = _first_records(text)
    if not firsts:
        raise FormatError(source, None, f"holds no rows: {NEEDED}")
    counts = {delimiter: count_roles(record) for delimiter, (_, record) in firsts.items()}
    best = max(counts, key=lambda delimiter: counts[delimiter])
    line, record = firsts[best]
    if counts[best] < 2 and case_column is None:
        found = {
            delimiter: columns
            for delimiter, (_, cells) in firsts.items()
            if (columns := _without_header(cells)) is not None
        }
        if found:
            chosen = max(found, key=lambda d: _clear_label(firsts[d][1], d))
            return chosen, found[chosen], 0
    try:
        return best, find_columns([_text(cell) for cell in record], case_column), line
    except ValueError as error:
        reason = str(error)
    if counts[best] < 2:
        reason += (
            "; without a header row the order must be start,end,step,note or start,step, and "
            "the step must not look like a time"
        )
    raise FormatError(source, line, reason)


def _without_header(cells: list[str]) -> ColumnPlaces | None:
    """Give the columns of a table whose first row is data; None where that is not clear."""
    cells = [cell.strip() for cell in cells]
    while cells and not cells[-1]:
        cells.pop()
    if len(cells) not in (2, 3, 4) or not is_moment(cells[0]):
        return None
    label = cells[1] if len(cells) == 2 else cells[2]
    if not label or is_moment(label) or (len(cells) > 2 and cells[1] and not is_moment(cells[1])):
        return None
    return find_columns(("start", "step") if len(cells) == 2 else ("start", "end", "step", "note"))


def _clear_label(cells: list[str], delimiter: str) -> bool:
    """Whether the step holds no other delimiter: `4:10,5;rhexis` does where split at its comma."""
    label = cells[1] if len(cells) == 2 else cells[2]
    return not any(other in label for other in DELIMITERS if other != delimiter)


def _first_records(text: str) -> dict[str, tuple[int, list[str]]]:
    """Give, for each delimiter, the first row that is not blank, and its line."""
    firsts: dict[str, tuple[int, list[str]]] = {}
    for delimiter in DELIMITERS:
        for line, record in _records(text, delimiter):
            if not isinstance(record, csv.Error):
                firsts[delimiter] = (line, record)
                break
    return firsts


def _records(text: str, delimiter: str) -> Iterator[CsvRecord]:
    """Yield the rows that are neither blank nor comments, each with the line it starts on.

    A row that cannot be split is yielded as the csv.Error that says why.
    """
    lines = _Lines(text)
    reader = csv.reader(lines, delimiter=delimiter, strict=True, skipinitialspace=True)
    while True:
        lines.between_rows = True
        try:
            record: list[str] | csv.Error = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            record = error
        if isinstance(record, csv.Error) or any(cell.strip() for cell in record):
            yield lines.first, record


class _Lines:
    """Feeds lines to a csv reader without the comments, and knows on which line a row began.

    Only between rows is ``#`` a comment: inside quotes it is part of a cell.
    """

    def __init__(self, text: str) -> None:
        self.lines = enumerate(io.StringIO(text, newline=""), 1)
        self.between_rows = True
        self.first = 0

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        for number, line in self.lines:
            if self.between_rows:
                if line.lstrip().startswith("#") or (
                    number == 1 and _SEPARATOR_LINE.fullmatch(line)
                ):
                    continue
                self.first = number
                self.between_rows = False
            return line
        raise StopIteration
