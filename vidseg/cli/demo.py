"""``vidseg demo``."""

from __future__ import annotations

from pathlib import Path

import click

from vidseg.cli.options import FILE, quiet_option
from vidseg.cli.run import Request, make
from vidseg.cli.show import progress_shown, say


@click.command("demo")
@click.argument("folder", type=FILE, default=Path("vidseg-demo"), metavar="[FOLDER]")
@click.option(
    "--minutes",
    type=click.FloatRange(0.5, 240),
    help="Length of the operation. [default: 1.5]",
)
@quiet_option
def command(folder: Path, minutes: float | None, quiet: bool) -> int:
    """Draw a made-up operation with captions and annotation in FOLDER (vidseg-demo unless
    named), run everything on it, and say what to open.

    The eye, the surgeon and every word are invented.

    \b
    Examples:
      vidseg demo
      vidseg demo try-it --minutes 10
    """
    from synthetic_clips import draw_operation, load_scenario, write_beside
    from vidseg.model.case import Case
    from vidseg.model.problem import UsageError
    from vidseg.pipeline import RunOptions

    scenario = load_scenario("demo")
    if minutes is not None:
        scenario = scenario.scaled(minutes)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"cannot write to {folder}: {error.strerror}") from error
    recording = folder / "demo.mp4"
    with progress_shown(quiet) as progress:
        draw_operation(
            scenario,
            recording,
            beside=False,
            progress=lambda done: progress("drawing the operation", done),
        )
    steps, captions, truth = write_beside(scenario, recording)
    say(f"drawn: {recording}, with {steps.name}, {captions.name} and {truth.name}", quiet)
    case = Case(
        id="demo",
        recordings=(recording,),
        annotation=steps,
        procedure=scenario.procedure,
        captions=captions,
    )
    request = Request(case, None, None, "recording", despite_errors=False, quiet=quiet)
    return make(request, "vidseg", RunOptions())
