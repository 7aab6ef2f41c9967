"""Tables of many cases on the screen, as JSON, or into files."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from vidseg.cli.screen import aligned, say
from vidseg.export.cell_text import cell_text

if TYPE_CHECKING:
    import pandas as pd

    from vidseg.many.report import Report

MOST_ROWS = 400
"""Rows shown on the screen; the rest goes to files."""


def table_text(table: pd.DataFrame, columns: Mapping[str, str]) -> str:
    """Align the ``columns`` of a table (name to heading), those without any content left out."""
    shown = table.head(MOST_ROWS)
    cells = {name: [_plain(value) for value in shown[name]] for name in columns}
    columns = {
        name: heading for name, heading in columns.items() if any(map(cell_text, cells[name]))
    }
    rows = [list(columns.values())]
    rows += [[cell_text(cells[name][row]) for name in columns] for row in range(len(shown))]
    right = [
        all(isinstance(value, (int, float, type(None))) for value in cells[name])
        for name in columns
    ]
    text = aligned(rows, right)
    if len(table) > MOST_ROWS:
        text += f"\n… {len(table) - MOST_ROWS} more rows; --out FILE holds them all"
    return text


def _plain(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value


def json_text(tables: Mapping[str, pd.DataFrame], notes: tuple[str, ...] = ()) -> str:
    """Write tables as JSON: a list of rows for each; unknown is null, without end is a text."""

    def value(cell: Any) -> Any:
        cell = _plain(cell)
        if isinstance(cell, float) and math.isnan(cell):
            return None
        if isinstance(cell, float) and math.isinf(cell):
            return "inf"
        return cell

    document: dict[str, Any] = {
        name: [{key: value(cell) for key, cell in row.items()} for row in table.to_dict("records")]
        for name, table in tables.items()
    }
    if notes:
        document["notes"] = list(notes)
    return json.dumps(document, indent=1, ensure_ascii=False)


def deliver(report: Report, out: Path | None, as_json: bool, quiet: bool) -> None:
    """Print a report or write it; the cautions go along in either."""
    if as_json:
        click.echo(json_text(report.tables, report.notes))
    elif not quiet:
        for shown in report.screen:
            if len(shown.table):
                click.echo(f"{shown.title}\n")
                click.echo(table_text(shown.table, shown.columns) + "\n")
        for note in report.notes:
            click.echo(f"- {note}")
    if out is not None:
        from vidseg.export.cohort_tables import write_cohort_tables

        for path in write_cohort_tables(report.tables, report.meanings, report.notes, out):
            say(f"written: {path}", quiet)
