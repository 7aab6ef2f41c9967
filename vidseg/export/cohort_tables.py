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
from vidseg.model.column import Columns, picked
from vidseg.model.problem import UsageError

Tables = Mapping[str, pd.DataFrame]
Schemas = Mapping[str, Columns]
SUFFIXES = (".csv", ".parquet", ".xlsx")
DICTIONARY = "data-dictionary"
MOST_ROWS = 1_048_575
"""Rows below the header that a sheet holds (Excel specifications and limits)."""


def dictionary_table(tables: Tables, schemas: Schemas, notes: Sequence[str]) -> pd.DataFrame:
    """Give the data dictionary: a row for each column of each table, then the notes."""
    rows = [
        (name, column.name, column.unit, column.meaning)
        for name, table in tables.items()
        for column in picked(schemas.get(name, {}), *map(str, table.columns))
    ]
    rows += [("", "note", "", note) for note in notes]
    return pd.DataFrame(rows, columns=["table", "column", "unit", "meaning"])


def write_cohort_tables(
    tables: Tables,
    schemas: Schemas,
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
    dictionary = dictionary_table(tables, schemas, notes)
    if suffix == ".xlsx":
        _write_workbook({**tables, DICTIONARY: dictionary}, out)
        return [out]
    written: list[Path] = []
    for place, (name, table) in enumerate(tables.items()):
        path = out if place == 0 else out.with_name(f"{out.stem}-{name}{suffix}")
        if suffix == ".csv":
            write_csv(table, path)
        else:
            write_parquet(table, schemas.get(name, {}), notes, path)
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


def write_parquet(table: pd.DataFrame, known: Columns, notes: Sequence[str], path: Path) -> None:
    """Write a table as Parquet, meanings and units on its columns, the notes in its metadata."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    typed = table.convert_dtypes(
        convert_integer=False, convert_boolean=False, convert_floating=False
    )
    arrow = pa.Table.from_pandas(typed, preserve_index=False).replace_schema_metadata(
        {"vidseg": __version__, "vidseg_notes": json.dumps(list(notes), ensure_ascii=False)}
    )
    fields = [
        field.with_metadata({"meaning": column.meaning, "unit": column.unit})
        for field in arrow.schema
        for column in picked(known, field.name)
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
