"""``vidseg durations``."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vidseg.cli.options import (
    FILE,
    clock_option,
    json_option,
    length_option,
    out_option,
    procedure_option,
    quiet_option,
    rate_option,
    require_clock,
    require_frames,
)
from vidseg.cli.screen import durations_text, has_errors, say, show_problems

if TYPE_CHECKING:
    from vidseg.measure.case.ruler import Clock


@click.command("durations")
@click.argument("annotations", type=FILE, nargs=-1, required=True)
@click.option("--recording", "recordings", type=FILE, multiple=True, help="The recording.")
@procedure_option
@rate_option
@length_option
@out_option
@clock_option
@json_option
@quiet_option
def command(
    annotations: tuple[Path, ...],
    recordings: tuple[Path, ...],
    procedure: str | None,
    rate: Fraction | None,
    length_ns: int | None,
    clock: Clock,
    out: Path | None,
    as_json: bool,
    quiet: bool,
) -> int:
    """Print how long each step took in each ANNOTATION; with --out also write the tables.

    --out FILE.csv writes one table of all cases (a row per case and step); --out FOLDER writes
    durations.csv, segments.csv, events.csv and their data dictionary for one annotation.

    \b
    Examples:
      vidseg durations steps.csv --recording case.mp4
      vidseg durations frames.csv --rate 25 --length 9:49.36
      vidseg durations case*.csv --out durations.csv
    """
    from vidseg.disk.atomic_write import write_text_aside
    from vidseg.export.tables import DURATIONS, csv_text, duration_rows, table_texts
    from vidseg.formats import read_sheet
    from vidseg.media.read.probe import open_recording
    from vidseg.model.problem import UsageError
    from vidseg.reading import understand

    require_clock(recordings, rate, length_ns, clock)
    recording = open_recording(recordings) if recordings else None
    if len(annotations) > 1 and (recordings or length_ns is not None):
        raise UsageError("one recording or length goes with one annotation, not with several")
    if len(annotations) > 1 and out is not None and out.suffix.lower() != ".csv":
        raise UsageError("several annotations go into one table: --out FILE.csv")
    sheets = [read_sheet(path) for path in annotations]
    require_frames(sheets, rate)
    readings = [
        understand(
            sheet,
            procedure=procedure,
            recording=recording,
            rate=rate,
            length_ns=length_ns,
            clock=clock,
        )
        for sheet in sheets
    ]
    problems = [problem for reading in readings for problem in reading.problems]
    show_problems(problems, quiet)
    rows = [row for reading in readings for row in duration_rows(reading.timing)]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
    elif not quiet:
        for path, reading in zip(annotations, readings, strict=True):
            click.echo(f"{path.name} ({reading.procedure.name})\n")
            click.echo(durations_text(reading.timing) + "\n")
            if recording is None and length_ns is None:
                say("no recording or --length given: observed time ends with the last mark")
    if out is not None and out.suffix.lower() == ".csv":
        write_text_aside(out, csv_text(list(DURATIONS), rows))
    elif out is not None:
        out.mkdir(parents=True, exist_ok=True)
        for name, text in table_texts(readings[0], recording).items():
            write_text_aside(out / name, text)
    if out is not None:
        say(f"written: {out}", quiet)
    return int(has_errors(problems))
