"""``vidseg mark``."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vidseg.cli.options import (
    FILE,
    captions_option,
    case_of,
    clock_option,
    procedure_option,
    quiet_option,
    transcribe_option,
)
from vidseg.cli.screen import progress_shown, say

if TYPE_CHECKING:
    from vidseg.mark.hub import Hub
    from vidseg.mark.session import Session
    from vidseg.measure.case.ruler import Clock


@click.command("mark")
@click.argument("recordings", type=FILE, nargs=-1, required=True, metavar="RECORDING…")
@click.option(
    "--annotation",
    type=FILE,
    help="Annotation to go on with and to save to (.json, .csv, .tsv; others are read, and saved "
    "as .json beside). [default: RECORDING.steps.json]",
)
@procedure_option
@captions_option
@transcribe_option
@click.option("--draft", type=FILE, help="A draft whose rows are to be confirmed one by one.")
@click.option("--second", type=FILE, help="Another annotator's rows, shown beside with agreement.")
@click.option("--blind", is_flag=True, help="Show nothing of other annotators.")
@click.option("--library", metavar="FILE|URL", help="Hint at usual lengths from your own library.")
@click.option("--annotator", metavar="NAME", help="Pseudonym of whoever marks.")
@click.option("--no-browser", is_flag=True, help="Open no browser; print the address.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port of this machine. [default: any]"
)
@clock_option
@quiet_option
def command(
    recordings: tuple[Path, ...],
    annotation: Path | None,
    procedure: str | None,
    captions: Path | None,
    transcribe: bool,
    draft: Path | None,
    second: Path | None,
    blind: bool,
    library: str | None,
    annotator: str | None,
    no_browser: bool,
    port: int,
    clock: Clock,
    quiet: bool,
) -> int:
    """Mark the steps of RECORDING… by hand, in the browser of this machine.

    RECORDING may be a case.toml. The page is served to this machine alone and nothing leaves it.
    Every change is kept at once; Ctrl-C here, or the page, ends the session.

    \b
    Examples:
      vidseg mark case.mp4
      vidseg mark case.mp4 --procedure msics --annotation steps.csv
      vidseg mark part1.mpg part2.mpg --captions talk.vtt --draft draft.json
      vidseg mark case.mp4 --annotation mine.json --second other.csv
      vidseg mark case.mp4 --annotation mine.json --annotator B --blind
    """
    from vidseg.mark.hub import Hub
    from vidseg.mark.start import MarkingRequest
    from vidseg.model.problem import UsageError

    case = case_of(recordings, captions, annotation, new=True)
    if blind and second is not None:
        raise UsageError("--blind shows nothing of other annotators: leave --second out")
    missing = [str(path) for path in (draft, second) if path is not None and not path.exists()]
    if missing:
        raise UsageError(f"no such file: {', '.join(missing)}")
    if transcribe and case.captions is not None:
        raise UsageError(f"--transcribe is for a case without captions; it has {case.captions}")
    wanted = MarkingRequest(
        case, procedure, draft, second, blind, annotator, clock, transcribe=transcribe
    )
    if library is not None:
        from vidseg.cli.library.options import opened

        with opened(library) as cases:
            wanted = wanted.with_lengths(cases)
    hub = Hub()
    with progress_shown(quiet) as progress:
        session = wanted.open(hub, progress)
    return _run(session, hub, port, no_browser=no_browser, quiet=quiet)


def _run(session: Session, hub: Hub, port: int, *, no_browser: bool, quiet: bool) -> int:
    """Serve until the end, and say how it ended."""
    import threading
    import webbrowser

    from vidseg.mark.start import marking

    def ready(address: str) -> None:
        for notice in session.keeper.notices:
            say(notice, quiet)
        say(f"saved to: {session.keeper.file.path}", quiet)
        click.echo(address)
        if not no_browser:
            # a browser of the terminal holds on until it is left
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        say("the page is open to this machine alone; Ctrl-C ends the session", quiet)

    ended_by, whole = marking(session, hub, port, ready)
    path, rows = session.keeper.file.path, session.keeper.rows.values()
    if drafts := sum(row.draft for row in rows):
        say(f"not confirmed, yet counted like the others: {drafts} of the draft")
    if whole and path.exists():
        say(f"saved: {path} ({len(rows)} rows)", quiet)
    elif whole:
        say(f"nothing was marked, and no {path.name} was made", quiet)
    else:
        why = session.keeper.trouble or "questions are open"
        say(
            f"{path.name} does not hold everything yet ({why}); the rest is in "
            f"{session.keeper.journal.path.name} beside it. Give the same command again to go on"
        )
    if ended_by == signal.SIGINT:
        raise KeyboardInterrupt
    return int(not whole)
