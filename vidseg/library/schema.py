"""The tables of a library. Times are whole nanoseconds; keys are small whole numbers.

No column is meant for anything that identifies a patient: cases and surgeons go by pseudonyms,
notes and file names are not kept. How a library came to this form is told in ``migrations``.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Integer,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
)

VERSION = "0002"
"""The newest migration: what a library must be at to be used."""
VERSIONS = ("0001", "0002")
"""Every migration, oldest first."""

metadata = MetaData()


def _key(target: str, *, primary: bool = False, index: bool = False) -> Column[int]:
    name = {"cases": "case_id", "annotations": "annotation_id"}.get(target, f"{target[:-1]}_id")
    return Column(
        name,
        Integer,
        ForeignKey(f"{target}.id"),
        primary_key=primary,
        autoincrement=False,
        nullable=False,
        index=index,
    )


procedures = Table(
    "procedures",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("code", String, nullable=False, unique=True),
    Column("name", String, nullable=False),
)
steps = Table(
    "steps",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    _key("procedures"),
    Column("code", String, nullable=False),
    Column("name", String, nullable=False),
    Column("level", String, nullable=False),
    Column("category", String, nullable=False),
    Column("place", Integer, nullable=False),
    UniqueConstraint("procedure_id", "code"),
)
cases = Table(
    "cases",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("name", String, nullable=False, unique=True),
    Column("surgeon", String, nullable=False),
    Column("role", String, nullable=False),
    Column("experience", String, nullable=False),
    Column("case_number", Integer),
    Column("date", String, nullable=False),
    Column("complete", Boolean),
)
covariates = Table(
    "covariates",
    metadata,
    _key("cases", primary=True),
    Column("name", String, primary_key=True),
    Column("value", String, nullable=False),
    sqlite_with_rowid=False,
)
markings = Table(
    "annotations",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    _key("cases"),
    _key("procedures"),
    Column("annotator", String, nullable=False),
    Column("recorded", Text, nullable=False),
    Column("recorded_ns", BigInteger, nullable=False),
    Column("observed_ns", BigInteger, nullable=False),
    Column("excluded_ns", BigInteger, nullable=False),
    Column("cut", SmallInteger, nullable=False),
    Column("digest", String, nullable=False),
    UniqueConstraint("case_id", "procedure_id", "annotator"),
)
timings = Table(
    "timings",
    metadata,
    _key("annotations", primary=True),
    _key("steps", primary=True),
    Column("visits", Integer, nullable=False),
    Column("active_ns", BigInteger, nullable=False),
    Column("elapsed_ns", BigInteger, nullable=False),
    Column("first_ns", BigInteger, nullable=False),
    Column("last_ns", BigInteger, nullable=False),
    Column("cut", SmallInteger, nullable=False),
    sqlite_with_rowid=False,
)
visits = Table(
    "visits",
    metadata,
    _key("annotations", primary=True),
    Column("place", Integer, primary_key=True, autoincrement=False),
    _key("steps"),
    Column("start_ns", BigInteger, nullable=False),
    Column("end_ns", BigInteger, nullable=False),
    Column("cut", SmallInteger, nullable=False),
    sqlite_with_rowid=False,
)
events = Table(
    "events",
    metadata,
    _key("annotations", primary=True),
    Column("place", Integer, primary_key=True, autoincrement=False),
    _key("steps"),
    Column("at_ns", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

CUT_START = 1
"""In a column ``cut``: the recording does not show the start."""
CUT_END = 2
"""In a column ``cut``: the recording does not show the end. Both add up."""


def cut(open_start: bool, open_end: bool) -> int:
    """Give the value of a column ``cut``."""
    return CUT_START * open_start + CUT_END * open_end
