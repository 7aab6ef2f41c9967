"""The largest that anything written may be: times, rates, numbers, names, rows.

All are far beyond any recording of an operation. They are there so that a slip of the keyboard or
a damaged file is told at once, in the row where it stands, and not by a program that runs out of
memory, of digits, or of time. Functions raise ``ValueError`` with a message that says the bound.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import TypeVar

from vidseg.model.problem import FormatError

T = TypeVar("T")

LONGEST_H = 1_000
"""Hours: no recording and no operation is longer (six weeks without a break)."""
LONGEST_NS = LONGEST_H * 3_600 * 1_000_000_000

FASTEST_RATE = 10_000
"""Frames a second; high-speed cameras for the laboratory reach it, none in a theatre does."""
SLOWEST_RATE = Fraction(1, 1_000)
MOST_FRAMES = LONGEST_H * 3_600 * FASTEST_RATE

FASTEST_FACTOR = 1_000
"""How many times as fast, or as slow, a stretch of a recording may be shown."""

MOST_ROWS = 100_000
"""Rows of one annotation or table of cases: a mark every second for more than a day."""
MOST_STEPS = 1_000
"""Steps, and quantities, of one vocabulary."""
MOST_PARTS = 999
"""Files that make up one recording; a row names its part by a number of three digits."""
MOST_EDITS = 1_000
"""Edits declared of one recording."""
DEEPEST = 100
"""How deep tables may lie in tables, or chapters in chapters."""

MOST_CASES = 1_000_000
"""The highest number of a case in a surgeon's series."""
LARGEST_NUMBER = 10**15
"""The largest covariate, either way; as a float it is still exact."""

LARGEST_PX = 100_000
"""Width and height of a picture."""

LONGEST_FILE_NAME = 255
"""Bytes of one part of a path, on every file system in use here (ext4, NTFS, APFS)."""
LONGEST_PATH = 1_000
LONGEST_NAME = 100
"""Characters of a name that becomes part of a file's name: a step's code, a case's id."""

_NUMBER = re.compile(r"[0-9]{1,15}(?:\.[0-9]{1,15})?(?:/[0-9]{1,15})?")
_TOO_LONG = f"no recording is longer than {LONGEST_H:,} h"


def bounded_ns(ns: int, written: str) -> int:
    """Give a time (ns) back. Raises ValueError where no recording is so long."""
    if ns > LONGEST_NS:
        raise ValueError(f"not a time: {shown(written)}; {_TOO_LONG}")
    return ns


def bounded_frame(number: int, written: str) -> int:
    """Give a frame number back. Raises ValueError where no recording has so many frames."""
    if number > MOST_FRAMES:
        raise ValueError(
            f"not a frame number: {shown(written)}; {_TOO_LONG}, at {FASTEST_RATE:,} frames/s"
        )
    return number


def parse_ratio(written: str) -> Fraction:
    """Read ``25``, ``0.5`` or ``30000/1001``, above zero. Raises ValueError for anything else.

    Powers of ten are not read: ``1e999999999`` would be a number of a thousand million digits.
    """
    text = written.strip()
    if not _NUMBER.fullmatch(text) or ("." in text and "/" in text):
        raise ValueError(f"not a number above 0: {shown(written)}; write 4, 0.5 or 4/3")
    try:
        ratio = Fraction(text)
    except ZeroDivisionError:
        ratio = Fraction(0)
    if ratio <= 0:
        raise ValueError(f"not a number above 0: {shown(written)}; write 4, 0.5 or 4/3")
    return ratio


def whole_number(written: str, most: int) -> int | None:
    """Read a whole number from 0 to ``most``, in plain digits; None for anything else."""
    plain = written.isascii() and written.isdigit() and len(written) <= 18
    return int(written) if plain and int(written) <= most else None


def usable_path(written: str) -> str:
    """Give a path back. Raises ValueError where no file can have it, or where it is no text.

    Names from before UTF-8 come as halves of characters, which no page or table can show.
    """
    if any("\ud800" <= letter <= "\udfff" for letter in written):
        told = written.encode("utf-8", "replace").decode()
        raise ValueError(f"the name {told!r} is not UTF-8 text; rename the file or folder")
    longest = max((len(part.encode()) for part in re.split(r"[/\\]", written)), default=0)
    if longest > LONGEST_FILE_NAME or len(written) > LONGEST_PATH:
        raise ValueError(
            f"{shown(written)} is longer than the name of any file ({LONGEST_FILE_NAME} bytes)"
        )
    return written


RATE_NAMES = {"29.97": "30000/1001", "59.94": "60000/1001", "23.976": "24000/1001"}
"""Rates as people write them, and what they are."""


def parse_rate(written: str) -> Fraction:
    """Read a rate in frames/s: 25, 30000/1001, or 29.97 for 30000/1001. Raises ValueError."""
    known = written.strip()
    try:
        rate = parse_ratio(RATE_NAMES.get(known, known))
    except ValueError:
        raise ValueError(
            f"{shown(written)} is not a frame rate; write 25, 29.97 or 30000/1001"
        ) from None
    if not SLOWEST_RATE <= rate <= FASTEST_RATE:
        raise ValueError(
            f"{shown(written)} is not a frame rate; rates go from {float(SLOWEST_RATE)} to "
            f"{FASTEST_RATE:,} frames/s"
        )
    return rate


def parse_factor(written: str) -> Fraction:
    """Read how many times as fast a stretch is shown: 4, 0.5 or "4/3". Raises ValueError."""
    factor = parse_ratio(written)
    if not Fraction(1, FASTEST_FACTOR) <= factor <= FASTEST_FACTOR:
        raise ValueError(
            f"not a factor: {shown(written)}; it goes from 1/{FASTEST_FACTOR} to {FASTEST_FACTOR}"
        )
    return factor


def at_most_rows(rows: Iterable[T], source: str, size: int) -> Iterator[T]:
    """Yield rows as they come. Raises FormatError, with the file's ``size`` in bytes, at the first
    one that is too many."""
    for number, row in enumerate(rows):
        if number > MOST_ROWS:  # a header may stand above them
            raise too_many_rows(source, f"{size / 1e6:.1f} MB")
        yield row


def too_many_rows(source: str, size: str) -> FormatError:
    """Say that a file of this ``size`` holds too many rows."""
    return FormatError(
        source,
        None,
        f"holds more than {MOST_ROWS:,} rows ({size}), the most that is read of one file; save "
        "the rows of each case in a file of its own",
    )


def shown(text: str, most: int = 60) -> str:
    """Quote text for a message, cut where it is long."""
    return repr(text if len(text) <= most else text[: most - 1] + "…")
