"""``vidseg demo``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from vidseg.cli.options import FILE, quiet_option
from vidseg.cli.run import Request, make
from vidseg.cli.screen import progress_shown, say

if TYPE_CHECKING:
    from synthetic_clips.scenario import Scenario


@click.command("demo")
@click.argument("folder", type=FILE, default=Path("vidseg-demo"), metavar="[FOLDER]")
@click.option(
    "--minutes",
    type=click.FloatRange(0.5, 240),
    help="Length of the operation. [default: 1.5]",
)
@click.option(
    "--library", "many", is_flag=True, help="Sixty annotated cases instead, without recordings."
)
@quiet_option
def command(folder: Path, minutes: float | None, many: bool, quiet: bool) -> int:
    """Draw a made-up operation with captions and annotation in FOLDER (vidseg-demo unless
    named), run everything on it, and say what to open.

    With --library: the annotations of sixty made-up cases of five surgeons, put into a library
    with its page. The eyes, the surgeons and every word are invented.

    \b
    Examples:
      vidseg demo
      vidseg demo try-it --minutes 10
      vidseg demo --library
    """
    if many:
        if minutes is not None:
            raise click.UsageError("--minutes is for a recording; --library draws none")
        return _library(folder, quiet)
    from synthetic_clips import draw_operation, load_scenario, write_beside
    from vidseg.model.case import Case
    from vidseg.model.problem import UsageError
    from vidseg.pipeline.outputs import RunOptions

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
    code = make(request, "vidseg", RunOptions())
    found = _drafted_visits(captions, scenario)
    say(
        f"a draft from the captions alone shows {found} of its {len(scenario.steps)} visits: "
        f"vidseg draft {captions} --recording {recording}",
        quiet,
    )
    return code


def _drafted_visits(captions: Path, scenario: Scenario) -> int:
    """Count the visits with which a row drafted from the captions shares time and step."""
    from vidseg.formats import read_captions
    from vidseg.formats.vocabulary import load_procedure
    from vidseg.measure.draft import draft
    from vidseg.model.span import Span

    cues = read_captions(captions).cues
    rows = draft(cues, load_procedure(scenario.procedure), scenario.length).rows
    return sum(
        any(
            row.step.code == visit.code and row.span.overlaps(Span(visit.start, visit.end))
            for row in rows
        )
        for visit in scenario.steps
    )


def _library(folder: Path, quiet: bool) -> int:
    """Write the made-up cases, add them to a library and make its page."""
    from synthetic_clips.case_series import made_up_cases, write_cases
    from vidseg.formats.case_table import read_case_table
    from vidseg.library.filters import Filter
    from vidseg.library.store import Library
    from vidseg.many.gather import GatherOptions, gather
    from vidseg.many.page import library_page
    from vidseg.model.problem import UsageError

    try:
        write_cases(folder, made_up_cases())
    except OSError as error:
        raise UsageError(f"cannot write to {folder}: {error.strerror}") from error
    place, page = folder / "library.vidseg.sqlite", folder / "library.html"
    table = read_case_table(folder / "cases.csv")
    with progress_shown(quiet) as progress, Library(str(place), make=True) as library:
        for annotator, part in (("A", "steps"), ("B", "second")):
            sources = sorted((folder / part).glob("*.csv"))
            met = gather(sources, GatherOptions.of(table, annotator=annotator), progress)
            library.add(one.record for one in met if one.record is not None)
        progress("page", 0.0)
        library_page(library, Filter(annotators=("A", "B")), page, title="Sixty made-up operations")
        progress("page", 1.0)
    say(
        f"in {folder}: annotations (steps, second), cases.csv, what they follow (truth.csv), "
        f"{place.name}\nopen {page}, or try:\n"
        f"  vidseg library curve --library {place} --annotator A --step capsulorhexis\n"
        f"  vidseg library compare --library {place} --annotator A --by experience "
        "--adjust nucleus_grade --adjust pupil_mm\n"
        f"  vidseg library agree --library {place}",
        quiet,
    )
    return 0
