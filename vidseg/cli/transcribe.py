"""``vidseg transcribe``."""

from __future__ import annotations

from pathlib import Path

import click

from vidseg.cli.options import FILE, quiet_option, refuse_given
from vidseg.cli.screen import progress_shown, say
from vidseg.model.procedure import DEFAULT_PROCEDURE


@click.command("transcribe")
@click.argument("recordings", type=FILE, nargs=-1, metavar="RECORDING…")
@click.option(
    "-o", "--out", type=FILE, help="Where to write (.vtt or .srt). [default: RECORDING.heard.vtt]"
)
@click.option("--language", metavar="CODE", help="Language spoken: en, de, hi … [default: hear it]")
@click.option(
    "--model", metavar="FOLDER|NAME", help="The speech model. [default: the best on this machine]"
)
@click.option(
    "--download", metavar="NAME", help="First fetch a model (tiny, small, medium …) once for all."
)
@click.option(
    "--procedure",
    default=DEFAULT_PROCEDURE,
    show_default=True,
    metavar="CODE|FILE",
    help="Vocabulary whose words the recogniser is to expect; `none` for no such words.",
)
@click.option("--word-times", is_flag=True, help="Write the time of each word as well (.vtt).")
@click.option("--force", is_flag=True, help="Replace a file that exists.")
@quiet_option
def command(
    recordings: tuple[Path, ...],
    out: Path | None,
    language: str | None,
    model: str | None,
    download: str | None,
    procedure: str,
    word_times: bool,
    force: bool,
    quiet: bool,
) -> int:
    """Write timed captions of what is said in RECORDING…, heard on this machine and nowhere else.

    Several files, in order, are one operation on one clock. Needs the speech extra and a model:
    see `vidseg guide drafting`. Nothing is ever fetched unless --download says so. A recogniser
    mishears: read the captions against the sound. Exit code 1 where no speech was heard.

    \b
    Examples:
      vidseg transcribe case.mp4 -o talk.vtt
      vidseg transcribe part1.mp4 part2.mp4 --language en -o talk.srt
      vidseg transcribe case.mp4 --model /models/small --procedure lap_chole
      vidseg transcribe --download small
    """
    from vidseg.formats.vocabulary import load_procedure
    from vidseg.media.read.probe import open_recording
    from vidseg.model.problem import UsageError
    from vidseg.speech.captions_file import Listening, captions_beside, write_heard
    from vidseg.speech.models import about_bytes, fetch, find_model, require_engine
    from vidseg.speech.recogniser import hints_of

    if not recordings:
        idle = ("out", "language", "procedure", "word_times", "force")
        refuse_given(idle, "is for a recording, and none is named")
    require_engine()
    if download is not None:
        if model is not None:
            raise UsageError("give --download or --model, not both")
        say(f"fetching the model {download} over the network, {about_bytes(download)}", quiet)
        model = str(fetch(download))
        say(f"fetched: {model}", quiet)
    if not recordings:
        if download is None:
            raise UsageError("a recording is expected: vidseg transcribe case.mp4 -o talk.vtt")
        return 0
    find_model(model)
    hints = "" if procedure == "none" else hints_of(load_procedure(procedure))
    if missing := [str(path) for path in recordings if not path.exists()]:
        raise UsageError(f"no such file: {', '.join(missing)}")
    with progress_shown(quiet) as progress:
        recording = open_recording(
            recordings, progress=lambda done: progress("reading frame times", done)
        )
        target = out or captions_beside(recording)
        if target.exists() and not force:
            raise UsageError(f"{target} exists; --force replaces it")
        made = write_heard(
            recording,
            target,
            Listening(model, language, hints, word_times),
            lambda done: progress("listening", done),
        )
    words = made.words
    if not words:
        say(f"no speech was heard; {target} holds no captions")
        return 1
    sure = sum(word.sure for word in words) / len(words)
    say(
        f"written: {target} ({len(made.cues)} captions, {len(words)} words, language "
        f"{made.language}, model {made.model}, sure of a word: {sure:.0%} on average)",
        quiet,
    )
    say("a recogniser mishears, names and numbers most of all: read it against the sound", quiet)
    return 0
