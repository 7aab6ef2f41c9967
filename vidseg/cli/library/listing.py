"""``vidseg library list``."""

from __future__ import annotations

from typing import Any

import click

from vidseg.cli.library.options import filter_of, filter_options, library_option, opened
from vidseg.cli.library.study_tables import json_text, table_text
from vidseg.cli.options import json_option
from vidseg.cli.screen import say

SHOWN = (
    *("case", "procedure", "annotator", "surgeon", "role", "experience", "case_number", "date"),
    *("observed_s", "steps", "visits"),
)


@click.command("list")
@filter_options
@library_option
@json_option
def command(place: str, as_json: bool, **options: Any) -> None:
    """List the cases of the library, a row for each annotation.

    \b
    Examples:
      vidseg library list
      vidseg library list --surgeon S1 --case-number 1..50
    """
    from vidseg.export.shown_table import ShownTable
    from vidseg.library.read import list_cases
    from vidseg.many.export import LISTED
    from vidseg.model.column import picked

    wanted = filter_of(options, whole="the list is")
    with opened(place) as library:
        table = list_cases(library, wanted)
        if as_json:
            click.echo(json_text({"cases": table}))
            return
        if len(table):
            click.echo(table_text(ShownTable("Cases", table, picked(LISTED, *SHOWN))))
        cases = table["case"].nunique()
        say(f"{cases} cases, {len(table)} annotations ({wanted.words()}) in {library.place}")
