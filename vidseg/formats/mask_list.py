"""Masks as text: ``x,y,width,height[@start-end]`` on the command line, a CSV table in a file.

::

    x,y,width,height,start,end
    0,0,320,48,,
    900,640,200,60,0:03:10,0:04:00

Rectangles in px of the picture as shown; without ``start`` and ``end`` for the whole recording.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from vidseg.disk.atomic_write import write_text_aside
from vidseg.formats.text_file import read_text
from vidseg.model.bounds import LARGEST_PX, at_most_rows, shown
from vidseg.model.clock import format_time, parse_time
from vidseg.model.mask import Mask
from vidseg.model.problem import FormatError
from vidseg.model.span import Span

COLUMNS = ("x", "y", "width", "height", "start", "end")


def parse_mask(text: str) -> Mask:
    """Read ``x,y,width,height[@start-end]``. Raises ValueError that says what is wrong."""
    box, at, when = text.partition("@")
    start, _, end = when.partition("-")
    if at and not (start.strip() and end.strip()):
        raise ValueError(f"{when!r} is no span; write start-end, as in 0:03:10-0:04:00")
    cells = box.split(",")
    if len(cells) != 4:
        raise ValueError(f"{box!r} is no rectangle; write x,y,width,height in px")
    return _mask([*cells, start, end])


def read_masks(path: Path) -> tuple[Mask, ...]:
    """Read a table of masks. Raises FormatError with the line of the first row in error."""
    text = read_text(path)
    rows = csv.reader(io.StringIO(text))
    try:
        return _read_rows(rows, path.name, len(text))
    except csv.Error as error:
        raise FormatError(path.name, rows.line_num, f"the row cannot be split: {error}") from None


def _read_rows(rows: Any, source: str, size: int) -> tuple[Mask, ...]:
    header = [cell.strip().lower() for cell in next(rows, [])]
    if tuple(header) not in (COLUMNS, COLUMNS[:4]):
        raise FormatError(source, 1, f"expected the columns {','.join(COLUMNS)}")
    masks: list[Mask] = []
    for row in at_most_rows(rows, source, size):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(header):
            reason = f"{len(row)} cells where {len(header)} are expected"
            raise FormatError(source, rows.line_num, reason)
        try:
            masks.append(_mask([*row, "", ""][: len(COLUMNS)]))
        except ValueError as error:
            raise FormatError(source, rows.line_num, str(error)) from None
    return tuple(masks)


def write_masks(masks: Iterable[Mask], path: Path) -> None:
    """Write a table of masks, aside and renamed; times exact to the nanosecond."""
    lines = [",".join(COLUMNS)]
    for mask in masks:
        when = ("", "")
        if mask.span is not None:
            when = (format_time(mask.span.start, 9), format_time(mask.span.end, 9))
        lines.append(f"{mask.x},{mask.y},{mask.width},{mask.height},{when[0]},{when[1]}")
    write_text_aside(path, "\n".join(lines) + "\n")


def _mask(cells: list[str]) -> Mask:
    numbers = []
    for name, cell in zip(COLUMNS, cells[:4], strict=False):
        try:
            number = int(cell.strip()) if len(cell) < 20 else LARGEST_PX + 1
        except ValueError:
            number = LARGEST_PX + 1
        if abs(number) > LARGEST_PX:
            raise ValueError(
                f"{name} {shown(cell.strip())} is not a whole number of px, {LARGEST_PX:,} at most"
            )
        numbers.append(number)
    start, end = cells[4].strip(), cells[5].strip()
    if bool(start) != bool(end):
        raise ValueError("a mask has both start and end, or neither")
    span = None
    if start:
        first, last = parse_time(start), parse_time(end)
        if last <= first:
            raise ValueError(f"the end {end} is not after the start {start}")
        span = Span(first, last)
    x, y, width, height = numbers
    return Mask(x, y, width, height, span)
