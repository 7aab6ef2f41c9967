"""Locks that die with their holder, and marks that stay when a worker dies."""

import subprocess
import sys
from pathlib import Path

import pytest

from vidseg.batch.leases import claimed, deaths, withdraw
from vidseg.disk.locks import InUseError

HOLD = """
import sys, pathlib
from vidseg.batch.leases import claimed
with claimed(pathlib.Path(sys.argv[1]), "case", "batch", 0):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_lock_is_held_by_one_process_and_freed_by_its_death(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(InUseError), claimed(tmp_path, "case", "batch", 0):
            pass
        other.kill()
    assert deaths(tmp_path, "case", "batch") == 1
    assert deaths(tmp_path, "case", "another batch") == 0
    with claimed(tmp_path, "case", "batch", 5) as before:
        assert before == 1
        assert deaths(tmp_path, "case", "batch") == 2
    assert deaths(tmp_path, "case", "batch") == 1


def test_a_mark_goes_however_the_work_ends(tmp_path: Path) -> None:
    for error in (ValueError, KeyboardInterrupt):
        with pytest.raises(error), claimed(tmp_path, "case", "batch", 0):
            raise error
    assert deaths(tmp_path, "case", "batch") == 0
    assert deaths(tmp_path, "never begun", "batch") == 0


def test_marks_are_withdrawn_where_the_case_is_not_at_fault(tmp_path: Path) -> None:
    with claimed(tmp_path, "case", "batch", 0):
        withdraw()
        assert deaths(tmp_path, "case", "batch") == 0
