"""Our own TOML files as text: parsed, and with the line on which each key stands.

TOML 1.0 (https://toml.io/en/v1.0.0) is read with the standard library, which keeps no lines;
the line of a key is found again in the text.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from vidseg.disk.trouble import trouble
from vidseg.formats.text_file import refuse_odd_file
from vidseg.model.bounds import DEEPEST, LARGEST_NUMBER
from vidseg.model.problem import FormatError

Place = tuple[str | int, ...]
"""Where a value stands: keys by name, list items from 0. ``("steps", 2, "shortest")``."""

Fault = tuple[int | None, str]
"""A line (from 1; None where there is none) and what is wrong there."""

MOST_FAULTS = 200
"""Faults of one file that are told one by one; a file with more is of another kind."""

_HEADER = re.compile(r"\s*(\[\[|\[)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)\s*(?:\.[^=]*)?=(.*)""")
_AT = re.compile(r"\s*\(at line (\d+), column (\d+)\)")
_MANY_DIGITS = re.compile("[0-9_]{4000}")
_LARGEST_BYTES = 1024 * 1024
_TOO_DEEP = f"tables or lists lie in one another more than {DEEPEST} deep"
_BACKSLASH_HINT = (
    "a backslash in double quotes starts an escape; write a Windows path with / or in single "
    "quotes: 'C:\\videos\\case.mp4'"
)


def read_text(path: Path) -> str:
    """Read a UTF-8 text file (byte-order mark allowed). Raises FormatError."""
    try:
        refuse_odd_file(path, str(path), _LARGEST_BYTES)
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise FormatError(str(path), line, "not UTF-8 text; save the file as UTF-8") from None
    except OSError as error:
        raise FormatError(str(path), None, f"cannot be read: {trouble(error)}") from None


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """Parse TOML. Raises FormatError with the line where the text stops being TOML."""
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise FormatError(source, None, _TOO_DEEP) from None
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        at = _AT.search(message)
        line = int(at[1]) if at else max(1, len(text.splitlines()))
        what = _AT.sub("", message).removesuffix(" (at end of document)")
        where = f"at column {at[2]}" if at else "at the end of the file"
        reason = f"not valid TOML: {what} {where}"
        lines = text.splitlines()
        if "\\" in (lines[line - 1] if line <= len(lines) else ""):
            reason += f" ({_BACKSLASH_HINT})"
        raise FormatError(source, line, reason) from None
    except ValueError as error:  # Python refuses numbers of some thousand digits
        digits = _MANY_DIGITS.search(text)
        place = text.count("\n", 0, digits.start()) + 1 if digits else None
        reason = "a number has too many digits" if digits else str(error)
        raise FormatError(source, place, f"not valid TOML: {reason}") from None
    _refuse_unbounded(document, text, source)
    return document


def _refuse_unbounded(document: dict[str, Any], text: str, source: str) -> None:
    """Raise FormatError for numbers and depths that no file of ours needs."""
    waiting: list[tuple[Place, Any]] = [((), document)]
    while waiting:
        place, value = waiting.pop()
        if len(place) > DEEPEST:
            raise FormatError(source, find_line(text, place[:1]), _TOO_DEEP)
        if isinstance(value, dict):
            waiting += [((*place, key), inner) for key, inner in value.items()]
        elif isinstance(value, list):
            waiting += [((*place, number), inner) for number, inner in enumerate(value)]
        elif isinstance(value, int) and abs(value) > LARGEST_NUMBER:
            raise FormatError(
                source,
                find_line(text, place),
                f"{place_text(place)}: no number in this file is above {LARGEST_NUMBER:,}",
            )


def find_line(text: str, place: Place) -> int | None:
    """Give the line (from 1) of the key at ``place``, or of the table that should hold it.

    Returns None where nothing of it is found.
    """
    keys = [part for part in place if isinstance(part, str)]
    if not keys:
        return None
    last = max(n for n, part in enumerate(place) if isinstance(part, str))
    table, table_item, own_item = keys[:-1], _item(place[:last]), _item(place)
    current: list[str] = []
    item, table_line, quotes = 0, None, ""
    seen: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        if quotes:
            quotes = "" if quotes in line else quotes
        elif header := _HEADER.fullmatch(line):
            current = [part.strip().strip("\"'") for part in header[2].split(".")]
            seen[header[2]] = seen.get(header[2], 0) + 1
            item = seen[header[2]] - 1 if header[1] == "[[" else 0
            if current == keys and item == own_item:
                return number
            if current == table and item == table_item:
                table_line = number
        elif pair := _KEY.fullmatch(line):
            quotes = _open_quotes(pair[2])
            if current == table and item == table_item and pair[1].strip("\"'") == keys[-1]:
                return number
    return table_line or find_line(text, place[:-1])


def place_text(place: Place) -> str:
    """Write a place as a reader counts it, from 1: ``steps[3].shortest``."""
    text = ""
    for part in place:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def join_faults(source: str, faults: Sequence[Fault]) -> FormatError:
    """Make one error of everything that is wrong: (line, what) pairs in file order."""
    ordered = sorted(faults, key=lambda fault: (fault[0] is None, fault[0] or 0))
    if len(ordered) == 1:
        return FormatError(source, *ordered[0])
    rows = [f"line {line}: {what}" if line else what for line, what in ordered[:MOST_FAULTS]]
    if len(ordered) > MOST_FAULTS:
        rows.append(f"and {len(ordered) - MOST_FAULTS} more")
    return FormatError(source, None, "\n  ".join([f"{len(ordered)} things to put right", *rows]))


def _item(place: Place) -> int:
    """Give which of the ``[[tables]]`` of one name is meant: the first list index, else 0."""
    return next((part for part in place if isinstance(part, int)), 0)


def _open_quotes(value: str) -> str:
    """Give the triple quote that ``value`` opens and does not close, or nothing."""
    for quotes in ('"""', "'''"):
        if value.count(quotes) == 1:
            return quotes
    return ""
