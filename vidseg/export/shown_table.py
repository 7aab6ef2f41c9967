"""A table of figures as people read it, on a page or on the screen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from vidseg.model.column import Column


@dataclass(frozen=True, slots=True)
class ShownTable:
    """A table with what is shown of it: ``columns`` picks and orders them."""

    title: str
    table: pd.DataFrame
    columns: tuple[Column, ...]


@dataclass(frozen=True, slots=True)
class LaidTable:
    """A table as texts: headings, rows, and which columns stand flush right."""

    headings: list[str]
    rows: list[list[str]]
    right: list[bool]


def laid(given: ShownTable, most_rows: int | None = None) -> LaidTable:
    """Lay a table out, columns without any content left out; ``most_rows`` from its start."""
    table = given.table if most_rows is None else given.table.head(most_rows)
    values = {column: [plain(value) for value in table[column.name]] for column in given.columns}
    texts = {column: [cell_text(value) for value in own] for column, own in values.items()}
    used = [column for column in given.columns if any(texts[column])]
    return LaidTable(
        [column.heading for column in used],
        [list(row) for row in zip(*(texts[column] for column in used), strict=True)],
        [
            all(isinstance(value, (int, float, type(None))) for value in values[column])
            for column in used
        ],
    )


def plain(value: Any) -> Any:
    """Give a value of numpy's as Python's own."""
    return value.item() if hasattr(value, "item") else value


def cell_text(value: Any) -> str:
    """Write a cell: numbers with two decimals, small ones with three digits, nothing for NaN."""
    if isinstance(value, bool):
        return "yes" if value else ""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float):
        if math.isinf(value):
            return "not reached"
        if abs(value) >= 1e7:
            return f"{value:.3g}"
        return f"{value:.2f}" if abs(value) >= 0.1 or value == 0 else f"{value:.3g}"
    return str(value)
