"""What the system says when a file cannot be read or written, in words."""

from __future__ import annotations

import errno

_FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


def is_disk_full(error: BaseException) -> bool:
    """Say whether an error means that the disk, or what a user may have of it, is full."""
    return getattr(error, "errno", None) in _FULL


def trouble(error: OSError) -> str:
    """Say in words why a file cannot be read or written."""
    if is_disk_full(error):
        return "the disk is full"
    return error.strerror or str(error) or type(error).__name__
