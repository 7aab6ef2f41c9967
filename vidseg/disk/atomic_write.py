"""Write aside, then rename: no output is ever seen half-written.

``written_aside`` is safe against whatever ends the process. Where a loss of power must not take a
file away either, ``sync`` what was written aside and then ``put_in_place``.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Protocol


class Encodable(Protocol):
    """A picture that can be encoded, as Pillow's can."""

    def save(self, fp: IO[bytes], format: str, **params: object) -> None:
        """Encode the picture into ``fp``."""


def aside_of(path: Path) -> Path:
    """Give the place beside ``path`` where this thread writes before renaming.

    The name keeps the suffix, so that writers that look at it still work.
    """
    own = f"{os.getpid()}-{threading.get_native_id()}"
    return path.with_name(f".{path.stem}.{own}.part{path.suffix}")


@contextmanager
def written_aside(path: Path) -> Iterator[Path]:
    """Yield a path beside ``path`` to write to; rename it to ``path`` when the block succeeds.

    When the block raises (Ctrl-C included) the temporary file is removed and ``path`` stays as it
    was.
    """
    aside = aside_of(path)
    try:
        yield aside
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def write_text_aside(path: Path, text: str) -> None:
    """Write ``text`` as UTF-8 with ``\\n`` line ends to ``path``, aside and renamed."""
    with written_aside(path) as aside:
        aside.write_text(text, encoding="utf-8", newline="\n")


def write_jpeg_aside(path: Path, image: Encodable, **options: object) -> None:
    """Write a picture as JPEG, aside and renamed; ``options`` go to the encoder.

    It is encoded in memory: libjpeg, given a file, does not say that the disk took only a part.
    """
    memory = io.BytesIO()
    image.save(memory, "JPEG", **options)
    with written_aside(path) as aside:
        aside.write_bytes(memory.getvalue())


def sync(file: IO[bytes] | IO[str]) -> None:
    """See what was written to a file on the disk, past every cache. Raises OSError."""
    file.flush()
    os.fsync(file.fileno())


def put_in_place(aside: Path, path: Path) -> None:
    """Rename ``aside`` to ``path``, with the permissions of what stood there, and see it on the
    disk. Raises OSError, and then ``path`` is as it was."""
    with suppress(FileNotFoundError):
        shutil.copymode(path, aside)
    aside.replace(path)
    sync_folder(path.parent)


if sys.platform == "win32":

    def sync_folder(folder: Path) -> None:
        """Nothing to do: names are on the disk as soon as they are made."""
else:

    def sync_folder(folder: Path) -> None:
        """See a new name on the disk, where the file system can (POSIX: folders are synced too)."""
        with suppress(OSError):
            descriptor = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)
