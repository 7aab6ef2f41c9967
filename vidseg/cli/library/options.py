"""Options that the library's commands share."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from vidseg.cli.screen import say
from vidseg.model.bounds import MOST_CASES, shown, whole_number
from vidseg.model.problem import UsageError

if TYPE_CHECKING:
    from vidseg.library.filters import Filter
    from vidseg.library.store import Library

F = TypeVar("F", bound=Callable[..., Any])
DEFAULT = "library.vidseg.sqlite"
_DATE = re.compile(r"\d{4}(-\d\d(-\d\d)?)?")


class RangeText(click.ParamType[tuple[Any, Any]]):
    """``FIRST..LAST``, either left out, or one value that is both.

    ``end`` reads one of them and raises ValueError that says what was expected.
    """

    name = "range"

    def __init__(self, end: Callable[[str], Any]) -> None:
        self.end = end

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[Any, Any]:
        """Read both ends."""
        if isinstance(value, tuple):
            return value
        first, dots, last = str(value).partition("..")
        ends = (first.strip(), (last if dots else first).strip())
        if ends == ("", ""):
            self.fail("expected FIRST..LAST, FIRST.. or ..LAST", param, ctx)
        try:
            found = [self.end(text) if text else None for text in ends]
        except ValueError as error:
            self.fail(str(error), param, ctx)
        return found[0], found[1]


def case_number(text: str) -> int:
    """Read a whole number."""
    number = whole_number(text, MOST_CASES)
    if number is None:
        raise ValueError(f"{shown(text)} is not a case number, {MOST_CASES:,} at most; write 1..50")
    return number


def date(text: str) -> str:
    """Read a year, a month or a day."""
    if _DATE.fullmatch(text) is None:
        raise ValueError(f"{text!r} is not a date; write 2023..2024-06 or 2024-06-01..")
    return text


class Named(click.ParamType[tuple[str, str]]):
    """``name=value``."""

    name = "name=value"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Split at the first sign of equality."""
        if isinstance(value, tuple):
            return value
        name, sign, text = str(value).partition("=")
        if not sign or not name.strip():
            self.fail(f"{value!r} is not NAME=VALUE", param, ctx)
        return name.strip(), text.strip()


library_option = click.option(
    "--library",
    "place",
    metavar="FILE|URL",
    envvar="VIDSEG_LIBRARY",
    default=DEFAULT,
    show_default=True,
    help="The library: a SQLite file, or postgresql://… (also by VIDSEG_LIBRARY).",
)
measure_option = click.option(
    "--measure",
    type=click.Choice(["active", "elapsed"]),
    default="active",
    show_default=True,
    help="Which time of a step: in it, or from its first start to its last end.",
)
confidence_option = click.option(
    "--confidence",
    type=click.FloatRange(0.5, 0.999),
    default=0.95,
    show_default=True,
    help="Of all intervals.",
)


def filter_options(function: F) -> F:
    """Add what narrows the choice of cases; ``filter_of`` makes a Filter of them."""
    for option in reversed(
        (
            click.option("--procedure", metavar="CODE", help="Only cases with this vocabulary."),
            click.option("--step", "steps", multiple=True, metavar="STEP", help="Only this step."),
            click.option("--surgeon", "surgeons", multiple=True, help="Only this surgeon."),
            click.option("--role", "roles", multiple=True, help="Only this role."),
            click.option("--experience", "experiences", multiple=True, help="Only this level."),
            click.option(
                "--date",
                "dates",
                type=RangeText(date),
                default=(None, None),
                metavar="FIRST..LAST",
                help="Only operations within: years, months or days, both ends included.",
            ),
            click.option(
                "--case-number",
                "case_numbers",
                type=RangeText(case_number),
                default=(None, None),
                metavar="FIRST..LAST",
                help="Only these places in a surgeon's series.",
            ),
            click.option(
                "--covariate",
                "covariates",
                type=Named(),
                multiple=True,
                metavar="NAME=VALUE",
                help="Only cases with this value.",
            ),
            click.option(
                "--annotator",
                "annotators",
                multiple=True,
                help="Only what this annotator marked; several: in order of preference.",
            ),
            click.option("--complete-only", is_flag=True, help="Only complete recordings."),
        )
    ):
        function = option(function)
    return function


def filter_of(options: dict[str, Any], *, whole: str = "") -> Filter:
    """Take the filter's values out of a command's options.

    ``whole`` says what is of whole annotations, so that no step can be chosen: UsageError.
    """
    from vidseg.library.filters import Filter

    if whole and options["steps"]:
        raise UsageError(f"{whole} of whole annotations; leave --step out")
    names = Filter.__dataclass_fields__
    return Filter(**{name: options.pop(name) for name in list(options) if name in names})


@contextmanager
def opened(place: str, *, make: bool = False) -> Iterator[Library]:
    """Open the library for a block; tells on stderr when it was brought up to date."""
    from vidseg.library.store import Library

    with Library(place, make=make) as library:
        if library.told:
            say(library.told)
        yield library
