"""``vidseg library durations``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from vidseg.cli.library.options import (
    confidence_option,
    filter_of,
    filter_options,
    library_option,
    measure_option,
    opened,
)
from vidseg.cli.library.study_tables import deliver
from vidseg.cli.options import FILE, json_option, quiet_option, refuse_given


@click.command("durations")
@filter_options
@measure_option
@click.option(
    "--percentile",
    "percentiles",
    type=click.IntRange(1, 99),
    multiple=True,
    default=(5, 10, 90, 95),
    show_default=True,
    help="Percentiles in --out and --json; may be repeated.",
)
@confidence_option
@click.option("--out", type=FILE, help="FILE.csv, .parquet or .xlsx, with a data dictionary.")
@library_option
@json_option
@quiet_option
def command(
    measure: str,
    percentiles: tuple[int, ...],
    confidence: float,
    out: Path | None,
    place: str,
    as_json: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Show how long each step takes: median with its interval, quartiles, mean, visits, and how
    many cases lack the step or have it cut off by the recording's edge.

    \b
    Examples:
      vidseg library durations
      vidseg library durations --surgeon S1 --complete-only --out durations.xlsx
    """
    from vidseg.many.durations import durations

    if out is None and not as_json:
        refuse_given(["percentiles"], "adds columns that only --out and --json hold")
    wanted = filter_of(options)
    with opened(place) as library:
        report = durations(
            library,
            wanted,
            measure=f"{measure}_s",
            percentiles=sorted(set(percentiles)),
            confidence=confidence,
        )
    deliver(report, out, as_json, quiet)
