"""Options that several commands share; each bears the name of the argument it feeds."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import click

from vidseg.model.annotation import Sheet
from vidseg.model.bounds import parse_rate, usable_path
from vidseg.model.case import Case
from vidseg.model.clock import parse_time
from vidseg.model.problem import UsageError
from vidseg.model.procedure import DEFAULT_PROCEDURE

F = TypeVar("F", bound=Callable[..., Any])


class Rate(click.ParamType[Fraction]):
    """A frame rate: 25, 30000/1001, or 29.97 for 30000/1001."""

    name = "rate"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Fraction:
        """Read a rate above zero."""
        try:
            return parse_rate(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class Duration(click.ParamType[int]):
    """A length of time, in ns inside: 1.5, 4:10 or 0:04:10.250; with ``some`` it is above 0."""

    name = "time"

    def __init__(self, *, some: bool = False) -> None:
        self.some = some

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Read a written time."""
        if isinstance(value, int):
            return value
        try:
            length_ns = parse_time(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if self.some and length_ns == 0:
            self.fail(f"{value!r}: expected a time above 0", param, ctx)
        return length_ns


class FilePath(click.Path):
    """A path that a file can have."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read a path."""
        try:
            usable_path(os.fspath(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)
        return super().convert(value, param, ctx)


FILE = FilePath(path_type=Path)

procedure_option = click.option(
    "--procedure",
    metavar="CODE|FILE",
    help="Vocabulary: a built-in code or a .toml file of your own. "
    f"[default: what the annotation or case names, else {DEFAULT_PROCEDURE}]",
)
rate_option = click.option(
    "--rate", type=Rate(), help="Frame rate, where times are frames or timecode."
)
length_option = click.option(
    "--length", "length_ns", type=Duration(some=True), help="Length of the recording."
)
out_option = click.option("--out", type=FILE, help="Where to write.")
quiet_option = click.option("--quiet", is_flag=True, help="Print problems and errors only.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")
clock_option = click.option(
    "--clock",
    type=click.Choice(["recording", "timecode"]),
    default="recording",
    show_default=True,
    help="The clock that times are written on: the recording's own, from its first frame, or "
    "the recorder's timecode.",
)
captions_option = click.option(
    "--captions", type=FILE, help="Captions of the recording (.vtt or .srt)."
)
transcribe_option = click.option(
    "--transcribe",
    is_flag=True,
    help="Where there are no captions, hear what is said (see `vidseg transcribe`).",
)
steps_option = click.option(
    "--step", "steps", multiple=True, metavar="STEP", help="Only this step; may be repeated."
)


CLIPS_ALONE = ("quality", "reencode", "verify", "join_visits", "pad_ns")
"""The arguments of ``clip_options`` that no other output heeds."""


def clip_options(function: F) -> F:
    """Add what shapes clips."""
    for option in (
        click.option(
            "--quality",
            type=click.IntRange(0, 51),
            default=18,
            show_default=True,
            help="Quality where pictures are re-encoded: x264's constant rate factor, lower is "
            "better.",
        ),
        click.option("--reencode", is_flag=True, help="Encode all pictures anew; copy none."),
        click.option(
            "--verify",
            type=click.Choice(["edges", "full", "none"]),
            default="edges",
            show_default=True,
            help="How much of each clip is compared with the recording before it gets its name: "
            "the encoded edges and the copied pictures next to them, everything, or the number "
            "of pictures only.",
        ),
        click.option(
            "--cores",
            type=click.IntRange(0),
            default=0,
            metavar="N",
            help="How many cores to use. [default: all]",
        ),
        click.option(
            "--join-visits", is_flag=True, help="One clip per step, its visits back to back."
        ),
        click.option(
            "--pad",
            "pad_ns",
            type=Duration(),
            default=0,
            metavar="TIME",
            help="Widen each clip by this much at both ends.",
        ),
        steps_option,
    ):
        function = option(function)
    return function


def refuse_given(names: Collection[str], why: str) -> None:
    """Raise UsageError where the user gave one of these options, which cannot act: ``--name why``.

    ``names`` are those of the arguments that the options feed.
    """
    context = click.get_current_context()
    for option in context.command.params:
        source = context.get_parameter_source(option.name or "")
        if option.name in names and source is not click.core.ParameterSource.DEFAULT:
            raise UsageError(f"{max(option.opts, key=len)} {why}")


def case_of(
    paths: Sequence[Path],
    captions: Path | None = None,
    annotation: Path | None = None,
    *,
    new: bool = False,
) -> Case:
    """Sort what the user names, recordings and an annotation, a case.toml or both, into a case.

    What is named here wins over what the case.toml says. With ``new`` the file ``annotation`` need
    not exist yet. Raises UsageError where it is not clear or a file is missing.
    """
    from vidseg.formats import FORMATS
    from vidseg.formats.case_file import read_case

    needed = (*paths, captions, None if new else annotation)
    missing = [str(path) for path in needed if path and not path.exists()]
    if missing:
        raise UsageError(f"no such file: {', '.join(missing)}")
    files = [path for path in paths if path.suffix.lower() == ".toml"]
    annotations = [path for path in paths if path.suffix.lower() in FORMATS]
    recordings = tuple(path for path in paths if path not in files and path not in annotations)
    annotations += [annotation] if annotation else []
    if len(files) > 1:
        names = ", ".join(str(path) for path in files)
        raise UsageError(f"one case at a time, not {names}; `vidseg batch` takes many")
    if len(annotations) > 1:
        names = ", ".join(path.name for path in annotations)
        raise UsageError(f"one annotation is expected, not {len(annotations)}: {names}")
    if files:
        case = read_case(files[0])
        if recordings and case.starts and len(case.starts) != len(recordings):
            raise UsageError(
                f"{files[0].name} has {len(case.starts)} starts for its own recordings, and "
                f"{len(recordings)} are named here: name as many, or take `starts` out"
            )
    elif recordings:
        case = Case(recordings[0].stem, recordings, None)
    else:
        raise UsageError(
            "a recording is expected as well, before the annotation: RECORDING… ANNOTATION "
            "(`vidseg durations` needs the annotation alone)"
        )
    return replace(
        case,
        recordings=recordings or case.recordings,
        annotation=annotations[0] if annotations else case.annotation,
        captions=captions or case.captions,
    )


def require_clock(
    recordings: Sequence[Path], rate: Fraction | None, length_ns: int | None, clock: str
) -> None:
    """Raise UsageError where what stands in for a recording is given beside one, or the clock of a
    recorder without what it recorded."""
    for option, given in (("--rate", rate), ("--length", length_ns)):
        if recordings and given is not None:
            raise UsageError(f"the recording tells it: give --recording or {option}, not both")
    if clock == "timecode" and not recordings:
        raise UsageError("--clock timecode needs the --recording, whose timecode it is")


def require_frames(sheets: Sequence[Sheet], rate: Fraction | None) -> None:
    """Raise UsageError where a frame rate is given and no row is written in frames or timecode."""
    if rate is not None and not any(sheet.in_frames or not sheet.marks for sheet in sheets):
        raise UsageError("--rate is for times in frames or timecode, and no row has one")
