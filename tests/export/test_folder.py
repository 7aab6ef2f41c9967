"""The output folder: aside and renamed, redone only where changed, nothing lost."""

import hashlib
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from vidseg.export.document import digest
from vidseg.export.folder import OutputFolder, output_folder
from vidseg.model.problem import UsageError
from vidseg.model.span import Span, Spans

Maker = Callable[[object, Path, object], None]


def writing(text: str, calls: list[str], name: str = "a.txt") -> Maker:
    def maker(document: object, folder: Path, _: object) -> None:
        calls.append(text)
        (folder / name).write_text(text, encoding="utf-8")

    return maker


def test_same_key_is_taken_over_and_other_key_made_anew(tmp_path: Path) -> None:
    calls: list[str] = []
    for key, text in (("k1", "one"), ("k1", "not called"), ("k2", "two")):
        folder = OutputFolder(tmp_path / "out")
        folder.make(key, ["a.txt"], writing(text, calls))
        folder.finish()
    assert calls == ["one", "two"]
    assert (tmp_path / "out" / "a.txt").read_text(encoding="utf-8") == "two"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out"]


def test_manifest_holds_size_and_hash(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path / "out")
    folder.make("k", ["sub/a.txt"], writing("x", [], "sub/a.txt"))
    folder.finish()
    row = json.loads((tmp_path / "out" / "manifest.json").read_text())["files"][0]
    assert row["path"] == "sub/a.txt"
    assert row["bytes"] == 1
    assert row["sha256"] == hashlib.sha256(b"x").hexdigest()


def test_an_interrupted_run_goes_on_and_leaves_the_old_folder_alone(tmp_path: Path) -> None:
    calls: list[str] = []
    first = OutputFolder(tmp_path / "out")
    first.make("old", ["a.txt"], writing("old", calls))
    first.finish()
    stopped = OutputFolder(tmp_path / "out")
    stopped.make("new", ["a.txt"], writing("new", calls))
    assert (tmp_path / "out" / "a.txt").read_text(encoding="utf-8") == "old"
    again = OutputFolder(tmp_path / "out")
    again.make("new", ["a.txt"], writing("never", calls))
    assert not again.made
    again.finish()
    assert calls == ["old", "new"]
    assert (tmp_path / "out" / "a.txt").read_text(encoding="utf-8") == "new"


def test_a_file_changed_by_hand_is_made_anew(tmp_path: Path) -> None:
    calls: list[str] = []
    folder = OutputFolder(tmp_path / "out")
    folder.make("k", ["a.txt"], writing("good", calls))
    folder.finish()
    (tmp_path / "out" / "a.txt").write_text("evil", encoding="utf-8")
    folder = OutputFolder(tmp_path / "out")
    folder.make("k", ["a.txt"], writing("good", calls))
    assert folder.made == ["a.txt"]


def test_the_users_own_files_stay(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path / "out")
    folder.make("k", ["a.txt"], writing("a", []))
    folder.finish()
    (tmp_path / "out" / "my notes.txt").write_text("mine", encoding="utf-8")
    folder = OutputFolder(tmp_path / "out")
    folder.make("k2", ["b.txt"], writing("b", [], "b.txt"))
    folder.finish()
    assert (tmp_path / "out" / "my notes.txt").read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "out" / "a.txt").exists()


def test_a_folder_of_somebody_elses_is_refused(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "x.jpg").write_bytes(b"x")
    with pytest.raises(UsageError, match="did not write"):
        OutputFolder(tmp_path / "photos")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(UsageError, match="is a file"):
        OutputFolder(tmp_path / "file")


def test_what_was_not_made_is_not_missed_and_what_was_is(tmp_path: Path) -> None:
    calls: list[str] = []
    for expected in (["a"], ["a"], ["a", "a"]):
        folder = OutputFolder(tmp_path / "out")
        folder.make("k", ["a.txt", "b.txt"], writing("a", calls))
        folder.finish()
        assert calls == expected
        assert {p.name for p in (tmp_path / "out").iterdir()} == {
            ".stamps.json", "a.txt", "manifest.json",
        }  # fmt: skip
        if len(folder.made) == 0:
            (tmp_path / "out" / "a.txt").unlink()


