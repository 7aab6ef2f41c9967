"""Text to model and back: one module per annotation format, and one table of them by suffix.

Every module has ``read(path) -> Sheet`` and ``write(sheet, path) -> tuple[str, ...]`` (sentences on
what the format could not hold); some have ``read_captions``. Rows that cannot be read are problems
of the sheet; FormatError is raised where a file is not what it claims to be.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

from vidseg.formats import (
    matroska_xml,
    native_json,
    plain_list,
    subrip,
    tabular,
    webvtt,
    workbook,
)
from vidseg.model.annotation import Sheet
from vidseg.model.problem import FormatError
from vidseg.model.recording import Captions

FORMATS: dict[str, ModuleType] = {
    ".csv": tabular,
    ".tsv": tabular,
    ".xlsx": workbook,
    ".txt": plain_list,
    ".vtt": webvtt,
    ".srt": subrip,
    ".xml": matroska_xml,
    ".json": native_json,
}
"""Annotation formats by suffix (lower case). A ``.txt`` may hold a table instead of a list."""

CAPTIONS: dict[str, Callable[[Path], Captions]] = {
    ".vtt": webvtt.read_captions,
    ".srt": subrip.read_captions,
    ".txt": plain_list.read_captions,
}
"""Caption readers by suffix (lower case)."""


def read_sheet(path: Path) -> Sheet:
    """Read an annotation file of any known format, told by its suffix.

    A ``.txt`` with a table's header, or with tabs between its cells, is read as a table. Raises
    FormatError for an unknown suffix or a file that is not what it claims to be.
    """
    reader = _format_of(path)
    if reader is plain_list and tabular.is_table(path):
        reader = tabular
    sheet: Sheet = reader.read(path)
    return sheet


def write_sheet(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Write an annotation in the format that the suffix of ``path`` names, aside and renamed.

    Returns sentences on what that format could not hold. Raises FormatError for an unknown
    suffix, UsageError for rows that the format cannot express at all.
    """
    sentences: tuple[str, ...] = _format_of(path).write(sheet, path)
    return sentences


def read_captions(path: Path) -> Captions:
    """Read captions (.vtt, .srt) or plain lines with times (.txt: ``[0:55] text``).

    Raises FormatError for an unknown suffix or a file that is not what it claims to be.
    """
    reader = CAPTIONS.get(path.suffix.lower())
    if reader is None:
        raise FormatError(path.name, None, _unknown(path, "caption", list(CAPTIONS)))
    return reader(path)


def _format_of(path: Path) -> ModuleType:
    try:
        return FORMATS[path.suffix.lower()]
    except KeyError:
        raise FormatError(path.name, None, _unknown(path, "annotation", list(FORMATS))) from None


def _unknown(path: Path, kind: str, known: list[str]) -> str:
    what = f"the suffix {path.suffix!r}" if path.suffix else "a file without a suffix"
    return f"{what} names no {kind} format; known are {', '.join(known)}"
