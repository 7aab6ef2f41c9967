"""Who works on what: a lock per case, and a mark for every start that has not ended.

The operating system lets go of a lock when its holder dies, whatever killed it. A mark that is left
behind without a holder is a worker that died at this case.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from vidseg.disk.atomic_write import sync
from vidseg.disk.locks import locked

STATE = ".batch"
"""The folder, in the batch's, that holds what a batch remembers."""
MOST_DEATHS = 2
"""A case at which so many workers died is set aside."""


def _claim_file(out: Path, case: str) -> Path:
    return out / STATE / "claims" / case


def deaths(out: Path, case: str, token: str) -> int:
    """Give how many starts on this case, in the batch named ``token``, have not ended."""
    try:
        lines = _claim_file(out, case).read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return 0
    return sum(line.startswith(f"{token} ") for line in lines)


_open_claims: dict[str, tuple[Path, str]] = {}


@contextmanager
def claimed(out: Path, case: str, token: str, patience_s: float) -> Iterator[int]:
    """Work on a case alone; yields how many workers died at it before, in this batch.

    The start is marked, and the mark taken away when the block ends, however it ends. Raises
    InUseError, OSError.
    """
    path = _claim_file(out, case)
    with locked(path, patience_s):
        before = deaths(out, case, token)
        mark = f"{token} {socket.gethostname()} {os.getpid()} {time.time_ns()}"
        with path.open("a", encoding="utf-8", newline="\n") as stream:
            stream.write(mark + "\n")
            sync(stream)
        _open_claims[mark] = (path, mark)
        try:
            yield before
        finally:
            _take_away(path, mark)
            _open_claims.pop(mark, None)


def _take_away(path: Path, mark: str) -> None:
    with suppress(OSError):
        lines = path.read_text(encoding="utf-8").splitlines()
        kept = "".join(f"{line}\n" for line in lines if line != mark)
        # written in place: a file put in its stead would not bear the lock
        path.write_text(kept, encoding="utf-8", newline="\n")


def withdraw() -> None:
    """Take away this process's marks: it is about to end for a reason that is not the case's."""
    for path, mark in list(_open_claims.values()):
        _take_away(path, mark)
