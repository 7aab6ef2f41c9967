"""A library lies in the very file that is named, whatever its name holds; damage is told."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from vidseg.library.filters import Filter
from vidseg.library.read import list_cases, read_cohort, read_visits
from vidseg.library.store import Library
from vidseg.model.problem import LibraryError
from vidseg.model.record import Record

NAMES = ("lib?.sqlite", "a#b", "a%20b", "a b", "q'uo\"te", ":memory:", "ü.sqlite", "mode=ro&x", "@")


@pytest.mark.parametrize("name", NAMES)
def test_names(
    name: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    make_record: Callable[..., Record],
) -> None:
    monkeypatch.chdir(tmp_path)
    try:
        Path(name).touch()
    except OSError:
        pytest.skip("no file can have this name on this system")
    Path(name).unlink()
    with Library(name, make=True) as library:
        library.add([make_record("c1", [("cut", 0, 10)])])
    assert [path.name for path in tmp_path.iterdir()] == [name]
    with Library(str(tmp_path / name)) as library:
        assert len(list_cases(library, Filter())) == 1


def _read(place: str) -> None:
    with Library(place) as library:
        read_cohort(library, Filter())
        read_visits(library, Filter())


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE timings SET active_ns = 'much'", "damaged: the table 'timings'"),
        ("UPDATE annotations SET observed_ns = 'x'", "'annotations' holds 1 value"),
        ("DROP TABLE visits", "no such table"),
        ("UPDATE alembic_version SET version_num = '9999'", "newer vidseg"),
    ],
)
def test_damage(statement: str, words: str, place: str, make_record: Callable[..., Record]) -> None:
    with Library(place, make=True) as library:
        library.add([make_record("c1", [("cut", 0, 10)])])
    with closing(sqlite3.connect(place)) as connection:
        connection.execute(statement)
        connection.commit()
    before = Path(place).read_bytes()
    with pytest.raises(LibraryError, match=words):
        _read(place)
    assert Path(place).read_bytes() == before


@pytest.mark.parametrize("kind", ["cut", "text", "page"])
def test_torn_files(kind: str, place: str, make_record: Callable[..., Record]) -> None:
    with Library(place, make=True) as library:
        library.add([make_record(f"c{n}", [("cut", 0, 10), ("turn", 10, 20)]) for n in range(50)])
    data = Path(place).read_bytes()
    torn = {
        "cut": data[: len(data) // 2],
        "text": b"not a database at all " * 50,
        "page": data[:4096] + b"\xff" * (len(data) - 4096),
    }[kind]
    Path(place).write_bytes(torn)
    with pytest.raises(LibraryError, match=r"cannot be used|damaged"):
        _read(place)
    assert Path(place).read_bytes() == torn
