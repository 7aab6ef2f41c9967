"""A temporary folder for made segments: they show patients, so no copy may stay behind.

The folder's owner holds a lock on a file in it for as long as it lives; the lock falls with the
process, however that ends. A folder of this kind whose lock is free is a dead owner's and is
deleted when the next one is made.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import IO

from vidseg.disk.atomic_write import written_aside
from vidseg.disk.locks import InUseError, lock

_PREFIX, _LOCK, _MARK = "vidseg-playback-", "owner.lock", b"vidseg playback\n"


class KeptPieces:
    """Pieces of data by name, on disk until ``close``. Raises OSError where none can be kept."""

    def __init__(self, parent: Path | None = None) -> None:
        parent = Path(tempfile.gettempdir()) if parent is None else parent
        sweep(parent)
        self.folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=parent))
        self._lock = (self.folder / _LOCK).open("w+b")
        lock(self._lock, self.folder / _LOCK)
        self._lock.write(_MARK)  # only now is the folder marked as one that may be deleted
        self._lock.flush()

    def has(self, name: str) -> bool:
        """Say whether a piece is there."""
        return (self.folder / name).exists()

    def get(self, name: str) -> bytes | None:
        """Give a piece; None where it is not there."""
        try:
            return (self.folder / name).read_bytes()
        except FileNotFoundError:
            return None

    def put(self, name: str, data: bytes) -> None:
        """Keep a piece: written aside and renamed, so that nobody reads half of it."""
        with written_aside(self.folder / name) as aside:
            aside.write_bytes(data)

    def put_if_room(self, name: str, data: bytes) -> None:
        """Keep a piece that can be made again; a full disk is no harm."""
        with suppress(OSError):
            self.put(name, data)

    def close(self) -> None:
        """Delete everything."""
        self._lock.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def sweep(parent: Path) -> list[Path]:
    """Delete the folders in ``parent`` whose owner is dead; give those deleted."""
    found = []
    for folder in parent.glob(f"{_PREFIX}*"):
        if not folder.is_symlink() and _is_left(folder / _LOCK):
            shutil.rmtree(folder, ignore_errors=True)
            found.append(folder)
    return found


def _is_left(held: Path) -> bool:
    """Say whether a folder is ours by its mark, and nobody holds its lock.

    Where the place knows no locks nobody can say, and the folder stays.
    """
    try:
        if held.is_symlink() or (hasattr(os, "getuid") and held.stat().st_uid != os.getuid()):
            return False
        with held.open("r+b") as file:
            return lock(file, held) and _marked(file)
    except (InUseError, OSError):
        return False


def _marked(file: IO[bytes]) -> bool:
    file.seek(0)
    return file.read(len(_MARK) + 1) == _MARK
