"""``vidseg library curve``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from vidseg.cli.library.options import (
    Named,
    confidence_option,
    filter_of,
    filter_options,
    library_option,
    measure_option,
    opened,
)
from vidseg.cli.library.study_tables import deliver
from vidseg.cli.options import FILE, Duration, json_option, quiet_option, refuse_given


@click.command("curve")
@filter_options
@click.option("--together", is_flag=True, help="One curve over all surgeons chosen.")
@measure_option
@click.option(
    "--window", type=click.IntRange(3), default=9, show_default=True, help="Of the moving median."
)
@click.option(
    "--bin-size",
    type=click.IntRange(2),
    default=50,
    show_default=True,
    help="Cases in a bin of experience.",
)
@confidence_option
@click.option(
    "--target", "target_ns", type=Duration(some=True), help="CUSUM and EWMA against this time."
)
@click.option(
    "--spread",
    type=click.FloatRange(0.01, 3),
    default=0.25,
    show_default=True,
    help="Standard deviation of log time for --target, known from elsewhere.",
)
@click.option(
    "--fail-above", "fail_above_ns", type=Duration(some=True), help="LC-CUSUM: longer fails."
)
@click.option(
    "--acceptable",
    type=click.FloatRange(0.001, 0.9),
    default=0.1,
    show_default=True,
    help="LC-CUSUM: failure rate that is acceptable.",
)
@click.option(
    "--margin",
    type=click.FloatRange(0.001, 0.9),
    default=0.1,
    show_default=True,
    help="LC-CUSUM: a rate this much higher is inadequate.",
)
@click.option(
    "--reference",
    type=Named(),
    metavar="NAME=VALUE",
    help="Band of usual times from these cases: experience=high, surgeon=S1, a covariate.",
)
@click.option("--out", type=FILE, help="FILE.csv, .parquet or .xlsx, with a data dictionary.")
@library_option
@json_option
@quiet_option
def command(
    together: bool,
    measure: str,
    window: int,
    bin_size: int,
    confidence: float,
    target_ns: int | None,
    spread: float,
    fail_above_ns: int | None,
    acceptable: float,
    margin: float,
    reference: tuple[str, str] | None,
    out: Path | None,
    place: str,
    as_json: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Show how the time of a step goes with the case number: power law, slope, trend, changes of
    level, bins. A curve for each surgeon; without --step the whole case is studied.

    \b
    Examples:
      vidseg library curve --step capsulorhexis --surgeon S3
      vidseg library curve --step rhexis --reference experience=high
      vidseg library curve --surgeon S3 --target 10:00 --spread 0.2
    """
    from vidseg.many.curve import Watch, curves
    from vidseg.model.problem import UsageError

    if target_ns is None:
        refuse_given(["spread"], "is for --target: give that time as well")
    if fail_above_ns is None:
        refuse_given(["acceptable", "margin"], "is for --fail-above: give that time as well")
    if out is None and not as_json:
        refuse_given(["window"], "shapes the moving median, which only --out and --json hold")
    if window % 2 == 0:
        raise UsageError("--window: an odd number of cases, so that it has a middle")
    if acceptable + margin >= 1:
        raise UsageError("--acceptable and --margin together must stay below 1")
    watch = Watch(
        target_s=None if target_ns is None else target_ns / 1e9,
        spread=spread,
        fail_above_s=None if fail_above_ns is None else fail_above_ns / 1e9,
        acceptable=acceptable,
        margin=margin,
        reference=reference,
    )
    wanted = filter_of(options)
    with opened(place) as library:
        found = curves(
            library,
            wanted,
            together=together,
            measure=f"{measure}_s",
            window=window,
            bin_size=bin_size,
            confidence=confidence,
            watch=watch,
        )
    deliver(found.report, out, as_json, quiet)
