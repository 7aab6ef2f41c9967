"""Migrations: from the first form with a backup, to the form the code writes; newer refused."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect, text

from vidseg.library.connection import open_engine, reading, writing
from vidseg.library.filters import Filter
from vidseg.library.read import read_cohort
from vidseg.library.schema import VERSION, VERSIONS, metadata
from vidseg.library.store import Library
from vidseg.library.version import found_version, upgrade
from vidseg.model.problem import LibraryError
from vidseg.model.record import Record

Maker = Callable[..., Record]
ROWS = [("cut", 1, 11), ("turn", 12, 32)]


def first_form(place: str) -> None:
    """Make a library as the first version did, with one case written by hand."""
    engine = open_engine(place, make=True)
    with writing(engine) as connection:
        upgrade(connection, "0001")
        for statement in (
            "INSERT INTO procedures VALUES (1, 'made_up', 'A made-up operation')",
            "INSERT INTO steps VALUES (1, 1, 'cut', 'First cut', 'step', '', 0)",
            "INSERT INTO cases VALUES (1, 'old', 'S1', '', '', 4, '', NULL)",
            "INSERT INTO annotations VALUES "
            "(1, 1, 1, '', '[[0, 100000000000]]', 100000000000, 100000000000, 0, 0)",
            "INSERT INTO timings VALUES (1, 1, 1, 10000000000, 10000000000, 0, 10000000000, 0)",
        ):
            connection.execute(text(statement))
    engine.dispose()


def test_the_first_form_is_migrated_with_a_backup(place: str, make_record: Maker) -> None:
    first_form(place)
    with Library(place) as library:
        backup = Path(f"{place}.backup-0001")
        assert str(backup) in library.told
        steps = read_cohort(library, Filter()).steps
        assert steps[["case", "step", "active_s"]].to_numpy().tolist() == [["old", "cut", 10]]
        with reading(library.engine) as connection:
            assert found_version(connection) == VERSION
        library.add([make_record("new", ROWS)])
    with closing(sqlite3.connect(backup)) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [
            ("0001",)
        ]
        assert connection.execute("SELECT name FROM cases").fetchall() == [("old",)]
        columns = [row[1] for row in connection.execute("PRAGMA table_info(annotations)")]
        assert "digest" not in columns
    with Library(place) as library:
        assert library.told == ""


def test_postgresql_is_migrated_with_a_backup(postgres: str) -> None:
    first_form(postgres)
    with Library(postgres) as library:
        assert "schema vidseg_backup_0001" in library.told
        assert read_cohort(library, Filter()).steps["active_s"].tolist() == [10]
        with reading(library.engine) as connection:
            kept = connection.execute(text("SELECT name FROM vidseg_backup_0001.cases")).all()
        assert kept == [("old",)]


def test_a_backup_is_never_written_over(place: str) -> None:
    first_form(place)
    backup = Path(f"{place}.backup-0001")
    backup.write_text("mine", encoding="utf-8")
    with pytest.raises(LibraryError, match="in the way of the backup"):
        Library(place)
    assert backup.read_text(encoding="utf-8") == "mine"
    with reading(open_engine(place, make=False)) as connection:
        assert found_version(connection) == "0001"


def test_a_newer_library_is_refused_untouched(place: str) -> None:
    Library(place, make=True).close()
    with closing(sqlite3.connect(place)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0099'")
        connection.commit()
    before = Path(place).read_bytes()
    with pytest.raises(LibraryError, match=r"newer vidseg.*0099.*update vidseg"):
        Library(place, make=True)
    assert Path(place).read_bytes() == before


def test_migrations_end_at_what_the_code_writes(anywhere: str, tmp_path: Path) -> None:
    """Column by column, against the tables that SQLAlchemy itself makes of the schema."""
    fresh = create_engine(f"sqlite:///{tmp_path / 'fresh.sqlite'}")
    metadata.create_all(fresh)
    with Library(anywhere, make=True) as library:
        made, wanted = inspect(library.engine), inspect(fresh)
        assert set(made.get_table_names()) == {*wanted.get_table_names(), "alembic_version"}
        for table in wanted.get_table_names():
            columns = [
                {row["name"]: row["nullable"] for row in source.get_columns(table)}
                for source in (made, wanted)
            ]
            assert columns[0] == columns[1], table
            assert (
                made.get_pk_constraint(table)["constrained_columns"]
                == wanted.get_pk_constraint(table)["constrained_columns"]
            )
            assert {tuple(row["column_names"]) for row in made.get_unique_constraints(table)} == {
                tuple(row["column_names"]) for row in wanted.get_unique_constraints(table)
            }
    fresh.dispose()


def test_the_versions_are_those_of_the_migrations() -> None:
    from alembic.script import ScriptDirectory

    from vidseg.library.version import MIGRATIONS

    scripts = ScriptDirectory(str(MIGRATIONS))
    found = [script.revision for script in scripts.walk_revisions()]
    assert tuple(reversed(found)) == VERSIONS
    assert VERSIONS[-1] == VERSION
