"""Where a library lies, and how it is opened: SQLite by a file's name, PostgreSQL by a URL."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, OperationalError
from sqlalchemy.pool import NullPool

from vidseg.library.soundness import damage
from vidseg.model.bounds import usable_path
from vidseg.model.problem import LibraryError, VidsegError

PATIENCE_S = 120
"""How long a process waits for another that is writing."""
LOCK = 0x71D5E6
"""The number of the PostgreSQL advisory lock under which libraries are written."""


def is_url(place: str) -> bool:
    """Say whether a library is named by a URL, not by a file."""
    return "://" in place


def shown_place(place: str) -> str:
    """Give the library's name for messages, a password left out."""
    return make_url(place).render_as_string(hide_password=True) if is_url(place) else place


def open_engine(place: str, *, make: bool) -> Engine:
    """Give the engine of a library named by a file or a PostgreSQL URL; connects to nothing yet.

    Raises LibraryError for another kind of database, a missing driver, and for a file that does
    not exist unless ``make``.
    """
    if is_url(place):
        return _postgresql(place)
    try:
        path = Path(usable_path(place))
    except ValueError as error:
        raise LibraryError(str(error)) from None
    if path.exists() and not path.is_file():
        raise LibraryError(f"{place} is a folder or a device; a library is one file")
    if not path.exists() and not make:
        raise LibraryError(
            f"there is no library {place}; `vidseg library add` makes one, --library (or "
            "VIDSEG_LIBRARY) names another"
        )
    if not path.parent.is_dir():
        raise LibraryError(f"the folder {path.parent} does not exist")
    # SQLite keeps a library of this name in memory alone
    name = str(path.absolute()) if place == ":memory:" else str(path)
    engine = create_engine(
        URL.create("sqlite", database=name),
        poolclass=NullPool,
        connect_args={"timeout": PATIENCE_S},
    )
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


def _postgresql(place: str) -> Engine:
    try:
        url = make_url(place)
    except ArgumentError:
        raise LibraryError("the library's URL cannot be read; postgresql://host/name") from None
    if url.get_backend_name() != "postgresql":
        raise LibraryError(
            f"a library lies in a SQLite file or in PostgreSQL, not in {url.get_backend_name()}"
        )
    try:
        return create_engine(url.set(drivername="postgresql+psycopg"), poolclass=NullPool)
    except ModuleNotFoundError:
        raise LibraryError(
            "PostgreSQL needs the driver psycopg: pip install 'vidseg[postgres]'"
        ) from None


def _on_connect(connection: Any, _record: Any) -> None:
    # The driver would otherwise begin transactions late, and never before reading.
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")


def _on_begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """Give a connection in one transaction, alone among writers; LibraryError where that fails."""
    with _told(engine), engine.connect() as plain:
        connection = plain.execution_options(writes=True)
        with connection.begin():
            if engine.dialect.name == "postgresql":
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK})")
            yield connection


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Give a connection that sees one state of the library; LibraryError where that fails."""
    with _told(engine), engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            connection = connection.execution_options(isolation_level="REPEATABLE READ")
        with connection.begin():
            yield connection


@contextmanager
def _told(engine: Engine) -> Iterator[None]:
    sqlite = engine.dialect.name == "sqlite"
    place = engine.url.database if sqlite else engine.url.render_as_string(hide_password=True)
    try:
        yield
    except sqlite3.Error as error:
        raise LibraryError(f"the library {place} cannot be used: {error}") from error
    except OperationalError as error:
        if isinstance(error.orig, sqlite3.Error) and "locked" in str(error.orig):
            raise LibraryError(
                f"{engine.url.database} is in use by another program for more than {PATIENCE_S} s"
            ) from error
        reason = str(error.orig).strip().splitlines()[0] if error.orig else str(error)
        raise LibraryError(f"the library {place} cannot be used: {reason}") from error
    except DatabaseError as error:
        reason = str(error.orig).strip().splitlines()[0] if error.orig else str(error)
        raise LibraryError(f"the library {place} cannot be used: {reason}") from error
    except Exception as error:
        tell_damage(engine, error)
        raise


def tell_damage(engine: Engine, error: Exception) -> None:
    """Raise LibraryError where an ``error`` that nobody expected comes of a damaged file."""
    if isinstance(error, VidsegError) or engine.dialect.name != "sqlite":
        return
    if found := damage(engine):
        raise LibraryError(
            f"the library {engine.url.database} is damaged: {found}; go back to a copy of it"
        ) from error
