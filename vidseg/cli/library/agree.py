"""``vidseg library agree``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from vidseg.cli.library.options import filter_of, filter_options, library_option, opened
from vidseg.cli.library.study_tables import deliver
from vidseg.cli.options import FILE, Duration, json_option, quiet_option


@click.command("agree")
@filter_options
@click.option(
    "--level",
    type=click.Choice(["phase", "step", "task"]),
    default="step",
    show_default=True,
    help="Which labels are compared.",
)
@click.option(
    "--tolerance",
    "tolerances_ns",
    type=Duration(),
    multiple=True,
    default=("1", "2", "5", "10"),
    show_default=True,
    help="Edges this close count as the same; may be repeated.",
)
@click.option("--out", type=FILE, help="FILE.csv, .parquet or .xlsx, with a data dictionary.")
@library_option
@json_option
@quiet_option
def command(
    level: str,
    tolerances_ns: tuple[int, ...],
    out: Path | None,
    place: str,
    as_json: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Show how far annotators of the same cases agree: kappa, F1 of segments, edges within a
    tolerance, limits of agreement of starts, ends and times.

    \b
    Examples:
      vidseg library agree
      vidseg library agree --annotator A --annotator B --out agreement.xlsx
    """
    from vidseg.many.agree import agreement
    from vidseg.model.procedure import Kind

    wanted = filter_of(options, whole="agreement is")
    with opened(place) as library:
        report = agreement(
            library, wanted, level=Kind(level), tolerances_ns=sorted(set(tolerances_ns))
        )
    deliver(report, out, as_json, quiet)
