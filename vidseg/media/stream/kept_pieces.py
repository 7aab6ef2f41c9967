"""A temporary folder for made segments: they show patients, so no copy may stay behind.

The folder's owner holds a lock on a file in it for as long as it lives; the lock falls with the
process, however that ends. A folder of this kind whose lock is free is a dead owner's and is
deleted when the next one is made.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path
from typing import IO

_PREFIX, _LOCK, _MARK = "vidseg-playback-", "owner.lock", b"vidseg playback\n"

if sys.platform == "win32":
    import msvcrt

    def _locked(file: IO[bytes]) -> bool:
        file.seek(0)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _locked(file: IO[bytes]) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True


class KeptPieces:
    """Pieces of data by name, on disk until ``close``. Raises OSError where none can be kept."""

    def __init__(self, parent: Path | None = None) -> None:
        parent = Path(tempfile.gettempdir()) if parent is None else parent
        sweep(parent)
        self.folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=parent))
        self._lock = (self.folder / _LOCK).open("w+b")
        _locked(self._lock)
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
        aside = self.folder / f"{name}.{threading.get_ident()}.part"
        try:
            aside.write_bytes(data)
            aside.replace(self.folder / name)
        except OSError:
            aside.unlink(missing_ok=True)
            raise

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


def _is_left(lock: Path) -> bool:
    """Say whether a folder is ours by its mark, and nobody holds its lock."""
    try:
        if lock.is_symlink() or (hasattr(os, "getuid") and lock.stat().st_uid != os.getuid()):
            return False
        with lock.open("r+b") as file:
            return _locked(file) and _marked(file)
    except OSError:
        return False


def _marked(file: IO[bytes]) -> bool:
    file.seek(0)
    return file.read(len(_MARK) + 1) == _MARK
