"""A file is the old one or the new one, never half of either."""

import os
import sys
import threading
from pathlib import Path

import pytest

from vidseg.disk.atomic_write import aside_of, put_in_place, sync, write_text_aside, written_aside


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, OSError])
def test_what_fails_leaves_the_file_as_it_was(tmp_path: Path, error: type[BaseException]) -> None:
    path = tmp_path / "table.csv"
    path.write_text("old", encoding="utf-8")

    def fail(aside: Path) -> None:
        aside.write_text("ne", encoding="utf-8")
        raise error

    with pytest.raises(error), written_aside(path) as aside:
        fail(aside)
    assert path.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_text_is_utf_8_with_line_feeds(tmp_path: Path) -> None:
    write_text_aside(tmp_path / "a.txt", "ü\nb\n")
    assert (tmp_path / "a.txt").read_bytes() == b"\xc3\xbc\nb\n"
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


def test_two_threads_write_the_same_file_each_aside(tmp_path: Path) -> None:
    path = tmp_path / "piece.mp4"
    both = threading.Barrier(2)
    asides: list[Path] = []

    def write(text: str) -> None:
        with written_aside(path) as aside:
            asides.append(aside)
            aside.write_text(text, encoding="utf-8")
            both.wait(60)

    threads = [threading.Thread(target=write, args=(text,)) for text in ("one", "two")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(asides)) == 2
    assert {aside.suffix for aside in asides} == {".mp4"}
    assert path.read_text(encoding="utf-8") in ("one", "two")
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(sys.platform == "win32", reason="permissions are of POSIX")
def test_what_is_put_in_place_keeps_permissions_and_is_seen_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "steps.json"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o640)
    seen: list[bool] = []
    plain = os.fsync

    def listening(descriptor: int) -> None:
        seen.append(os.path.samestat(os.fstat(descriptor), tmp_path.stat()))
        plain(descriptor)

    monkeypatch.setattr(os, "fsync", listening)
    aside = aside_of(path)
    with aside.open("w", encoding="utf-8") as file:
        file.write("new")
        sync(file)
    put_in_place(aside, path)
    assert path.read_text(encoding="utf-8") == "new"
    assert path.stat().st_mode & 0o777 == 0o640
    assert seen == [False, True]  # the contents, then the name in its folder
