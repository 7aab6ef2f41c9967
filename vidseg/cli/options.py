"""Options that several commands share; each bears the name of the argument it feeds."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any, ClassVar, TypeVar

import click

from vidseg.model.case import Case
from vidseg.model.clock import parse_time
from vidseg.model.problem import UsageError

F = TypeVar("F", bound=Callable[..., Any])


class Rate(click.ParamType[Fraction]):
    """A frame rate: 25, 30000/1001, or 29.97 for 30000/1001."""

    name = "rate"
    known: ClassVar = {"29.97": "30000/1001", "59.94": "60000/1001", "23.976": "24000/1001"}

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Fraction:
        """Read a rate above zero."""
        try:
            rate = Fraction(self.known.get(str(value), str(value)))
        except (ValueError, ZeroDivisionError):
            rate = Fraction(0)
        if rate <= 0:
            self.fail(f"{value!r} is not a frame rate; write 25, 29.97 or 30000/1001", param, ctx)
        return rate


class Duration(click.ParamType[int]):
    """A length of time, in ns inside: 1.5, 4:10 or 0:04:10.250."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Read a written time."""
        if isinstance(value, int):
            return value
        try:
            return parse_time(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


FILE = click.Path(path_type=Path)

procedure_option = click.option(
    "--procedure",
    metavar="CODE|FILE",
    help="Vocabulary: a built-in code or a .toml file of your own. "
    "[default: what the annotation or case names, else phaco]",
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
steps_option = click.option(
    "--step", "steps", multiple=True, metavar="STEP", help="Only this step; may be repeated."
)


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


def case_of(
    paths: tuple[Path, ...], captions: Path | None = None, procedure: str | None = None
) -> Case:
    """Sort what the user names, recordings and an annotation or one case.toml, into a case.

    Raises UsageError where that is not clear or a file is missing.
    """
    from vidseg.formats import FORMATS
    from vidseg.formats.case_file import read_case

    missing = [str(path) for path in (*paths, captions) if path and not path.exists()]
    if missing:
        raise UsageError(f"no such file: {', '.join(missing)}")
    if len(paths) == 1 and paths[0].suffix.lower() == ".toml":
        return read_case(paths[0])
    annotations = [path for path in paths if path.suffix.lower() in FORMATS]
    recordings = tuple(path for path in paths if path not in annotations)
    if len(annotations) > 1:
        names = ", ".join(path.name for path in annotations)
        raise UsageError(f"one annotation is expected, not {len(annotations)}: {names}")
    if not recordings:
        raise UsageError(
            "a recording is expected as well, before the annotation: RECORDING… ANNOTATION "
            "(`vidseg durations` needs the annotation alone)"
        )
    return Case(
        id=recordings[0].stem,
        recordings=recordings,
        annotation=annotations[0] if annotations else None,
        procedure=procedure,
        captions=captions,
    )
