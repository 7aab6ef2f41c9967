"""``vidseg deidentify``."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from decimal import Decimal, InvalidOperation
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from vidseg.cli.options import FILE, case_of, clock_option, procedure_option, quiet_option
from vidseg.cli.screen import count_problems, progress_shown, say, show_problems
from vidseg.model.clock import parse_time
from vidseg.model.consent import Purpose
from vidseg.model.problem import SharingError
from vidseg.model.span import Span, Spans

if TYPE_CHECKING:
    from vidseg.measure.case.ruler import Clock
    from vidseg.measure.privacy.sifting import Sifted
    from vidseg.model.mask import Mask
    from vidseg.sharing.options import Shared


class TimeSpan(click.ParamType[Span]):
    """``start-end``, in ns inside."""

    name = "span"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Span:
        """Read both ends."""
        start, _, end = str(value).partition("-")
        try:
            return Span(parse_time(start), parse_time(end))
        except ValueError as error:
            self.fail(f"{value!r} is no span (write 0:03:10-0:04:00): {error}", param, ctx)


class MaskText(click.ParamType["Mask"]):
    """``x,y,width,height[@start-end]``."""

    name = "mask"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Mask:
        """Read a rectangle."""
        from vidseg.formats.mask_list import parse_mask

        try:
            return parse_mask(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class Width(click.ParamType[tuple[str, Decimal]]):
    """``name=width``: a covariate and how wide its ranges are."""

    name = "width"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, Decimal]:
        """Read a name and a number above 0."""
        name, _, width = str(value).rpartition("=")
        try:
            number = Decimal(width)
        except InvalidOperation:
            number = Decimal(0)
        if not name or not number.is_finite() or number <= 0:
            self.fail(f"{value!r}: write NAME=WIDTH with a width above 0, as age=10", param, ctx)
        return name, number


@click.command("deidentify")
@click.argument("paths", type=FILE, nargs=-1, required=True, metavar="CASE")
@click.option(
    "--for",
    "purpose",
    type=click.Choice([purpose.value for purpose in Purpose]),
    required=True,
    help="What the copy is for; the case's consent must say yes to it.",
)
@click.option("--out", type=FILE, required=True, help="Folder for copy and record.")
@click.option(
    "--mask", "masks", type=MaskText(), multiple=True, metavar="X,Y,W,H[@START-END]",
    help="Cover a rectangle (px of the picture as shown), for all or part of the time.",
)  # fmt: skip
@click.option(
    "--masks", "mask_file", type=FILE, metavar="FILE", help="A table of rectangles to cover."
)
@click.option("--mask-overlays", is_flag=True, help="Cover all burnt-in text that is found.")
@click.option(
    "--no-reading",
    is_flag=True,
    help="Do not read pictures for writing, where the text extra is installed: it takes long.",
)
@click.option(
    "--excluded",
    type=click.Choice(["blank", "cut", "keep"]),
    default="blank",
    show_default=True,
    help="What happens to excluded spans: black and silent, cut out, or kept.",
)
@click.option(
    "--unlike",
    type=click.Choice(["blank", "cut"]),
    help="What happens to spans found to look unlike the rest.",
)
@click.option("--looked", is_flag=True, help="A person has looked: what else was found may stay.")
@click.option("--cut", "cuts", type=TimeSpan(), multiple=True, help="Cut this span out.")
@click.option("--blank", "blanks", type=TimeSpan(), multiple=True, help="Make this span black.")
@click.option("--keep-only-steps", is_flag=True, help="Cut out all that lies in no step.")
@click.option("--keep-sound", metavar="REASON", help="Keep the sound, for this reason.")
@click.option(
    "--silence", "silences", type=TimeSpan(), multiple=True, help="Silence kept sound here."
)
@click.option(
    "--transcribe",
    is_flag=True,
    help="Hear kept sound and search it for names, dates and numbers (needs the speech extra).",
)
@click.option("--silence-heard", is_flag=True, help="Silence what --transcribe finds.")
@click.option("--keep-captions", is_flag=True, help="Keep captions in which nothing is found.")
@click.option("--keep-notes", is_flag=True, help="Keep notes in which nothing is found.")
@click.option(
    "--allow", "allowed", multiple=True, metavar="TEXT",
    help="Let words that were found stay, as they were shown.",
)  # fmt: skip
@click.option(
    "--coarsen", type=Width(), multiple=True, metavar="NAME=WIDTH",
    help="Tell a covariate as a range: age=10.",
)  # fmt: skip
@click.option("--leave-out", "left_out", multiple=True, metavar="NAME", help="Drop a covariate.")
@click.option("--library", metavar="PLACE", help="Count how many of its cases share covariates.")
@click.option(
    "--since",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Tell the date of the operation as days since this one.",
)
@click.option("--keep-surgeon", is_flag=True, help="Keep the surgeon's pseudonym.")
@click.option("--id", "new_id", metavar="NAME", help="Name of the case in the copy.")
@click.option("--captions", type=FILE, help="Captions of the recording (.vtt or .srt).")
@click.option(
    "--quality",
    type=click.IntRange(0, 51),
    default=18,
    show_default=True,
    help="x264's constant rate factor where all pictures are encoded anew.",
)
@click.option("--reencode", is_flag=True, help="Encode all pictures anew; copy none.")
@procedure_option
@clock_option
@quiet_option
def command(
    paths: tuple[Path, ...],
    purpose: str,
    out: Path,
    masks: tuple[Mask, ...],
    mask_file: Path | None,
    mask_overlays: bool,
    no_reading: bool,
    excluded: Literal["blank", "cut", "keep"],
    unlike: Literal["blank", "cut"] | None,
    looked: bool,
    cuts: tuple[Span, ...],
    blanks: tuple[Span, ...],
    keep_only_steps: bool,
    keep_sound: str | None,
    silences: tuple[Span, ...],
    transcribe: bool,
    silence_heard: bool,
    keep_captions: bool,
    keep_notes: bool,
    allowed: tuple[str, ...],
    coarsen: tuple[tuple[str, Decimal], ...],
    left_out: tuple[str, ...],
    library: str | None,
    since: datetime | None,
    keep_surgeon: bool,
    new_id: str | None,
    captions: Path | None,
    quality: int,
    reencode: bool,
    procedure: str | None,
    clock: Clock,
    quiet: bool,
) -> int:
    """Make a copy of CASE (a case.toml) that is fit to share, and the record of what was done.

    The patient's consent to the purpose must stand in the case.toml. In OUT, copy holds the
    recording without metadata and (unless kept) without sound, its steps, a new case.toml and
    stills; record tells what was removed, what was checked and what a person must still look at,
    and stays with you. Where burnt-in text or spans unlike the rest are found and nothing is said
    about them, no copy is made (exit code 1): look at record/look, then say what to do.

    \b
    Examples:
      vidseg deidentify case.toml --for teaching --out shared
      vidseg deidentify case.toml --for teaching --out shared --mask-overlays --unlike cut
      vidseg deidentify case.toml --for research --out shared --coarsen age=10 --looked
    """
    from vidseg.formats.mask_list import read_masks
    from vidseg.media.picture.text_reader import INSTALL, can_read
    from vidseg.reading import read_case_files
    from vidseg.sharing.deidentify import deidentify
    from vidseg.sharing.options import ShareOptions, require_consent
    from vidseg.speech.captions_file import Listening, hear
    from vidseg.speech.recogniser import hints_of

    case = case_of(paths, captions)
    require_consent(case, Purpose(purpose))
    if keep_sound is not None and not keep_sound.strip():
        raise click.UsageError("--keep-sound needs the reason: a voice identifies")
    if transcribe and keep_sound is None:
        raise click.UsageError("--transcribe hears sound that is kept; see --keep-sound")
    if silence_heard and not transcribe:
        raise click.UsageError("--silence-heard silences what --transcribe finds: give both")
    listed = read_masks(mask_file) if mask_file else ()
    if no_reading and not can_read():
        raise click.UsageError(f"--no-reading: nothing is read anyhow; reading needs {INSTALL}")
    if mask_file and not listed:
        raise click.UsageError(f"--masks {mask_file}: there is no rectangle in it")
    options = ShareOptions(
        purpose=Purpose(purpose),
        masks=(*masks, *listed),
        mask_overlays=mask_overlays,
        read_pictures=can_read() and not no_reading,
        excluded=excluded,
        unlike=unlike or "",
        looked=looked,
        cut=Spans(cuts),
        blanked=Spans(blanks),
        keep_only_steps=keep_only_steps,
        keep_sound=(keep_sound or "").strip(),
        silenced=Spans(silences),
        keep_captions=keep_captions,
        keep_notes=keep_notes,
        allowed=allowed,
        coarsen=dict(coarsen),
        left_out=left_out,
        keep_surgeon=keep_surgeon,
        new_id=new_id or "",
        since=since.date() if since else None,
        quality=quality,
        reencode=reencode,
        silence_heard=silence_heard,
        others=_others(library, case.id) if library else None,
    )
    with progress_shown(quiet) as progress:
        result = read_case_files(case, procedure=procedure, clock=clock, progress=progress)
    if result.has_errors:
        show_problems(result.problems, quiet)
        say(f"{count_problems(result.problems)}; no copy was made. Mend the rows in error first.")
        return 1
    state = out.with_name(f".{out.name}.heard")
    with progress_shown(quiet) as progress:
        if transcribe:
            how = Listening(hints=hints_of(result.procedure))
            heard = hear(result.recording, state, how, partial(progress, "listening"))
            options = replace(options, heard=heard)
        try:
            shared = deidentify(result, out, options, progress)
        except SharingError as error:
            show_problems(error.problems)
            say("no copy was made: what is named above would have stood in it")
            return 1
    if not shared.undecided:
        state.unlink(missing_ok=True)
    return told(shared, quiet)


def told(shared: Shared, quiet: bool) -> int:
    """Say what came of it; give the exit code."""
    from vidseg.measure.privacy.identifying_text import found_in_words

    if shared.undecided:
        for sentence in shared.undecided:
            say(f"undecided: {sentence}")
        for note in shared.notes:
            say(note, quiet)
        say(
            f"no copy was made. Look at {shared.folder / 'record' / 'look'}, then say what to do: "
            "--mask-overlays or --mask (masks.csv there holds the rectangles), --unlike cut or "
            "blank, --cut, --blank; --looked where a person has looked and the rest may stay. What "
            "is said aloud: --silence-heard, --silence or --allow."
        )
        return 1
    for one, problem in zip(shared.words, found_in_words(shared.words), strict=True):
        show_problems([problem], guide=False)
        decided = "left in, as allowed" if one.allowed else "left out"
        say(f"  {decided}: {highlighted(one)}")
    for group in shared.groups:
        say(
            f"{', '.join(group.names)}: {group.size} case(s) in the library share "
            f"{'these values' if len(group.names) > 1 else 'this value'}",
            quiet,
        )
    for note in shared.notes:
        say(note, quiet)
    say(f"written: {shared.folder / 'copy'}, to share", quiet)
    say(f"written: {shared.folder / 'record'}, which stays with you", quiet)
    say(
        f"{shared.to_check} lines of record/deidentification.html are left to a person: look at "
        "the whole copy before it leaves. Local law and your data protection officer decide."
    )
    return 0


def highlighted(one: Sifted) -> str:
    """Give the text of a finding with the finding marked."""
    start, end = one.identifier.start, one.identifier.end
    marked = click.style(f"[{one.text[start:end]}]", reverse=True)
    return " ".join(f"{one.text[:start]}{marked}{one.text[end:]}".split())


def _others(place: str, case: str) -> tuple[dict[str, str], ...]:
    from vidseg.cli.library.options import opened
    from vidseg.library.shared_values import told_of_cases

    with opened(place) as library:
        return told_of_cases(library, case)
