"""The library page: one HTML file with tables and figures, opened from disk, without a script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from vidseg.disk.atomic_write import write_text_aside
from vidseg.export.cell_text import cell_text
from vidseg.export.plain_page import fill_page

STYLES = ("base.css", "library.css")


@dataclass(frozen=True, slots=True)
class PageTable:
    """A table with a caption; ``columns`` (name to heading) picks and orders its columns."""

    caption: str
    table: pd.DataFrame
    columns: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class PageFigure:
    """A figure as SVG, what it shows in words, and its data, which stand one click away."""

    caption: str
    svg: str
    alternative: str
    data: PageTable


@dataclass(frozen=True, slots=True)
class PageSection:
    """A part of the page; ``notes`` are what to heed when reading it."""

    name: str
    title: str
    words: str
    figures: tuple[PageFigure, ...] = ()
    tables: tuple[PageTable, ...] = ()
    notes: tuple[str, ...] = ()


def write_library_page(
    out: Path,
    *,
    title: str,
    chosen: str,
    sections: Sequence[PageSection],
    cautions: Sequence[str],
    meanings: Mapping[str, Mapping[str, str]],
) -> None:
    """Write the page. ``meanings`` (table to column to meaning) become its data dictionary.

    Nothing in it depends on the clock, so that the same library gives the same bytes.
    """
    context = {
        "title": title,
        "chosen": chosen,
        "sections": sections,
        "cautions": cautions,
        "meanings": meanings,
        "laid": _laid,
    }
    write_text_aside(out, fill_page("library.html.j2", STYLES, context))


@dataclass(frozen=True, slots=True)
class _Laid:
    """A table as texts: headings, rows, and which columns stand flush right."""

    headings: list[str]
    rows: list[list[str]]
    right: list[bool]


def _laid(given: PageTable) -> _Laid:
    values = {
        name: [value.item() if hasattr(value, "item") else value for value in given.table[name]]
        for name in given.columns
    }
    texts = {name: [cell_text(value) for value in column] for name, column in values.items()}
    used = [name for name in given.columns if any(texts[name])]
    return _Laid(
        [given.columns[name] for name in used],
        [list(row) for row in zip(*(texts[name] for name in used), strict=True)],
        [
            all(isinstance(value, (int, float, type(None))) for value in values[name])
            for name in used
        ],
    )
