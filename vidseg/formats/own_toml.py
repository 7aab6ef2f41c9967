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
from vidseg.model.problem import FormatError

Place = tuple[str | int, ...]
"""Where a value stands: keys by name, list items from 0. ``("steps", 2, "shortest")``."""

Fault = tuple[int | None, str]
"""A line (from 1; None where there is none) and what is wrong there."""

_HEADER = re.compile(r"\s*(\[\[|\[)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)\s*(?:\.[^=]*)?=(.*)""")
_AT = re.compile(r"\s*\(at line (\d+), column (\d+)\)")
_BACKSLASH_HINT = (
    "a backslash in double quotes starts an escape; write a Windows path with / or in single "
    "quotes: 'C:\\videos\\case.mp4'"
)


def read_text(path: Path) -> str:
    """Read a UTF-8 text file (byte-order mark allowed). Raises FormatError."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise FormatError(str(path), line, "not UTF-8 text; save the file as UTF-8") from None
    except OSError as error:
        raise FormatError(str(path), None, f"cannot be read: {trouble(error)}") from None


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """Parse TOML. Raises FormatError with the line where the text stops being TOML."""
    try:
        return tomllib.loads(text)
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
    rows = [f"line {line}: {what}" if line else what for line, what in ordered]
    return FormatError(source, None, "\n  ".join([f"{len(rows)} things to put right", *rows]))


def _item(place: Place) -> int:
    """Give which of the ``[[tables]]`` of one name is meant: the first list index, else 0."""
    return next((part for part in place if isinstance(part, int)), 0)


def _open_quotes(value: str) -> str:
    """Give the triple quote that ``value`` opens and does not close, or nothing."""
    for quotes in ('"""', "'''"):
        if value.count(quotes) == 1:
            return quotes
    return ""
