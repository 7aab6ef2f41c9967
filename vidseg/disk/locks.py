"""A lock on a file, held by one process at a time; the system lets go when its holder dies.

Such a lock binds only those who ask for it: anybody may still read the file.
"""

from __future__ import annotations

import errno
import os
import platform
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

AGAIN_S = 0.2
"""How often a lock that others hold is asked for again."""
_HELD = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)


class InUseError(Exception):
    """Another process, or another open file of this one, holds the lock."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return f"another process works on {self.path.name}"


def lock(file: IO[bytes], path: Path) -> bool:
    """Lock the open file of ``path`` until it is closed, without waiting.

    Returns False where the place knows no locks, as some network drives. Raises InUseError.
    """
    try:
        _lock(file)
    except OSError as error:
        if error.errno in _HELD:
            raise InUseError(path) from None
        return False
    return True


@contextmanager
def locked(path: Path, patience_s: float = 0.0) -> Iterator[bool]:
    """Hold a lock on ``path``, which is made where it is not, while the block runs.

    It is asked for again until ``patience_s`` are over. Yields False where the place knows no
    locks: the block runs, and nobody is kept out. Raises InUseError, OSError.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a+b") as file:
        until = time.monotonic() + patience_s
        while True:
            try:
                known = lock(file, path)
                break
            except InUseError:
                if time.monotonic() >= until:
                    raise
            time.sleep(AGAIN_S)
        yield known


@contextmanager
def locked_meanwhile(path: Path) -> Iterator[bool]:
    """Hold a lock as ``locked`` does, on a file that is not there before and after.

    The file says who holds it. Raises InUseError, OSError.
    """
    while True:
        with locked(path) as known:
            if not path.exists():  # its holder took it away between our opening and locking it
                continue
            path.write_text(f"process {os.getpid()} on {platform.node()}\n", encoding="utf-8")
            try:
                yield known
            finally:
                _take_away(path)
        _take_away(path)
        return


def _take_away(path: Path) -> None:
    with suppress(OSError):  # Windows lets no open file go: then it goes once it is closed
        path.unlink(missing_ok=True)


if sys.platform == "win32":
    import msvcrt

    _LOCKED_BYTE = 1 << 30
    """Windows keeps others from reading what is locked, so it is a byte beyond the end."""

    def _lock(file: IO[bytes]) -> None:
        before = file.tell()
        file.seek(_LOCKED_BYTE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        finally:
            file.seek(before)
else:
    import fcntl

    def _lock(file: IO[bytes]) -> None:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
