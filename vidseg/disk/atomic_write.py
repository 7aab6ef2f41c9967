"""Write aside, then rename: no output is ever seen half-written."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def written_aside(path: Path) -> Iterator[Path]:
    """Yield a path beside ``path`` to write to; rename it to ``path`` when the block succeeds.

    The temporary name keeps the suffix, so that writers that look at it still work. When the
    block raises (Ctrl-C included) the temporary file is removed and ``path`` stays as it was.
    """
    aside = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    try:
        yield aside
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def write_text_aside(path: Path, text: str) -> None:
    """Write ``text`` as UTF-8 with ``\\n`` line ends to ``path``, aside and renamed."""
    with written_aside(path) as aside:
        aside.write_text(text, encoding="utf-8", newline="\n")
