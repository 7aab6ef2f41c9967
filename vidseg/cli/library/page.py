"""``vidseg library page``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from vidseg.cli.library.options import (
    filter_of,
    filter_options,
    library_option,
    measure_option,
    opened,
)
from vidseg.cli.options import FILE, quiet_option
from vidseg.cli.screen import say


@click.command("page")
@filter_options
@click.option(
    "--by",
    metavar="NAME",
    help="Compare these groups: surgeon, role, experience or a covariate. [default: the first of "
    "experience, role, surgeon that makes groups]",
)
@measure_option
@click.option("--title", default="Library of cases", show_default=True)
@click.option("--out", type=FILE, default=Path("library.html"), show_default=True)
@library_option
@quiet_option
def command(
    by: str | None,
    measure: str,
    title: str,
    out: Path,
    place: str,
    quiet: bool,
    **options: Any,
) -> None:
    """Write one offline page: durations, curves, comparison and agreement with figures, the data
    of each a click away.

    \b
    Examples:
      vidseg library page
      vidseg library page --surgeon S3 --out S3.html
    """
    from vidseg.many.page import library_page
    from vidseg.model.problem import UsageError

    if not out.parent.is_dir():
        raise UsageError(f"the folder {out.parent} does not exist")
    wanted = filter_of(options)
    with opened(place) as library:
        library_page(library, wanted, out, by=by, measure=f"{measure}_s", title=title)
    say(f"written: {out}", quiet)
