"""Hashes taken from memory only where the file cannot have changed."""

import hashlib
import os
import time
from pathlib import Path

import pytest

from vidseg.disk import digests as stamps
from vidseg.disk.digests import KnownHashes
from vidseg.export.folder import OutputFolder

OLD_NS = 60_000_000_000


def aged(path: Path, text: str) -> Path:
    """Write a file that was last changed a minute ago."""
    path.write_text(text, encoding="utf-8")
    then = time.time_ns() - OLD_NS
    os.utime(path, ns=(then, then))
    return path


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the files that were read to be hashed."""
    names: list[str] = []
    plain = stamps.file_sha256

    def listening(path: Path) -> str:
        names.append(path.name)
        return plain(path)

    monkeypatch.setattr(stamps, "file_sha256", listening)
    return names


def test_what_is_as_it_was_is_not_read_again(tmp_path: Path, read: list[str]) -> None:
    given = aged(tmp_path / "given.csv", "one")
    for _ in range(3):
        known = KnownHashes(tmp_path)
        assert known.of("input:given.csv", given) == hashlib.sha256(b"one").hexdigest()
        known.write(tmp_path, [])
    assert read == ["given.csv"]
    aged(given, "two")  # as long as before
    assert KnownHashes(tmp_path).of("input:given.csv", given) == hashlib.sha256(b"two").hexdigest()


def test_a_file_changed_just_before_it_was_hashed_is_read_again(
    tmp_path: Path, read: list[str]
) -> None:
    given = tmp_path / "given.csv"
    given.write_text("one", encoding="utf-8")
    for _ in range(2):
        known = KnownHashes(tmp_path)
        known.of("input:given.csv", given)
        known.write(tmp_path, [])
    assert read == ["given.csv", "given.csv"]


def test_another_file_under_the_same_name_is_read(tmp_path: Path, read: list[str]) -> None:
    one = aged(tmp_path / "one", "one")
    two = aged(tmp_path / "two", "two")
    stamp = one.stat()
    os.utime(two, ns=(stamp.st_mtime_ns, stamp.st_mtime_ns))  # all but the inode is the same
    known = KnownHashes(tmp_path)
    first = known.of("input:x", one)
    known.write(tmp_path, [])
    assert KnownHashes(tmp_path).of("input:x", two) != first


@pytest.mark.parametrize("text", ["", "[]", '{"a": 1}', '{"a": [1, 2, 3]}', "{"])
def test_a_memory_that_cannot_be_read_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / stamps.STAMPS).write_text(text, encoding="utf-8")
    given = aged(tmp_path / "given", "one")
    assert KnownHashes(tmp_path).of("a", given) == hashlib.sha256(b"one").hexdigest()


def test_a_folder_takes_over_without_reading(
    tmp_path: Path, read: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"

    def make(text: str) -> bool:
        folder = OutputFolder(out)
        folder.make(
            "key", ["a.txt"], lambda _, work, __: (work / "a.txt").write_text(text) and None
        )
        folder.finish()
        return bool(folder.made)

    plain = time.time_ns
    monkeypatch.setattr(time, "time_ns", lambda: plain() + OLD_NS)  # a minute passes
    assert make("one")
    assert read == ["a.txt"]
    assert not make("two")
    assert read == ["a.txt"]
    (out / "a.txt").write_text("bad")
    assert make("two")
    assert (out / "a.txt").read_text() == "two"
