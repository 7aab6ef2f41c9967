"""The page of a batch: every case with its outcome, opened from disk, without a script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from vidseg import __version__
from vidseg.aside import write_text_aside
from vidseg.export.page import csp_hash, read_asset
from vidseg.export.page_text import plain

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
    styles = [read_asset(name) for name in STYLES]
    policy = "; ".join(
        (
            "default-src 'none'",
            f"style-src {' '.join(map(csp_hash, styles))}",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    environment = Environment(
        loader=FunctionLoader(read_asset),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(plain=plain)
    text = environment.get_template("batch.html.j2").render(
        version=__version__,
        policy=policy,
        styles=[Markup(style) for style in styles],
        source=source,
        summary=summary,
        sentences=sentences,
        rows=sorted(rows, key=lambda row: row["mark"] != "bad"),
    )
    write_text_aside(out, text)
