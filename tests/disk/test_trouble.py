"""A full disk is called one, whatever the system calls it."""

import errno
import os

import pytest

from vidseg.disk.trouble import is_disk_full, trouble


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT])
def test_a_full_disk_and_a_spent_allowance(code: int) -> None:
    error = OSError(code, os.strerror(code))
    assert is_disk_full(error)
    assert trouble(error) == "the disk is full"


def test_other_troubles_in_the_words_of_the_system() -> None:
    error = PermissionError(errno.EACCES, os.strerror(errno.EACCES), "a.csv")
    assert not is_disk_full(error)
    assert trouble(error) == os.strerror(errno.EACCES)
    assert trouble(OSError("seek only")) == "seek only"
    assert not is_disk_full(ValueError("no errno"))
