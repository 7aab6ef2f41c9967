"""Files for their owner alone: what shows patients is nobody else's to read by default."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

OTHERS = 0o077
"""All that the group and others may do with a file (POSIX)."""


@contextmanager
def for_owner_alone(*, group_readable: bool = False) -> Iterator[None]:
    """Make new files and folders within the block readable by their owner alone, also those that
    child processes make; with ``group_readable`` as the system is set (the umask).

    The umask is the whole process's. A file put in another's place keeps that one's permissions.
    On Windows nothing changes: folders there hand their permissions down.
    """
    if group_readable or sys.platform == "win32":
        yield
        return
    before = os.umask(OTHERS)
    os.umask(before | OTHERS)
    try:
        yield
    finally:
        os.umask(before)
