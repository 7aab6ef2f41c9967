"""Tables of many cases on the screen, as JSON, or into files."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from vidseg.cli.screen import aligned, say
from vidseg.export.shown_table import laid, plain

if TYPE_CHECKING:
    import pandas as pd

    from vidseg.export.shown_table import ShownTable
    from vidseg.many.report import Report

MOST_ROWS = 400
"""Rows shown on the screen; the rest goes to files."""


def table_text(shown: ShownTable) -> str:
    """Align what is shown of a table."""
    found = laid(shown, MOST_ROWS)
    text = aligned([found.headings, *found.rows], found.right)
    if len(shown.table) > MOST_ROWS:
        text += f"\n… {len(shown.table) - MOST_ROWS} more rows; --out FILE holds them all"
    return text


def json_text(tables: Mapping[str, pd.DataFrame], notes: Sequence[str] = ()) -> str:
    """Write tables as JSON: a list of rows for each; unknown is null, without end is a text."""

    def value(cell: Any) -> Any:
        cell = plain(cell)
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
        click.echo(json_text(report.tables, report.words()))
    elif not quiet:
        for shown in report.shown:
            if len(shown.table):
                click.echo(f"{shown.title}\n")
                click.echo(table_text(shown) + "\n")
        for note in report.words():
            click.echo(f"- {note}")
    if out is not None:
        from vidseg.export.cohort_tables import write_cohort_tables

        for path in write_cohort_tables(report.tables, report.columns, report.words(), out):
            say(f"written: {path}", quiet)
