"""``vidseg library``: many cases. Its commands are imported only when one of them is called."""

from __future__ import annotations

import click

from vidseg.cli.door import Door

COMMANDS = {
    "add": ("vidseg.cli.library.add:command", "Add cases: folders, case.toml, annotations."),
    "list": ("vidseg.cli.library.listing:command", "List the cases."),
    "remove": ("vidseg.cli.library.remove:command", "Remove cases."),
    "durations": ("vidseg.cli.library.durations:command", "How long each step takes."),
    "curve": ("vidseg.cli.library.curve:command", "How a step's time goes with experience."),
    "compare": ("vidseg.cli.library.compare:command", "Groups of cases side by side."),
    "agree": ("vidseg.cli.library.agree:command", "How far annotators agree."),
    "page": ("vidseg.cli.library.page:command", "One offline page of tables and figures."),
    "export": ("vidseg.cli.library.export:command", "Tidy tables for a statistics package."),
}
"""Every command of the group: where it is defined and its line in ``--help``."""


class LibraryDoor(Door):
    """The door with the commands of this group."""

    commands_by_name = COMMANDS


@click.group("library", cls=LibraryDoor)
def group() -> None:
    """Keep many cases in one file and study them: durations, learning curves, comparisons,
    agreement of annotators.

    The library is a SQLite file, library.vidseg.sqlite in this folder unless --library or
    VIDSEG_LIBRARY names another file or a PostgreSQL URL. No patient identifier belongs in it:
    cases and surgeons go by pseudonyms, notes and file names are not kept.

    \b
    Examples:
      vidseg library add *.vidseg
      vidseg library add steps/*.csv --cases cases.csv
      vidseg library durations --surgeon S1
      vidseg library page --out library.html

    Time is not skill. Small samples mislead. Numbers from here must not decide on a credential.
    """