def test_what_the_maker_told_is_told_again(tmp_path: Path) -> None:
    def maker(document: list[int], folder: Path, _: object) -> dict[str, int]:
        (folder / "sum.txt").write_text(str(sum(document)), encoding="utf-8")
        return {"sum": sum(document)}

    for _ in range(2):
        folder = OutputFolder(tmp_path / "out")
        assert folder.make([1, 2], ["sum.txt"], maker) == {"sum": 3}
        folder.finish()
    assert not folder.made


def test_texts_are_written_where_they_differ(tmp_path: Path) -> None:
    made = []
    for text in ("one", "one", "two"):
        folder = OutputFolder(tmp_path / "out")
        folder.write({"a.txt": text, "b.txt": "same"})
        folder.finish()
        made.append(folder.made)
    assert made == [["a.txt", "b.txt"], [], ["a.txt"]]
    assert (tmp_path / "out" / "a.txt").read_text(encoding="utf-8") == "two"


@dataclass(frozen=True)
class Facts:
    number: int


def test_digest_tells_documents_apart(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).write_text("same", encoding="utf-8")
    documents: list[object] = [
        None, "", "1", 1, True, 1.5, Fraction(3, 2), ("a", "b"), ("ab",), {"a": 1}, {"a": 2},
        {1, 2}, Facts(1), Facts(2), Span(1, 2), Spans([Span(1, 2)]), tmp_path / "a", tmp_path / "b",
        np.arange(3), np.arange(4), np.arange(3.0), np.arange(3).reshape(1, 3),
    ]  # fmt: skip
    hash_of = known_hash
    keys = [digest(document, hash_of) for document in documents]
    assert len(set(keys)) == len(keys)
    assert keys == [digest(document, hash_of) for document in documents]
    with pytest.raises(TypeError, match="object cannot be part"):
        digest([object()])


def known_hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def made_once(out: Path) -> None:
    folder = OutputFolder(out)
    folder.make("old", ["a.txt"], writing("old", []))
    folder.finish()


class KilledError(BaseException):
    """Stands for the end of the process: nothing catches it."""


@pytest.mark.parametrize("renames", [0, 1, 2])
def test_killed_at_the_end_nothing_of_the_users_is_lost(
    renames: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    made_once(out)
    (out / "mine.txt").write_text("mine", encoding="utf-8")
    left = [renames]
    rename = Path.rename

    def until_killed(self: Path, target: Path) -> Path:
        if self.name.startswith((".out", "out")):
            if not left[0]:
                raise KilledError
            left[0] -= 1
        return rename(self, target)

    def killed(*_: object) -> None:
        raise KilledError

    folder = OutputFolder(out)
    folder.make("new", ["a.txt"], writing("new", []))
    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", until_killed)
        patch.setattr(shutil, "rmtree", killed)
        with pytest.raises(KilledError):
            folder.finish()
    again = OutputFolder(out)
    assert (out / "mine.txt").read_text(encoding="utf-8") == "mine"
    again.make("new", ["a.txt"], writing("new", []))
    again.finish()
    assert {p.name for p in out.iterdir()} >= {"a.txt", "mine.txt", "manifest.json"}
    assert (out / "a.txt").read_text(encoding="utf-8") == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_an_earlier_folder_that_stays_is_told_and_goes_with_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    made_once(out)

    def denied(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    with monkeypatch.context() as patch:
        patch.setattr(shutil, "rmtree", denied)
        folder = OutputFolder(out)
        folder.make("new", ["a.txt"], writing("new", []))
        folder.finish()
    assert str(tmp_path / ".out.old") in folder.notes[0]
    assert "Permission denied" in folder.notes[0]
    made_once(out)
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_two_at_once_the_second_is_told_who_writes(tmp_path: Path) -> None:
    out = tmp_path / "out"
    hold = (
        "import sys, pathlib; from vidseg.export.folder import output_folder\n"
        "with output_folder(pathlib.Path(sys.argv[1])):\n"
        "    print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(out)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as other:  # fmt: skip
        assert other.stdin
        assert other.stdout
        assert other.stdout.readline() == "held\n"
        with pytest.raises(UsageError, match=f"process {other.pid} on .* wait"), output_folder(out):
            pass
        other.stdin.close()
        assert other.wait() == 0
    with output_folder(out) as folder:
        folder.make("k", ["a.txt"], writing("x", []))
        folder.finish()
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
