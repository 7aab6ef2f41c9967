"""A library: opened, added to, removed from. Reading it is ``library.read``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from types import TracebackType

from sqlalchemy import delete, func, select

from vidseg.library import schema
from vidseg.library.adding import Added, Adder
from vidseg.library.connection import open_engine, shown_place, tell_damage, writing
from vidseg.library.version import prepare
from vidseg.model.problem import LibraryError
from vidseg.model.record import Record

AT_ONCE = 500
"""Cases written in one transaction, and names asked for in one query."""


class Library:
    """An open library. ``told`` is a sentence where it was migrated, else empty."""

    def __init__(self, place: str, *, make: bool = False) -> None:
        """Open the library in a SQLite file or at a PostgreSQL URL; with ``make`` make a new one.

        An older one is brought up to date, with a backup. Raises LibraryError where it does not
        exist, is newer than this vidseg, is no library, or cannot be reached.
        """
        self.place = shown_place(place)
        self.engine = open_engine(place, make=make)
        self.told = prepare(self.engine)

    def __enter__(self) -> Library:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
        if isinstance(error, Exception):
            tell_damage(self.engine, error)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def add(self, records: Iterable[Record]) -> list[Added]:
        """Add records, each wholly or not at all; the same again changes nothing.

        A record whose case, vocabulary and annotator are there already replaces what was kept.
        Facts of a case that are told replace earlier ones; facts not told stay. Several
        processes may add at once. Raises LibraryError where the database refuses.
        """
        done: list[Added] = []
        waiting = list(records)
        for start in range(0, len(waiting), AT_ONCE):
            with writing(self.engine) as connection:
                adder = Adder(connection)
                part = adder.add(waiting[start : start + AT_ONCE])
            done += part
        return done

    def remove(self, names: Sequence[str], annotator: str | None = None) -> int:
        """Remove cases by name, or only what one annotator marked in them; gives how many went.

        Raises LibraryError, removing nothing, where one of them is not there.
        """
        cases, markings = schema.cases, schema.markings
        gone = 0
        with writing(self.engine) as connection:
            for name in dict.fromkeys(names):
                case = connection.scalar(select(cases.c.id).where(cases.c.name == name))
                wanted = select(markings.c.id).where(markings.c.case_id == case)
                if annotator is not None:
                    wanted = wanted.where(markings.c.annotator == annotator)
                found = list(connection.scalars(wanted))
                if case is None or not found:
                    who = "" if annotator is None else f" annotated by {annotator!r}"
                    raise LibraryError(f"the library has no case {name!r}{who}")
                Adder(connection).delete(found)
                left = connection.scalar(select(func.count()).where(markings.c.case_id == case))
                if not left:
                    connection.execute(
                        delete(schema.covariates).where(schema.covariates.c.case_id == case)
                    )
                    connection.execute(delete(cases).where(cases.c.id == case))
                gone += 1
        return gone
