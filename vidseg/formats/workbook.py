"""Excel workbooks (.xlsx, ECMA-376): one sheet with the columns of ``table_columns``.

A time may be text (``4:10``), a number (seconds) or a spreadsheet's own time, which is a fraction
of a day. Formulas count with the value the spreadsheet program stored. Written are numbers of
seconds where a number holds the time exactly, else text; texts are stored as texts, so that none
runs as a formula.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.styles import Font
from openpyxl.styles.numbers import is_date_format
from openpyxl.utils.datetime import from_excel

from vidseg.disk.atomic_write import written_aside
from vidseg.disk.formulas import is_risky
from vidseg.formats.moment import days_to_ns, moment_text, seconds_to_ns
from vidseg.formats.table_columns import NEEDED, ColumnPlaces, count_roles, find_columns
from vidseg.formats.table_rows import Cell, SheetRow, one_sheet, sheets_by_case
from vidseg.formats.table_writing import table_of
from vidseg.formats.text_file import read_bytes
from vidseg.formats.workbook_size import Extent, measured
from vidseg.model.annotation import Edge, Moment, Sheet
from vidseg.model.clock import NS, format_time
from vidseg.model.problem import FormatError, Problem

NAMED_SHEETS = ("steps", "annotation", "annotations")
"""A sheet of this name (any case) is read before any other."""

HEADER_WITHIN = 20
"""The header must stand in the first rows, so many; above it may stand a title."""

LONGEST_TEXT = 32_767
"""Characters that a cell holds (Excel specifications and limits)."""

_DAY_NS = 86_400 * NS
_HOUR_NS = 3_600 * NS
_ELAPSED = re.compile(r"\[[hms]+\]", re.IGNORECASE)
_NO_VALUE = (
    "a formula without a stored value; open the workbook in a spreadsheet program and save it"
)
_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"

_EMPTY = Cell()

Grid = list[tuple[int, list[Cell]]]


def read(path: Path) -> Sheet:
    """Read the sheet named ``steps`` or ``annotation``, else the one that has a header.

    A mark's line is the row number the spreadsheet shows. Raises FormatError where the file is
    no workbook or no sheet has the columns needed.
    """
    grids = read_grids(path)
    with_header = {
        name: header for name, grid in grids.items() if (header := _header(grid)) is not None
    }
    named = [name for name in with_header if name.strip().casefold() in NAMED_SHEETS]
    if not with_header:
        sheets = ", ".join(repr(name) for name in grids)
        raise FormatError(path.name, None, f"no sheet ({sheets}) has a header row: {NEEDED}")
    chosen = (named or list(with_header))[0]
    grid, header = grids[chosen], with_header[chosen]
    try:
        columns = find_columns([cell.text for cell in dict(grid)[header]])
    except ValueError as error:
        raise FormatError(path.name, header, f"sheet {chosen!r}: {error}") from None
    problems: list[Problem] = []
    rows = list(_rows(grid, header, columns, path.name, problems))
    sheet = one_sheet(path.name, columns, sheets_by_case(path.name, columns, rows, problems))
    rivals = named if named else list(with_header)
    if len(rivals) == 1:
        return sheet
    told = Problem.of(
        "several-cases",
        f"the sheets {', '.join(map(repr, rivals))} all hold steps where one is expected; name "
        f"the one that counts {NAMED_SHEETS[0]!r}, or save each in a file of its own",
        path.name,
    )
    return Sheet(path.name, (), (told, *sheet.problems), sheet.starts_only)


def _header(grid: Grid) -> int | None:
    """Give the row of the header: two or more of its cells are words of a header."""
    for line, cells in grid[:HEADER_WITHIN]:
        if count_roles([cell.text for cell in cells]) >= 2:
            return line
    return None


def _rows(
    grid: Grid, header: int, columns: ColumnPlaces, source: str, problems: list[Problem]
) -> Iterable[SheetRow]:
    """Yield the rows below the header, without comments (a lone text that starts with #)."""
    for line, cells in grid:
        filled = [cell for cell in cells if cell.text]
        if line <= header or not filled:
            continue
        if len(filled) == 1 and filled[0].text.startswith("# "):
            continue
        if any(cell.text for cell in cells[len(columns.names) :]):
            fault = (
                f"the row has a cell to the right of the last column, {columns.names[-1]!r}; "
                "give its column a name, or empty the cell"
            )
        else:
            fault = next(
                (f"{cell.text} is {_NO_VALUE}" for cell in filled if cell.fault == _NO_VALUE), ""
            )
        if fault:
            problems.append(Problem.of("bad-row", fault, source, line))
        else:
            yield line, cells


def read_grids(path: Path) -> dict[str, Grid]:
    """Read every cell of every sheet, by its name. Raises FormatError for no sound workbook."""
    data = read_bytes(path)
    if data.startswith(_OLD_OR_LOCKED):
        raise FormatError(
            path.name,
            None,
            "locked with a password, or in the old .xls form; save it as .xlsx without a password",
        )
    if not zipfile.is_zipfile(io.BytesIO(data)):
        raise FormatError(path.name, None, "not a workbook (.xlsx): File is not a zip file")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _cells(data, measured(data, path.name))
    except FormatError:
        raise
    except Exception as error:  # openpyxl raises whatever a damaged part leads to
        what = str(error) or type(error).__name__
        raise FormatError(
            path.name, None, f"a damaged workbook, or no workbook (.xlsx): {what}"
        ) from None


def _cells(data: bytes, extent: Extent) -> dict[str, Grid]:
    workbook: Any = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    formulas: Any = workbook
    if extent.formulas:
        formulas = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
    # openpyxl would round times to the millisecond; without these it hands over the number
    for book in (workbook, formulas):
        book._date_formats, book._timedelta_formats = set(), set()
    try:
        return {
            sheet.title: list(_rows_of(sheet, written, extent, workbook.epoch))
            for sheet, written in zip(workbook.worksheets, formulas.worksheets, strict=True)
        }
    finally:
        workbook.close()
        formulas.close()


def _rows_of(
    sheet: Any, written: Any, extent: Extent, epoch: Any
) -> Iterator[tuple[int, list[Cell]]]:
    """Yield the rows in which something stands, each up to its last cell."""
    # the size that a file claims to have may be wrong
    sheet.reset_dimensions()
    written.reset_dimensions()
    size = {"max_row": extent.last_row, "max_col": extent.last_column}
    rows = sheet.iter_rows(**size)
    pairs = (
        zip(rows, written.iter_rows(**size), strict=True)
        if written is not sheet
        else ((row, row) for row in rows)
    )
    for line, (cells, sources) in enumerate(pairs, 1):
        row = [_cell(*pair, epoch) for pair in zip(cells, sources, strict=True)]
        while row and row[-1] is _EMPTY:
            row.pop()
        if row:
            yield line, row


def _cell(cell: Any, written: Any, epoch: Any) -> Cell:
    """Read one cell from its value and from what was written in it (a formula, say)."""
    value = cell.value
    if value is None:
        return _EMPTY if written.value is None else Cell(str(written.value), fault=_NO_VALUE)
    if isinstance(value, bool):
        return Cell(str(value).upper(), fault=f"not a time: {str(value).upper()}")
    if isinstance(value, (int, float)):
        format_ = str(cell.number_format or "General")
        if is_date_format(format_):
            return _time_cell(float(value), format_, epoch)
        text = str(int(value)) if float(value).is_integer() else repr(value)
        try:
            return Cell(text, seconds_to_ns(value))
        except ValueError as error:
            return Cell(text, fault=str(error))
    return Cell(str(value).strip())


def _time_cell(days: float, format_: str, epoch: Any) -> Cell:
    """Read a number shown as a time or date: exactly, or with the reason why it cannot be used."""
    shape = _ELAPSED.sub(lambda match: match[0][1], format_.split(";")[0])
    shape = re.sub(r'"[^"]*"|\[[^\]]*\]|\\.|AM/PM|A/P', "", shape, flags=re.IGNORECASE).lower()
    elapsed = _ELAPSED.search(format_) is not None
    if days < 0:
        return Cell(repr(days), fault=f"not a time: {days!r} days; expected a time from 0")
    if re.search(r"[dy]|mmm", shape) or (days >= 1 and not elapsed):
        try:
            text = str(from_excel(days, epoch))
        except (ValueError, OverflowError):
            text = repr(days)
        return Cell(
            text,
            fault=f"the cell holds a date, {text}; expected the time since the recording's start, "
            "as text (4:10) or in seconds",
        )
    ns = days_to_ns(days)
    text = format_time(ns, 9).rstrip("0").rstrip(".") if ns % NS else format_time(ns, 0)
    return Cell(text, ns, doubt=_doubt(ns, text, format_, shape))


def _doubt(ns: int, text: str, format_: str, shape: str) -> str:
    """Say why a spreadsheet's time may not be what was typed; empty text where it is clear.

    Spreadsheet programs read ``4:10`` as 4 h 10 min (common practice: Excel's time entry).
    """
    hours, rest = divmod(ns, _HOUR_NS)
    minutes = rest // (60 * NS)
    typed = f"{hours}:{minutes:02d}"
    meant = format_time((hours * 60 + minutes) * NS, 0)
    how = (
        f"write it as h:mm:ss ({meant} or {text}) in a cell that shows seconds, as text, or in "
        "seconds"
    )
    if "s" not in shape:
        return (
            f"the cell holds {text} but shows hours and minutes only ({format_}), so {typed} may "
            f"be meant as minutes and seconds; {how}"
        )
    if "h" not in shape and hours and _ELAPSED.search(format_) is None:
        return (
            f"the cell holds {text} but its form ({format_}) hides the hours, so {typed} may be "
            f"meant as minutes and seconds; {how}"
        )
    if ns >= _DAY_NS and rest % (60 * NS) == 0:
        return (
            f"the cell holds {text}, more than a day in whole minutes, so {typed} may be meant as "
            f"minutes and seconds; {how}"
        )
    return ""


def write(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Write one sheet ``steps``: ``start,end,step,note`` and the extra columns, times in seconds.

    Returns sentences on what was not held. Raises UsageError for rows that no table can hold
    (no label, a time before zero).
    """
    table = table_of(sheet)
    told = list(table.told)
    workbook: Any = openpyxl.Workbook()
    page = workbook.active
    page.title = NAMED_SHEETS[0]
    page.freeze_panes = "A2"
    cut = 0
    for place, name in enumerate(table.header, 1):
        _put_text(page.cell(1, place), name).font = Font(bold=True)
        page.column_dimensions[page.cell(1, place).column_letter].width = max(12, len(name) + 2)
    for line, (moments, texts) in enumerate(table.rows, 2):
        for place, moment in enumerate(moments, 1):
            _put_moment(page.cell(line, place), moment)
        for place, text in enumerate(texts, len(moments) + 1):
            cut += len(text) > LONGEST_TEXT
            _put_text(page.cell(line, place), text)
    if cut:
        told.append(f"{cut} text(s) longer than {LONGEST_TEXT} characters are cut there.")
    with written_aside(path) as aside:
        workbook.save(aside)
    return tuple(told)


def _put_moment(cell: Any, moment: Moment | Edge | None) -> None:
    """Write a time as a number of seconds where that is exact, all else as text."""
    if isinstance(moment, int) and seconds_to_ns(moment / NS) == moment:
        cell.value = moment / NS
        cell.number_format = "0.000" if moment % 1_000_000 == 0 else "0.000######"
    elif moment is not None:
        _put_text(cell, moment_text(moment))


def _put_text(cell: Any, text: str) -> Any:
    """Store a text as a text, whatever it starts with; the quote prefix keeps it one when edited.

    openpyxl takes ``=…`` for a formula and ``#N/A`` for an error unless told otherwise.
    """
    if text:
        cell.value = text
        cell.data_type = "s"
        cell.quotePrefix = is_risky(text)
    return cell
