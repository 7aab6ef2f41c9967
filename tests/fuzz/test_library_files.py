"""A library's file made wrong: its tables read as they were, or one message; nothing is written."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mutation import BINARY, mutated, nothing_but_a_message, tried

from vidseg.formats import read_sheet
from vidseg.library.filters import Filter
from vidseg.library.read import list_cases, read_annotated, read_cohort, read_every, read_visits
from vidseg.library.schema import metadata
from vidseg.library.store import Library
from vidseg.many.gather import record_of
from vidseg.model.record import CaseFacts
from vidseg.reading import understand

STEPS = Path(__file__).resolve().parents[2] / "annotations" / "example" / "steps.csv"
ODD = ("NULL", "'text'", "-1", "9223372036854775807", "1.5", "x'00ff'", "''")


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library of twelve cases."""
    path = tmp_path_factory.mktemp("fuzz") / "sound.sqlite"
    sheet = read_sheet(STEPS)
    with Library(str(path), make=True) as library:
        library.add(
            record_of(
                understand(sheet, rate=Fraction(25), length_ns=10**12, case=f"c{number}"),
                CaseFacts(surgeon="S1", case_number=number + 1, covariates=(("pupil_mm", "5"),)),
            )
            for number in range(12)
        )
    return path


def _use(path: Path) -> None:
    for read in (list_cases, read_cohort, read_every, read_annotated, read_visits):
        look: Callable[[Library, Filter], object] = read
        with nothing_but_a_message(), Library(str(path)) as library:
            look(library, Filter())


def test_bytes(sound: Path) -> None:
    path = sound.with_name("bytes.sqlite")

    @tried(25)
    @given(data=mutated((sound.read_bytes(),), BINARY))
    def each(data: bytes) -> None:
        path.write_bytes(data)
        _use(path)

    each()


def test_values(sound: Path) -> None:
    """What another program may put into a column, and tables, rows or columns it takes away."""
    path = sound.with_name("values.sqlite")
    columns = [(table.name, column.name) for table in metadata.sorted_tables for column in table.c]
    changes = st.one_of(
        st.builds(
            lambda place, odd, some: f"UPDATE {place[0]} SET {place[1]} = {odd} {some}",
            st.sampled_from(columns),
            st.sampled_from(ODD),
            st.sampled_from(["", "WHERE rowid = 1", "WHERE random() % 3 = 0"]),
        ),
        st.sampled_from(columns).map(lambda place: f"DELETE FROM {place[0]}"),
        st.sampled_from(columns).map(lambda place: f"DROP TABLE {place[0]}"),
        st.sampled_from(columns).map(lambda at: f"ALTER TABLE {at[0]} DROP COLUMN {at[1]}"),
        st.sampled_from(ODD).map(lambda odd: f"UPDATE alembic_version SET version_num = {odd}"),
        st.just("DROP TABLE alembic_version"),
        st.just("PRAGMA user_version = 99"),
    )

    @tried(30)
    @given(statements=st.lists(changes, min_size=1, max_size=3))
    def each(statements: list[str]) -> None:
        path.write_bytes(sound.read_bytes())
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA ignore_check_constraints = ON")
            for statement in statements:
                try:
                    connection.execute(statement.replace("UPDATE", "UPDATE OR IGNORE"))
                except sqlite3.Error:
                    continue  # refused by the database itself: no such damage can be
            connection.commit()
        before = path.read_bytes()
        _use(path)
        assert path.read_bytes() == before

    each()
