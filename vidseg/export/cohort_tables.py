"""Tables of many cases as CSV, Parquet or XLSX, each with a data dictionary.

No cell can run as a formula: in CSV a text that a spreadsheet would take for one is guarded
(``csv_cell``), in XLSX texts are stored as texts.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from vidseg import __version__
from vidseg.disk.atomic_write import write_text_aside, written_aside
from vidseg.disk.formulas import csv_cell, is_risky
from vidseg.model.problem import UsageError

Tables = Mapping[str, pd.DataFrame]
Meanings = Mapping[str, Mapping[str, str]]
SUFFIXES = (".csv", ".parquet", ".xlsx")
DICTIONARY = "data-dictionary"
MOST_ROWS = 1_048_575
"""Rows below the header that a sheet holds (Excel specifications and limits)."""


def dictionary_table(tables: Tables, meanings: Meanings, notes: Sequence[str]) -> pd.DataFrame:
    """Give the data dictionary: a row for each column of each table, then the notes."""
    rows = [
        (name, str(column), meaning_of(str(column), meanings.get(name, {})))
        for name, table in tables.items()
        for column in table.columns
    ]
    rows += [("", "note", note) for note in notes]
    return pd.DataFrame(rows, columns=["table", "column", "meaning"])


def meaning_of(column: str, meanings: Mapping[str, str]) -> str:
    """Give a column's meaning; ``x_low_s`` and ``x_high_s`` are the ends of ``x_s``'s interval."""
    if column in meanings:
        return meanings[column]
    for mark, what in (("_low", "lower end"), ("_high", "upper end")):
        plain = column.replace(mark, "", 1)
        if mark in column and plain in meanings:
            return f"{what} of the interval of {plain}"
    return "covariate, as the user named it"


def write_cohort_tables(
    tables: Tables,
    meanings: Meanings,
    notes: Sequence[str],
    out: Path,
) -> list[Path]:
    """Write tables to ``out``, whose suffix says how; gives the files written.

    XLSX holds all tables, a sheet each. CSV and Parquet hold one table a file: the first goes to
    ``out``, others to ``<out>-<table>``; the dictionary to ``<out>-data-dictionary.csv``. Raises
    UsageError for another suffix, a folder that does not exist, and more rows than a sheet holds.
    """
    suffix = out.suffix.lower()
    if suffix not in SUFFIXES:
        raise UsageError(f"--out {out.name}: write to {', '.join(SUFFIXES)}")
    if not out.parent.is_dir():
        raise UsageError(f"the folder {out.parent} does not exist")
    dictionary = dictionary_table(tables, meanings, notes)
    if suffix == ".xlsx":
        _write_workbook({**tables, DICTIONARY: dictionary}, out)
        return [out]
    written: list[Path] = []
    for place, (name, table) in enumerate(tables.items()):
        path = out if place == 0 else out.with_name(f"{out.stem}-{name}{suffix}")
        if suffix == ".csv":
            write_csv(table, path)
        else:
            write_parquet(table, meanings.get(name, {}), notes, path)
        written.append(path)
    path = out.with_name(f"{out.stem}-{DICTIONARY}.csv")
    write_csv(dictionary, path)
    return [*written, path]


def _safe(value: Any) -> Any:
    return csv_cell(value) if isinstance(value, str) else value


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV (RFC 4180, UTF-8, line feeds); unknown is an empty cell."""
    texts = [
        column
        for column in table.columns
        if not pd.api.types.is_numeric_dtype(table[column])
        and not pd.api.types.is_bool_dtype(table[column])
    ]
    shown = table.assign(**{str(column): table[column].map(_safe) for column in texts})
    truths = [column for column in table.columns if pd.api.types.is_bool_dtype(table[column])]
    shown = shown.assign(**{str(column): table[column].astype(int) for column in truths})
    shown.columns = pd.Index([csv_cell(str(column)) for column in shown.columns])
    write_text_aside(path, shown.to_csv(index=False, lineterminator="\n"))


def write_parquet(
    table: pd.DataFrame, meanings: Mapping[str, str], notes: Sequence[str], path: Path
) -> None:
    """Write a table as Parquet, with the meanings on its columns and the notes in its metadata."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    known = table.convert_dtypes(
        convert_integer=False, convert_boolean=False, convert_floating=False
    )
    arrow = pa.Table.from_pandas(known, preserve_index=False).replace_schema_metadata(
        {"vidseg": __version__, "vidseg_notes": json.dumps(list(notes), ensure_ascii=False)}
    )
    fields = [
        field.with_metadata({"meaning": meaning_of(field.name, meanings)}) for field in arrow.schema
    ]
    arrow = arrow.cast(pa.schema(fields, metadata=arrow.schema.metadata))
    with written_aside(path) as aside:
        pq.write_table(arrow, aside)


def _write_workbook(tables: Tables, path: Path) -> None:
    import openpyxl
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    large = [name for name, table in tables.items() if len(table) > MOST_ROWS]
    if large:
        raise UsageError(
            f"{', '.join(large)}: a sheet holds {MOST_ROWS} rows; write .csv or .parquet instead"
        )
    workbook: Any = openpyxl.Workbook(write_only=True)

    def cell(sheet: Any, value: Any) -> Any:
        value = value.item() if hasattr(value, "item") else value
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return None
        if isinstance(value, float) and math.isinf(value):
            value = "inf"
        if not isinstance(value, str):
            return value
        made = WriteOnlyCell(sheet, value[:32_767])
        made.data_type = "s"
        if is_risky(value):
            made.quotePrefix = True
        return made

    for name, table in tables.items():
        sheet = workbook.create_sheet(name[:31])
        sheet.freeze_panes = "A2"
        for place, column in enumerate(table.columns, 1):
            width = 80 if column == "meaning" else max(10, min(40, len(str(column)) + 2))
            sheet.column_dimensions[get_column_letter(place)].width = width
        heads = [cell(sheet, str(column)) for column in table.columns]
        for head in heads:
            head.font = Font(bold=True)
        sheet.append(heads)
        for row in table.itertuples(index=False, name=None):
            sheet.append([cell(sheet, value) for value in row])
    with written_aside(path) as aside:
        workbook.save(aside)
