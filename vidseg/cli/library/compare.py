"""``vidseg library compare``."""

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
from vidseg.cli.options import FILE, json_option, quiet_option


@click.command("compare")
@click.option(
    "--by",
    required=True,
    metavar="NAME",
    help="What makes the groups: surgeon, role, experience, or a covariate.",
)
@click.option("--group", "groups", multiple=True, help="Only these groups, in this order.")
@click.option(
    "--adjust",
    "adjust_for",
    multiple=True,
    metavar="NAME",
    help="Adjust for this covariate as well, in a model with surgeons as a random effect.",
)
@filter_options
@measure_option
@confidence_option
@click.option("--out", type=FILE, help="FILE.csv, .parquet or .xlsx, with a data dictionary.")
@library_option
@json_option
@quiet_option
def command(
    by: str,
    groups: tuple[str, ...],
    adjust_for: tuple[str, ...],
    measure: str,
    confidence: float,
    out: Path | None,
    place: str,
    as_json: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Compare groups of cases step by step: rank tests (log-rank where steps are cut off),
    shifts with intervals, p values corrected for their number.

    \b
    Examples:
      vidseg library compare --by experience
      vidseg library compare --by surgeon --group S1 --group S3
      vidseg library compare --by experience --adjust pupil_mm --adjust nucleus_grade
    """
    from vidseg.many.compare import comparison

    wanted = filter_of(options)
    with opened(place) as library:
        report = comparison(
            library,
            wanted,
            by,
            groups,
            adjust_for=adjust_for,
            measure=f"{measure}_s",
            confidence=confidence,
        )
    deliver(report, out, as_json, quiet)
