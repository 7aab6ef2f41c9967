"""The form a library has: made when new, brought up to date with a backup, refused when newer."""

from __future__ import annotations

import sqlite3
import warnings
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from vidseg.library.connection import reading, writing
from vidseg.library.schema import VERSION, VERSIONS
from vidseg.model.problem import LibraryError

MIGRATIONS = Path(__file__).with_name("migrations")


def prepare(engine: Engine) -> str:
    """Make the library's tables or bring them up to date; gives a sentence if a backup was made.

    An older library is first copied: a SQLite file to ``<file>.backup-<version>`` beside it, a
    PostgreSQL library to the schema ``vidseg_backup_<version>``. Raises LibraryError for a library
    made by a newer vidseg, and for a database that is not a library.
    """
    with reading(engine) as connection:
        if found_version(connection) == VERSION:
            return ""
    with writing(engine) as connection:
        found = found_version(connection)  # another process may have been faster
        if found == VERSION:
            return ""
        told = _back_up(engine, connection, found) if found else ""
        upgrade(connection, VERSION)
    return told


def found_version(connection: Connection) -> str | None:
    """Give the version a library is at, None where there are no tables. Raises LibraryError."""
    tables = set(inspect(connection).get_table_names())
    place = connection.engine.url.render_as_string(hide_password=True)
    if "alembic_version" not in tables:
        if tables and connection.dialect.name == "sqlite":
            raise LibraryError(f"{place} is a database of something else, not a vidseg library")
        return None
    version = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    if version not in VERSIONS:
        raise LibraryError(
            f"the library {place} was made by a newer vidseg (its version is {version}, this one "
            f"knows up to {VERSION}); update vidseg to use it"
        )
    return str(version)


def upgrade(connection: Connection, version: str) -> None:
    """Run the migrations up to ``version`` within the connection's transaction."""
    from alembic import command  # slow to import, and seldom needed
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    with warnings.catch_warnings():
        # Alembic warns of a separator for lists of folders, of which there is none here.
        warnings.filterwarnings("ignore", message="No path_separator", category=DeprecationWarning)
        command.upgrade(config, version)


def _back_up(engine: Engine, connection: Connection, version: str) -> str:
    if engine.dialect.name == "postgresql":
        schema = f"vidseg_backup_{version}"
        connection.execute(text(f"CREATE SCHEMA {schema}"))
        for table in inspect(connection).get_table_names():
            connection.execute(text(f"CREATE TABLE {schema}.{table} AS TABLE {table}"))
        return f"the library was of version {version}; a copy of it is in the schema {schema}"
    path = Path(str(engine.url.database))
    target = path.with_name(f"{path.name}.backup-{version}")
    if target.exists():
        raise LibraryError(f"{target} is in the way of the backup; move it elsewhere")
    # A second connection may read while this one holds the write lock and has written nothing.
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy)
    return f"the library was of version {version}; a copy of it is {target}"
