"""Text on its way into a page: names without folders, links, and characters that do no harm."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

_HARMFUL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
_ABSOLUTE = re.compile(r"/|\\\\|[A-Za-z]:[\\/]")


def plain(text: object) -> str:
    """Give ``text`` with control characters and broken code points shown as U+FFFD."""
    return _HARMFUL.sub("\ufffd", str(text))


def file_name(path: str | Path) -> str:
    """Give the last part of a path of either system, fit to be shown."""
    return plain(re.split(r"[\\/]", str(path).rstrip("\\/"))[-1])


def file_link(path: str) -> str:
    """Quote a path relative to the page for an ``href`` or ``src``.

    Raises ValueError for an absolute path or one that leaves the folder.
    """
    if not path or _ABSOLUTE.match(path) or ".." in path.split("/"):
        raise ValueError(f"a page links to files in its own folder only, not to {path!r}")
    return quote(os.fsencode(path), safe="/")


def without_folders(text: str, folders: Sequence[Path]) -> str:
    """Take the given folders off every path in ``text``, so that a page names files only."""
    names = {str(folder) for folder in folders} | {str(folder.resolve()) for folder in folders}
    for name in sorted(names, key=len, reverse=True):
        if len(name) > 1:
            text = text.replace(name + "/", "").replace(name + "\\", "")
    return text
