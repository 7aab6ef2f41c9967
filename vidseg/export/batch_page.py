"""The page of a batch: every case with its outcome, opened from disk, without a script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.export.plain_page import fill_page

STYLES = ("base.css", "library.css", "batch.css")


def write_batch_page(
    out: Path,
    source: str,
    summary: str,
    sentences: Sequence[str],
    rows: Sequence[Mapping[str, str]],
) -> None:
    """Write the page. Each row has ``case``, ``page`` (address or empty), ``listed``, ``outcome``,
    ``mark`` ("bad" or empty), ``recorded``, ``seconds``, ``problems`` and ``reason``; those that
    went wrong come first."""
    context = {
        "source": source,
        "summary": summary,
        "sentences": sentences,
        "rows": sorted(rows, key=lambda row: row["mark"] != "bad"),
    }
    write_text_aside(out, fill_page("batch.html.j2", STYLES, context))
