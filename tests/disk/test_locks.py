"""A lock keeps others out, here and in other processes, and falls with its holder."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from vidseg.disk import locks
from vidseg.disk.locks import InUseError, lock, locked

HOLD = """
import sys, pathlib
from vidseg.disk.locks import locked
with locked(pathlib.Path(sys.argv[1])) as known:
    assert known
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_lock_excludes_within_one_process_too(tmp_path: Path) -> None:
    path = tmp_path / "made on the way" / "lock"
    with locked(path) as known:
        assert known
        with pytest.raises(InUseError, match="another process works on lock"), locked(path):
            pass
    with locked(path):
        pass


def test_a_killed_holder_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(InUseError), locked(path):
            pass
        other.kill()
        with locked(path, patience_s=60) as known:
            assert known


def test_who_waits_gets_the_lock_when_it_is_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "lock"
    holder = path.open("a+b")
    assert lock(holder, path)
    waits: list[float] = []

    def let_go(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == 3:
            holder.close()

    monkeypatch.setattr("vidseg.disk.locks.time.sleep", let_go)
    with locked(path, patience_s=60):
        assert len(waits) == 3


def test_a_locked_file_stands_where_it_stood_and_can_be_read_by_others(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    path.write_bytes(b"one\ntwo\n")
    with path.open("r+b") as file:
        file.seek(4)
        assert lock(file, path)
        assert file.read() == b"two\n"
        assert path.read_bytes() == b"one\ntwo\n"


@pytest.mark.parametrize("code", [errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL])
def test_a_place_without_locks_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    def fails(_file: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(locks, "_lock", fails)
    with locked(tmp_path / "lock") as known, locked(tmp_path / "lock") as again:
        assert (known, again) == (False, False)


# What systems say of a lock that another holds: flock(2) EWOULDBLOCK, fcntl(2) EACCES or EAGAIN
# (POSIX.1), _locking of Microsoft's C library EACCES or EDEADLOCK.
@pytest.mark.parametrize("code", [errno.EWOULDBLOCK, errno.EACCES, errno.EAGAIN, errno.EDEADLK])
def test_whatever_the_system_says_of_a_held_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    def held(_file: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(locks, "_lock", held)
    with pytest.raises(InUseError) as caught, locked(tmp_path / "lock"):
        pass
    assert caught.value.path == tmp_path / "lock"
