"""The journal: whole lines only, a lock, a full disk."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from vidseg.mark import journal as module
from vidseg.mark.journal import MarkJournal, Unwritable, journal_path
from vidseg.model.problem import UsageError


def lines_of(kept: Path) -> list[dict[str, object]]:
    journal = MarkJournal(kept)
    journal.close(remove=False)
    return journal.lines


def test_lines_come_back_in_order(tmp_path: Path) -> None:
    kept = tmp_path / "steps.json"
    journal = MarkJournal(kept)
    written = [{"n": n, "text": "ü\n\u2028" * n} for n in range(5)]
    for line in written:
        journal.append(line)
    journal.close(remove=False)
    assert lines_of(kept) == written


def test_every_cut_leaves_the_whole_lines_before_it(tmp_path: Path) -> None:
    kept = tmp_path / "steps.json"
    journal = MarkJournal(kept)
    for n in range(4):
        journal.append({"n": n})
    journal.close(remove=False)
    data = journal.path.read_bytes()
    for cut in range(len(data) + 1):
        journal.path.write_bytes(data[:cut])
        assert lines_of(kept) == [{"n": n} for n in range(data[:cut].count(b"\n"))]
        journal = MarkJournal(kept)
        journal.append({"n": "more"})
        journal.close(remove=False)
        assert lines_of(kept)[-1] == {"n": "more"}
        assert len(lines_of(kept)) == data[:cut].count(b"\n") + 1


def test_damage_in_the_middle_keeps_a_copy(tmp_path: Path) -> None:
    kept = tmp_path / "steps.json"
    data = b'{"n":0}\n\0\0\0\0\n{"n":2}\n'
    journal_path(kept).write_bytes(data)
    journal = MarkJournal(kept)
    journal.close(remove=False)
    assert journal.lines == [{"n": 0}]
    assert journal.damaged is not None
    assert journal.damaged.read_bytes() == data


@pytest.mark.parametrize("written", [0, 1, 5])
def test_a_full_disk_leaves_no_half_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, written: int
) -> None:
    kept = tmp_path / "steps.json"
    journal = MarkJournal(kept)
    journal.append({"n": 0})
    whole = module._write

    def half(file: object, data: bytes) -> None:
        whole(file, data[:written])  # type: ignore[arg-type]
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(module, "_write", half)
    with pytest.raises(Unwritable, match="disk is full"):
        journal.append({"n": 1})
    monkeypatch.undo()
    journal.append({"n": 2})
    journal.close(remove=False)
    assert lines_of(kept) == [{"n": 0}, {"n": 2}]


def test_a_line_whose_sync_fails_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "steps.json"
    journal = MarkJournal(kept)

    def fails(_descriptor: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(Unwritable, match=os.strerror(errno.EIO)):
        journal.append({"n": 1})
    monkeypatch.undo()
    journal.close(remove=False)
    assert lines_of(kept) == []


HOLD = """
import sys
from pathlib import Path
from vidseg.mark.journal import MarkJournal
journal = MarkJournal(Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.read()
"""


def test_a_second_process_is_refused_until_the_first_is_gone(tmp_path: Path) -> None:
    kept = tmp_path / "steps.json"
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(kept)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == b"held"
        with pytest.raises(UsageError, match="being marked already"):
            MarkJournal(kept)
    finally:
        holder.kill()
        holder.communicate()
    MarkJournal(kept).close(remove=True)
    assert not journal_path(kept).exists()


def test_a_journal_removed_while_it_is_waited_for_is_made_anew(tmp_path: Path) -> None:
    kept = tmp_path / "steps.json"
    first = MarkJournal(kept)
    first.close(remove=True)
    second = MarkJournal(kept)
    second.append({"n": 1})
    second.close(remove=False)
    assert lines_of(kept) == [{"n": 1}]


@pytest.mark.skipif(sys.platform == "win32", reason="folder permissions are of POSIX")
def test_a_folder_that_is_not_there_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no journal can be kept beside"):
        MarkJournal(tmp_path / "absent" / "steps.json")
