"""``vidseg library export``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from vidseg.cli.library.options import filter_of, filter_options, library_option, opened
from vidseg.cli.options import FILE, quiet_option
from vidseg.cli.screen import say
from vidseg.model.problem import UsageError


@click.command("export")
@filter_options
@click.option(
    "--out",
    type=FILE,
    default=Path("library-tables"),
    show_default=True,
    help="A folder for CSV files, or FILE.xlsx, FILE.csv, FILE.parquet.",
)
@click.option(
    "--partition",
    is_flag=True,
    help="Write Parquet into the folder --out, partitioned by procedure, for Dask or DuckDB.",
)
@library_option
@quiet_option
def command(out: Path, partition: bool, place: str, quiet: bool, **options: Any) -> None:
    """Write the tidy tables for a statistics package: steps, cases, annotations, visits, events,
    and a data dictionary. All annotators are kept side by side.

    \b
    Examples:
      vidseg library export
      vidseg library export --procedure phaco --out study.parquet
      vidseg library export --partition --out tables
    """
    from vidseg.many.export import export_partitioned, export_tables
    from vidseg.many.report import CAUTIONS

    if partition and out.suffix:
        raise UsageError(f"--partition writes a folder, and --out {out} names a file")
    wanted = filter_of(options)
    with opened(place) as library:
        if partition:
            written = [export_partitioned(library, wanted, out)]
        else:
            written = export_tables(library, wanted, out)
    for path in written:
        say(f"written: {path}", quiet)
    for caution in CAUTIONS:
        say(f"- {caution}", quiet)
