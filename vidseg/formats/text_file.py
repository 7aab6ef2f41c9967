"""Annotation files opened with care: size, encoding, line ends. Nothing is guessed.

UTF-8 is read with and without its byte-order mark, UTF-16 with it. An older 8-bit encoding is
refused, not guessed: a wrong guess changes letters in labels without anybody noticing.
"""

from __future__ import annotations

import codecs
import stat
from pathlib import Path

from vidseg.disk.trouble import trouble
from vidseg.model.problem import FormatError

LARGEST_BYTES = 64 * 1024 * 1024
"""Files above 64 MB are refused; a day of one-second rows is below 5 MB."""

_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


def read_bytes(path: Path) -> bytes:
    """Read a whole file. Raises FormatError where it is missing, unreadable, empty or too large."""
    try:
        refuse_odd_file(path, path.name, LARGEST_BYTES)
        data = path.read_bytes()
    except FileNotFoundError:
        raise FormatError(path.name, None, f"no such file: {path}") from None
    except OSError as error:
        raise FormatError(path.name, None, f"cannot be read: {trouble(error)}") from None
    if not data:
        raise FormatError(path.name, None, "the file is empty")
    return data


def refuse_odd_file(path: Path, source: str, largest: int) -> None:
    """Raise FormatError for a folder, for what is no file on a disk, and for too many bytes.

    A pipe or a device may never end. Raises OSError where there is nothing to be looked at.
    """
    facts = path.stat()
    if stat.S_ISDIR(facts.st_mode):
        raise FormatError(source, None, "is a folder; expected a file")
    if not stat.S_ISREG(facts.st_mode):
        raise FormatError(
            source, None, "is a pipe or a device, which may never end; save it as a file first"
        )
    if facts.st_size > largest:
        raise FormatError(
            source,
            None,
            f"is {facts.st_size / 1e6:.1f} MB, too large for a file of this kind (at most "
            f"{largest // 1024**2} MB); is it the recording?",
        )


def read_text(path: Path) -> str:
    """Read a text file, byte-order mark taken off, line ends as they stand.

    Raises FormatError for what ``read_bytes`` refuses, for a binary file, for text that is
    neither UTF-8 nor marked UTF-16 (with the byte where it stops being so), and for a file
    that holds no text at all.
    """
    data = read_bytes(path)
    marked = data.startswith(_UTF16)
    if not marked and b"\0" in data:
        raise FormatError(
            path.name,
            None,
            f"not a text file: byte {data.index(0) + 1} is zero. A spreadsheet keeps its suffix "
            "(.xlsx); text must be saved as UTF-8",
        )
    try:
        text = data.decode("utf-16" if marked else "utf-8-sig")
    except UnicodeDecodeError as error:
        kind = "UTF-16" if marked else "UTF-8"
        # utf-8-sig counts from after the mark
        place = error.start + (len(data) - len(error.object)) + 1
        line = None if marked else data[: place - 1].count(b"\n") + 1
        raise FormatError(
            path.name,
            line,
            f"not {kind} text: byte {place} of the file is not part of any letter. Save the file "
            "as UTF-8 (in a spreadsheet program: save as `CSV UTF-8`)",
        ) from None
    if "\0" in text:
        raise FormatError(path.name, None, "not a text file: it holds zero characters")
    if not text.strip("\ufeff \t\r\n"):
        raise FormatError(path.name, None, "the file is empty")
    return text
