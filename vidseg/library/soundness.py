"""Whether a library's file is sound: asked only where something went wrong while it was used.

SQLite finds torn pages; it does not mind text in a column of numbers, or nothing where something
must stand, in a file that another program has changed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from sqlalchemy import Boolean, Column, Engine, Integer

from vidseg.library.schema import metadata


def damage(engine: Engine) -> str:
    """Say what is wrong with the file of a SQLite library; empty text where it is sound."""
    path = Path(str(engine.url.database)).absolute()
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
            return next(_faults(connection), "")
    except sqlite3.Error as error:
        return str(error)


def _faults(connection: sqlite3.Connection) -> Iterator[str]:
    (told,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if told != "ok":
        yield " ".join(str(told).split())
    for table in metadata.sorted_tables:
        for column in table.columns:
            query = f'SELECT count(*) FROM "{table.name}" WHERE {_wrong(column)}'
            (wrong,) = connection.execute(query).fetchone()
            if wrong:
                yield (
                    f"the table {table.name!r} holds {wrong} value(s) of the wrong kind in its "
                    f"column {column.name!r}"
                )
    if connection.execute("PRAGMA foreign_key_check").fetchone() is not None:
        yield "rows that others refer to are missing"


def _wrong(column: Column[object]) -> str:
    """Give the condition under which a value does not fit its column."""
    name = f'"{column.name}"'
    kind = "integer" if isinstance(column.type, Integer | Boolean) else "text"
    condition = f"typeof({name}) <> '{kind}'"
    if column.name == "recorded":
        condition = f"({condition} OR NOT json_valid({name}))"
    return f"({name} IS NOT NULL AND {condition})" if column.nullable else condition
