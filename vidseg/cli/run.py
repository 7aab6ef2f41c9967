"""``vidseg run`` and its parts: ``chapters``, ``clips``, ``stills``, ``page``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from vidseg.cli.options import (
    FILE,
    captions_option,
    case_of,
    clip_options,
    clock_option,
    out_option,
    procedure_option,
    quiet_option,
    steps_option,
    transcribe_option,
)
from vidseg.cli.screen import (
    CAUTION,
    count_problems,
    durations_text,
    progress_shown,
    say,
    show_problems,
)
from vidseg.model.case import Case
from vidseg.model.cutting import Cutting
from vidseg.model.problem import Problem, SharingError, UsageError
from vidseg.pipeline.outputs import USUAL, RunOptions, outputs_text

if TYPE_CHECKING:
    from vidseg.measure.case.ruler import Clock
    from vidseg.model.case import CaseResult
    from vidseg.model.progress import StageProgress


@dataclass(frozen=True, slots=True)
class Request:
    """What every command on one case is given."""

    case: Case
    procedure: str | None
    out: Path | None
    clock: Clock
    despite_errors: bool
    quiet: bool
    transcribe: bool = False

    def folder(self, kind: str) -> Path:
        """Give the folder to write to: as asked, else ``<recording>.<kind>`` beside it."""
        first = self.case.recordings[0]
        return self.out or first.with_name(f"{first.stem}.{kind}")


def on_a_case(function: Callable[..., int]) -> Callable[..., int]:
    """Give a command RECORDING…, ANNOTATION and the common options, as one ``Request``.

    Commands that write captions add ``captions_option`` below it.
    """

    @wraps(function)
    def command(
        paths: tuple[Path, ...],
        procedure: str | None,
        out: Path | None,
        clock: Clock,
        despite_errors: bool,
        quiet: bool,
        captions: Path | None = None,
        transcribe: bool = False,
        **others: Any,
    ) -> int:
        case = case_of(paths, captions)
        if transcribe and case.captions is not None:
            raise UsageError(f"--transcribe is for a case without captions; it has {case.captions}")
        request = Request(case, procedure, out, clock, despite_errors, quiet, transcribe)
        return function(request, **others)

    despite = click.option(
        "--despite-errors", is_flag=True, help="Go on although rows are in error."
    )
    paths = click.argument(
        "paths", type=FILE, nargs=-1, required=True, metavar="RECORDING… [ANNOTATION]"
    )
    for option in (
        quiet_option,
        despite,
        clock_option,
        out_option,
        procedure_option,
        paths,
    ):
        command = option(command)
    return command


@click.command("run", epilog=outputs_text())
@on_a_case
@captions_option
@transcribe_option
@clip_options
@click.option(
    "--share",
    is_flag=True,
    help="Write nothing that carries what may identify someone: refuse, and say what it is.",
)
@click.option(
    "--audit",
    is_flag=True,
    help="Also look at every picture for cuts, freezes and changed speed (decodes it all).",
)
def run(
    request: Request,
    audit: bool,
    share: bool,
    steps: tuple[str, ...],
    pad_ns: int,
    join_visits: bool,
    cores: int,
    **cutting: Any,
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
    outputs = USUAL | {"audit"} if audit else USUAL
    options = RunOptions(steps, pad_ns, join_visits, Cutting(**cutting), cores, outputs)
    return make(request, "vidseg", options, share=share)


@click.command("page")
@on_a_case
@captions_option
def page(request: Request) -> int:
    """Write the case page with what it shows: all that `run` makes but the clips.

    \b
    Example:
      vidseg page case.mp4 steps.csv
    """
    return make(request, "page", RunOptions(outputs=USUAL - {"clips"}))


@click.command("chapters")
@on_a_case
@captions_option
def chapters(request: Request) -> int:
    """Write the recording with its steps as chapters (packets copied, nothing re-encoded), and
    the chapters as WebVTT, Matroska XML and a plain list for video-sharing sites.

    \b
    Example:
      vidseg chapters case.mp4 steps.csv --out chaptered
    """
    return make(request, "chapters", RunOptions(outputs=frozenset({"chapters"})))


@click.command("stills")
@on_a_case
@steps_option
def stills(request: Request, steps: tuple[str, ...]) -> int:
    """Pick a clear picture of each step from its middle, and make a contact sheet.

    \b
    Example:
      vidseg stills case.mp4 steps.csv --step capsulorhexis --step iol_insertion
    """
    return make(request, "stills", RunOptions(steps, outputs=frozenset({"stills"})))


@click.command("clips")
@on_a_case
@captions_option
@clip_options
def clips(
    request: Request,
    steps: tuple[str, ...],
    pad_ns: int,
    join_visits: bool,
    cores: int,
    **cutting: Any,
) -> int:
    """Cut a clip for each visit to a step, exact to the frame.

    A clip holds the frames of its visit and no others. Whole groups of pictures are copied where
    that can be done exactly, and only the edges encoded; clips.csv says how each was made, and
    why. Captions given are cut to match.

    \b
    Examples:
      vidseg clips case.mp4 steps.csv
      vidseg clips case.mp4 steps.csv --step capsulorhexis --join-visits
      vidseg clips case.mp4 steps.csv --pad 1.5 --out teaching
    """
    options = RunOptions(
        steps, pad_ns, join_visits, Cutting(**cutting), cores, frozenset({"clips"})
    )
    return make(request, "clips", options)


def heard(result: CaseResult, progress: StageProgress) -> CaseResult:
    """Hear what is said in a case's recording, and give the case with captions of it."""
    from vidseg.reading import with_captions
    from vidseg.speech.captions_file import Listening, heard_captions
    from vidseg.speech.recogniser import hints_of

    how = Listening(hints=hints_of(result.procedure))
    captions = heard_captions(result.recording, how, partial(progress, "listening"))
    say(f"heard: {captions}; read it against the sound")
    return with_captions(result, captions)


