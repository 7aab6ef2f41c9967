"""Texts that a spreadsheet program would run as formulas, and the apostrophe that keeps them texts.

Source: OWASP, CSV Injection (owasp.org/www-community/attacks/CSV_Injection): the first character of
the cell decides. The full-width forms count where Japanese input is set up (the same page).
"""

from __future__ import annotations

import re

RISKY = "=+-@\t\r\n\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}" + (
    "\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}"
)
"""A cell that begins with one of these may be run."""

_GUARDED_ALIKE = re.compile(f"'*[{re.escape(RISKY)}]")


def is_risky(text: str) -> bool:
    """Say whether a spreadsheet program may run a text as a formula."""
    return text[:1] in tuple(RISKY)


def guarded(text: str) -> str:
    """Put an apostrophe before a text that would run, for a cell of CSV; others stay as they are.

    A text that already is apostrophes before such a sign gets one more, so that ``unguarded``
    gives every text back.
    """
    return f"'{text}" if _GUARDED_ALIKE.match(text) else text


def csv_cell(text: str) -> str:
    """Give a text as a cell of CSV: guarded, line breaks as ``\\n``.

    Python's csv module leaves a lone carriage return unquoted where rows end in a line feed, and
    readers would end the row there.
    """
    return guarded(text.replace("\r\n", "\n").replace("\r", "\n"))


def unguarded(cell: str) -> str:
    """Take the apostrophe off again that ``guarded`` put before a text."""
    return cell[1:] if cell[:1] == "'" and _GUARDED_ALIKE.match(cell) else cell
