"""``vidseg run`` and its parts: ``chapters``, ``clips``, ``stills``, ``page``."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import click

from vidseg.cli.options import (
    FILE,
    captions_option,
    case_of,
    clip_options,
    despite_option,
    out_option,
    procedure_option,
    quiet_option,
    steps_option,
)
from vidseg.cli.show import (
    count_problems,
    durations_text,
    has_errors,
    progress_shown,
    say,
    show_problems,
)
from vidseg.model.case import Case

CAUTION = (
    "Before you share any of it: patients must have consented, and nothing in picture, sound, "
    "captions or names may identify them. Time is not skill. vidseg is not a medical device."
)

paths_argument = click.argument(
    "paths", type=FILE, nargs=-1, required=True, metavar="RECORDING… [ANNOTATION]"
)


@click.command("run")
@paths_argument
@captions_option
@procedure_option
@out_option
@clip_options
@despite_option
@quiet_option
def run(
    paths: tuple[Path, ...],
    captions: Path | None,
    procedure: str | None,
    out: Path | None,
    steps: tuple[str, ...],
    pad_ns: int,
    join_visits: bool,
    quality: int,
    despite_errors: bool,
    quiet: bool,
) -> int:
    """Check, time, chapter, cut, picture: the main job, on one operation.

    Give the recording (one or several files, in order) and the annotation, or one case.toml.
    Without an annotation the chapters inside the recording are read as steps. All goes into one
    folder, <recording>.vidseg beside the recording unless --out names another; open its
    index.html. Run again, only what changed is made anew.

    \b
    Examples:
      vidseg run case.mp4 steps.csv
      vidseg run case.mp4 steps.csv --captions talk.vtt --step capsulorhexis --pad 2
      vidseg run case.toml
    """
    from vidseg.pipeline import RunOptions

    options = RunOptions(steps, pad_ns, join_visits, quality)
    case = case_of(paths, captions, procedure)
    return make(case, procedure, out, options, despite_errors, quiet)


@click.command("page")
@paths_argument
@captions_option
@procedure_option
@out_option
@despite_option
@quiet_option
def page(
    paths: tuple[Path, ...],
    captions: Path | None,
    procedure: str | None,
    out: Path | None,
    despite_errors: bool,
    quiet: bool,
) -> int:
    """Write the case page with what it shows: all that `run` makes but the clips.

    \b
    Example:
      vidseg page case.mp4 steps.csv
    """
    from vidseg.pipeline import ALL, RunOptions

    options = RunOptions(outputs=ALL - {"clips"})
    case = case_of(paths, captions, procedure)
    return make(case, procedure, out, options, despite_errors, quiet)


@click.command("chapters")
@paths_argument
@captions_option
@procedure_option
@out_option
@despite_option
@quiet_option
def chapters(
    paths: tuple[Path, ...],
    captions: Path | None,
    procedure: str | None,
    out: Path | None,
    despite_errors: bool,
    quiet: bool,
) -> int:
    """Write the recording with its steps as chapters (packets copied, nothing re-encoded), and
    the chapters as WebVTT, Matroska XML and a plain list for video-sharing sites.

    \b
    Example:
      vidseg chapters case.mp4 steps.csv --out chaptered
    """
    return one_output({"chapters"}, paths, captions, procedure, out, despite_errors, quiet)


@click.command("stills")
@paths_argument
@procedure_option
@out_option
@steps_option
@despite_option
@quiet_option
def stills(
    paths: tuple[Path, ...],
    procedure: str | None,
    out: Path | None,
    steps: tuple[str, ...],
    despite_errors: bool,
    quiet: bool,
) -> int:
    """Pick a clear picture of each step from its middle, and make a contact sheet.

    \b
    Example:
      vidseg stills case.mp4 steps.csv --step capsulorhexis --step iol_insertion
    """
    return one_output({"stills"}, paths, None, procedure, out, despite_errors, quiet, steps)


@click.command("clips")
@paths_argument
@captions_option
@procedure_option
@out_option
@clip_options
@despite_option
@quiet_option
def clips(
    paths: tuple[Path, ...],
    captions: Path | None,
    procedure: str | None,
    out: Path | None,
    steps: tuple[str, ...],
    pad_ns: int,
    join_visits: bool,
    quality: int,
    despite_errors: bool,
    quiet: bool,
) -> int:
    """Cut a clip for each visit to a step, exact to the frame.

    A clip holds the frames of its visit and no others. Captions given are cut to match.

    \b
    Examples:
      vidseg clips case.mp4 steps.csv
      vidseg clips case.mp4 steps.csv --step capsulorhexis --join-visits
      vidseg clips case.mp4 steps.csv --pad 1.5 --out teaching
    """
    from vidseg.pipeline import RunOptions

    options = RunOptions(steps, pad_ns, join_visits, quality, frozenset({"clips"}))
    case = case_of(paths, captions, procedure)
    folder = out or case.recordings[0].with_name(f"{case.recordings[0].stem}.clips")
    return make(case, procedure, folder, options, despite_errors, quiet)


def one_output(
    outputs: Collection[str],
    paths: tuple[Path, ...],
    captions: Path | None,
    procedure: str | None,
    out: Path | None,
    despite_errors: bool,
    quiet: bool,
    steps: tuple[str, ...] = (),
) -> int:
    """Make one kind of output, in ``<recording>.<kind>`` unless ``out`` says otherwise."""
    from vidseg.pipeline import RunOptions

    case = case_of(paths, captions, procedure)
    kind = next(iter(outputs))
    folder = out or case.recordings[0].with_name(f"{case.recordings[0].stem}.{kind}")
    options = RunOptions(steps=steps, outputs=frozenset(outputs))
    return make(case, procedure, folder, options, despite_errors, quiet)


def make(
    case: Case,
    procedure: str | None,
    out: Path | None,
    options: object,
    despite_errors: bool,
    quiet: bool,
) -> int:
    """Read the case, say its problems, write the outputs and say what to open."""
    from vidseg.pipeline import RunOptions, default_folder, read_case_files, write_case

    assert isinstance(options, RunOptions)
    with progress_shown(quiet) as progress:
        result = read_case_files(case, procedure=procedure, progress=progress)
    show_problems(result.problems, quiet)
    errors = has_errors(result.problems)
    if errors and not despite_errors:
        say(
            f"{count_problems(result.problems)}; nothing was written. Mend the rows in error, or "
            "go on with --despite-errors."
        )
        return 1
    with progress_shown(quiet) as progress:
        made = write_case(result, out or default_folder(case), options, progress)
    if not quiet and "tables" in options.outputs:
        click.echo(durations_text(result.timing))
    for note in made.notes:
        say(note)
    again = f", {made.kept} file(s) kept from before" if made.kept else ""
    say(f"written: {made.folder} ({len(made.made)} file(s) made{again})", quiet)
    if "page" in options.outputs:
        say(f"open: {made.folder / 'index.html'}", quiet)
    say(CAUTION, quiet)
    return int(errors)
