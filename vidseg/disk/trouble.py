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


def what_to_do(error: OSError) -> str:
    """Say what helps where a file cannot be read or written."""
    if is_disk_full(error):
        return "make room, or choose another place, and run again"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "choose a place where you may read and write, or ask for the right to"
    if error.errno in (errno.ENOENT, errno.ENOTDIR, errno.EISDIR, errno.ENAMETOOLONG):
        return "check the path"
    return "check the disk, or choose another place, and run again"
