"""Batches that write to one library, also two at once to PostgreSQL."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest

from vidseg.batch import library_writer as keeping
from vidseg.batch.library_writer import LibraryWriter
from vidseg.batch.whole import Told
from vidseg.batch.worklist import read_work
from vidseg.cli import main
from vidseg.library.filters import Filter
from vidseg.library.read import list_cases, read_every
from vidseg.library.store import Library
from vidseg.model.problem import LibraryError


def kept(place: str) -> dict[str, str]:
    """Cases in the library with their surgeons."""
    with Library(place) as library:
        listed = list_cases(library, Filter())
        return dict(zip(listed["case"], listed["surgeon"], strict=True))


def test_two_batches_add_to_one_database_at_once(
    postgres: str,
    share: Callable[..., Path],
    tmp_path: Path,
    batch: Callable[..., Told],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(keeping, "AT_ONCE", 2)
    together = Barrier(2)

    def night(source: Path) -> Told:
        out = tmp_path / source.stem
        with Library(postgres, make=True) as library:
            works = read_work(source, out).works
            together.wait()
            keeper = LibraryWriter.of(library, works, despite_errors=False)
            return batch(source, out, keeper=keeper)

    with ThreadPoolExecutor(2) as pool:
        for told in pool.map(night, [share(12, prefix) for prefix in ("a", "b")]):
            assert any("12 added" in sentence for sentence in told.sentences)
    assert kept(postgres) == {f"{p}{n:02}": f"S{n % 4}" for p in "ab" for n in range(12)}
    single = str(tmp_path / "single.sqlite")
    for name in ("a", "b"):
        assert main(["library", "add", str(tmp_path / name / "cases"), "--library", single,
                     "--quiet"]) == 0  # fmt: skip
    with Library(postgres) as ours, Library(single) as theirs:
        mine, other = (read_every(library, Filter()).steps for library in (ours, theirs))
    keys = ["case", "step"]
    mine, other = (
        table.sort_values(keys).reset_index(drop=True)[[*keys, "active_s", "elapsed_s"]]
        for table in (mine, other)
    )
    assert mine.equals(other)


def test_a_second_start_adds_what_a_first_did_not(
    share: Callable[..., Path], tmp_path: Path, batch: Callable[..., Told]
) -> None:
    source, out, place = share(3), tmp_path / "out", str(tmp_path / "l.sqlite")
    batch(source, out)
    source.write_text(
        source.read_text().replace("case,", "annotator,case,").replace("\nc", "\nA,c")
    )
    works = read_work(source, out).works
    with Library(place, make=True) as library:
        for words in ("3 added", "3 unchanged"):
            keeper = LibraryWriter.of(library, works, despite_errors=False)
            told = batch(source, out, keeper=keeper)
            assert any(words in sentence for sentence in told.sentences)
        assert set(list_cases(library, Filter())["annotator"]) == {"A"}


def test_a_library_that_fails_for_a_while_loses_nothing(
    share: Callable[..., Path],
    tmp_path: Path,
    batch: Callable[..., Told],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    source, out = share(2), tmp_path / "out"
    batch(source, out)
    place = str(tmp_path / "l.sqlite")
    with Library(place, make=True) as library:
        keeper = LibraryWriter.of(library, read_work(source, out).works, despite_errors=False)
        for name in ("c00", "c01"):
            keeper.keep(out / "cases" / name)

        def refuse(_records: object) -> None:
            raise LibraryError("the line is down")

        monkeypatch.setattr(library, "add", refuse)
        keeper.flush()
        assert keeper.trouble == "the line is down; 2 case(s) are not in it yet"
        monkeypatch.undo()
        keeper.flush()
        assert keeper.trouble == ""
    assert set(kept(place)) == {"c00", "c01"}