def refused(found: Sequence[Problem], result: CaseResult) -> int:
    """Say what would identify someone in what was to be shared; give the exit code."""
    show_problems([problem for problem in found if problem not in result.problems])
    say(
        f"{len(found)} thing(s) that may identify someone would stand on the page or beside it; "
        "nothing was written. Make a copy fit to share with `vidseg deidentify`, and run on that."
    )
    return 1


def make(request: Request, kind: str, options: RunOptions, *, share: bool = False) -> int:
    """Read the case, say its problems, write the outputs and say what to open.

    With ``share`` nothing is written where anything of it may identify someone.
    """
    from vidseg.measure.privacy.identifying_text import telling
    from vidseg.pipeline.writing import write_case
    from vidseg.reading import hidden_problems, read_case_files

    quiet = request.quiet
    with progress_shown(quiet) as progress:
        result = read_case_files(
            request.case, procedure=request.procedure, clock=request.clock, progress=progress
        )
        if request.transcribe:
            result = heard(result, progress)
    show_problems(result.problems, quiet)
    if result.has_errors and not request.despite_errors:
        say(
            f"{count_problems(result.problems)}; nothing was written. Mend the rows in error, or "
            "go on with --despite-errors."
        )
        return 1
    if share and (found := (*telling(result), *hidden_problems(result.recording))):
        return refused(found, result)
    with progress_shown(quiet) as progress:
        try:
            made = write_case(result, request.folder(kind), options, progress, share=share)
        except SharingError as error:
            return refused(error.problems, result)
    if not quiet and "durations" in options.outputs:
        click.echo(durations_text(result.timing, result.recording_timing))
    for note in made.notes:
        say(note)
    again = f", {made.kept} file(s) kept from before" if made.kept else ""
    say(f"written: {made.folder} ({len(made.made)} file(s) made{again})", quiet)
    if "page" in options.outputs:
        say(f"open: {made.folder / 'index.html'}", quiet)
    say(CAUTION, quiet)
    return int(made.has_errors)
