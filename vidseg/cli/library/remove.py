"""``vidseg library remove``."""

from __future__ import annotations

import click

from vidseg.cli.library.options import library_option, opened
from vidseg.cli.options import quiet_option
from vidseg.cli.screen import say


@click.command("remove")
@click.argument("cases", nargs=-1, required=True)
@click.option("--annotator", help="Only what this annotator marked.")
@library_option
@quiet_option
def command(cases: tuple[str, ...], annotator: str | None, place: str, quiet: bool) -> None:
    """Remove CASES by name, all of them or none. Their files are not touched.

    \b
    Examples:
      vidseg library remove 2031-014
      vidseg library remove 2031-014 2031-015 --annotator B
    """
    with opened(place) as library:
        gone = library.remove(cases, annotator)
        say(f"removed: {gone} {'case' if gone == 1 else 'cases'} from {library.place}", quiet)
