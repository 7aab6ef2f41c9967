"""The output folder: aside and renamed, redone only where changed, nothing lost."""

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from vidseg.export.folder import OutputFolder, digest
from vidseg.model.problem import UsageError


def writing(text: str, calls: list[str], name: str = "a.txt") -> Callable[[Path], None]:
    def maker(folder: Path) -> None:
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
    assert not again.make("new", ["a.txt"], writing("never", calls))
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
    assert folder.make("k", ["a.txt"], writing("good", calls))


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


def test_an_optional_file_may_be_missing_and_is_taken_over_where_it_is_not(tmp_path: Path) -> None:
    calls: list[str] = []
    for _ in range(2):
        folder = OutputFolder(tmp_path / "out")
        folder.make("k", ["a.txt"], writing("a", calls), optional=["b.txt"])
        folder.make("l", ["c.txt"], writing("c", calls, "c.txt"), optional=["c.txt"])
        folder.finish()
    assert calls == ["a", "c"]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        ".stamps.json",
        "a.txt",
        "c.txt",
        "manifest.json",
    ]


def test_digest_tells_ingredients_apart() -> None:
    assert digest("a", "b") != digest("ab")
    assert digest(1, "x") == digest(1, "x")
