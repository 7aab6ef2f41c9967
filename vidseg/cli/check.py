"""``vidseg check``."""

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
    procedure_option,
    quiet_option,
    rate_option,
    require_clock,
    require_frames,
)
from vidseg.cli.screen import count_problems, has_errors, say, show_problems

if TYPE_CHECKING:
    from vidseg.measure.case.ruler import Clock


@click.command("check")
@click.argument("annotation", type=FILE)
@click.option("--recording", "recordings", type=FILE, multiple=True, help="The recording.")
@procedure_option
@rate_option
@length_option
@clock_option
@json_option
@quiet_option
def command(
    annotation: Path,
    recordings: tuple[Path, ...],
    procedure: str | None,
    rate: Fraction | None,
    length_ns: int | None,
    clock: Clock,
    as_json: bool,
    quiet: bool,
) -> int:
    """Find the problems of ANNOTATION, each with its line; nothing is written.

    Exit code 1 where a problem is an error.

    \b
    Examples:
      vidseg check steps.csv
      vidseg check steps.csv --recording case.mp4 --procedure msics
    """
    from vidseg.export.facts_json import problem_json
    from vidseg.formats import read_sheet
    from vidseg.media.read.probe import open_recording
    from vidseg.reading import recording_problems, understand

    require_clock(recordings, rate, length_ns, clock)
    recording = open_recording(recordings) if recordings else None
    sheet = read_sheet(annotation)
    require_frames([sheet], rate)
    reading = understand(
        sheet,
        procedure=procedure,
        recording=recording,
        rate=rate,
        length_ns=length_ns,
        clock=clock,
    )
    found = [*reading.problems, *(recording_problems(recording) if recording else ())]
    if as_json:
        click.echo(json.dumps([problem_json(problem) for problem in found], indent=1))
    else:
        show_problems(found, quiet)
        steps = len({segment.step.code for segment in reading.annotation.segments})
        say(
            f"{annotation.name}: {len(reading.annotation.segments)} visits to {steps} steps, "
            f"{len(reading.annotation.events)} events; {count_problems(found)}",
            quiet,
        )
    return int(has_errors(found))
