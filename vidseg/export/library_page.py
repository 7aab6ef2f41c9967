"""The library page: one HTML file with tables and figures, opened from disk, without a script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.export.plain_page import fill_page
from vidseg.export.shown_table import ShownTable, laid
from vidseg.model.column import Columns

STYLES = ("base.css", "library.css")


@dataclass(frozen=True, slots=True)
class PageFigure:
    """A figure as SVG, what it shows in words, and its data, which stand one click away."""

    caption: str
    svg: str
    alternative: str
    data: ShownTable


@dataclass(frozen=True, slots=True)
class PageSection:
    """A part of the page; ``notes`` are what to heed when reading it."""

    name: str
    title: str
    words: str
    figures: tuple[PageFigure, ...] = ()
    tables: tuple[ShownTable, ...] = ()
    notes: tuple[str, ...] = ()


def write_library_page(
    out: Path,
    *,
    title: str,
    chosen: str,
    sections: Sequence[PageSection],
    cautions: Sequence[str],
    schemas: Mapping[str, Columns],
) -> None:
    """Write the page. ``schemas`` (the columns of each table) become its data dictionary.

    Nothing in it depends on the clock, so that the same library gives the same bytes.
    """
    context = {
        "title": title,
        "chosen": chosen,
        "sections": sections,
        "cautions": cautions,
        "schemas": schemas,
        "laid": laid,
    }
    write_text_aside(out, fill_page("library.html.j2", STYLES, context))
