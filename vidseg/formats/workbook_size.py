"""How much a workbook holds, found before it is opened: a small file can unpack to a huge one.

A cell far down or far to the right makes a reader fill all that lies between with empty cells.
"""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass, field
from xml.parsers import expat

from openpyxl.utils import column_index_from_string, get_column_letter

from vidseg.model.bounds import MOST_ROWS, too_many_rows
from vidseg.model.problem import FormatError

LARGEST_UNPACKED = 128 * 1024 * 1024
MOST_TAGS = 10_000_000
"""Tags of a whole workbook; a hundred thousand rows of ten columns have five million."""
LAST_ROW = 1_048_576
"""The last row that a sheet has (Excel specifications and limits)."""
LAST_COLUMN = 256
"""The last column in which something may stand here."""


@dataclass(slots=True)
class Extent:
    """What is filled in a sheet, counted from 1, or in all of them: last row, last column."""

    last_row: int = 1
    last_column: int = 1
    rows: int = 0
    formulas: bool = False
    _row: int = 0
    _column: int = 0
    _counted: int = field(default=0)

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """Take note of an element of a sheet."""
        name = name.rpartition(":")[2]
        if name == "row":
            number = attributes.get("r", "")
            self._row = int(float(number)) if number else self._row + 1
            self._column = 0
        elif name == "c":
            letters = attributes.get("r", "").rstrip("0123456789")
            self._column = column_index_from_string(letters) if letters else self._column + 1
        elif name in ("v", "is", "f"):
            self.formulas = self.formulas or name == "f"
            self.last_row = max(self.last_row, self._row)
            self.last_column = max(self.last_column, self._column)
            if self._counted != self._row:
                self._counted = self._row
                self.rows += 1


def measured(data: bytes, source: str) -> Extent:
    """Give the extent of all sheets of a workbook together.

    Raises FormatError where it unpacks to too much, or where something stands too far down or to
    the right; and whatever a damaged file leads to.
    """
    extent = Extent()
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        unpacked = sum(item.file_size for item in packed.infolist())
        if unpacked > LARGEST_UNPACKED:
            raise FormatError(
                source,
                None,
                f"unpacks to {unpacked / 1e6:.0f} MB, too large for a table (at most "
                f"{LARGEST_UNPACKED // 1024**2} MB)",
            )
        tags = 0
        for item in packed.infolist():
            part = packed.read(item)
            tags += part.count(b"<")
            if tags > MOST_TAGS:
                raise too_many_rows(source, f"{unpacked / 1e6:.0f} MB when unpacked")
            if b"sheetData" in part:
                _measure(part, extent, source)
            if extent.rows > MOST_ROWS + 1:
                raise too_many_rows(source, f"{extent.rows:,} rows with the header")
    return extent


def _measure(part: bytes, extent: Extent, source: str) -> None:
    extent._row = extent._column = extent._counted = 0
    parser = expat.ParserCreate()
    parser.StartElementHandler = extent.start
    parser.Parse(part, True)
    if extent.last_row > LAST_ROW:
        raise FormatError(
            source,
            None,
            f"damaged: a cell claims to stand in row {extent.last_row:,}, and a sheet has "
            f"{LAST_ROW:,} rows",
        )
    if extent.last_column > LAST_COLUMN:
        raise FormatError(
            source,
            None,
            f"something stands in column {get_column_letter(extent.last_column)}, far to the right "
            f"of any table (at most {LAST_COLUMN} columns are read); empty that cell",
        )
