"""What is still in a file that is not on the allow-list of a copy fit to share.

The reader knows only what such a copy needs: MP4, MOV and Matroska with H.264 or HEVC pictures,
AAC sound, chapters and captions. Everything else is named: boxes and elements, times and names
of programs in known ones, bytes that no sample refers to, padding with content, messages within
the pictures, edit lists that hide something. Within the coded data of a picture or of sound it
cannot look: that would be decoding.
"""

from __future__ import annotations

import mmap
from collections.abc import Collection
from pathlib import Path

from vidseg.media.redact.residue_boxes import strange_boxes
from vidseg.media.redact.residue_elements import strange_elements
from vidseg.media.write.target import errors_of

MOST = 50
"""Findings given at most."""


def residue(path: Path, texts: Collection[str] | None = None) -> tuple[str, ...]:
    """Name what is found in ``path`` beyond the allow-list, at most ``MOST`` things, each once.

    ``texts`` are the chapter titles and captions that may be there; None judges no text.
    Empty when the file is clean. Raises MediaError where it cannot be read.
    """
    found: dict[str, None] = {}
    with errors_of(path), path.open("rb") as file:
        if not path.stat().st_size:
            return ("an empty file",)
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            if data[:4] == b"\x1a\x45\xdf\xa3":
                strange = strange_elements(data, texts)
            elif data[4:8] == b"ftyp":
                strange = strange_boxes(data, texts)
            else:
                return ("a container that cannot be judged",)
            try:
                for thing in strange:
                    found[thing] = None
                    if len(found) == MOST:
                        break
            except (ValueError, IndexError, UnicodeDecodeError) as error:
                found[f"a structure that cannot be read ({error})"] = None
            strange.close()
    return tuple(found)
