"""The first form of the library."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "procedures",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("code", sa.String, nullable=False, unique=True),
        sa.Column("name", sa.String, nullable=False),
    )
    op.create_table(
        "steps",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("procedure_id", sa.Integer, sa.ForeignKey("procedures.id"), nullable=False),
        sa.Column("code", sa.String, nullable=False),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("level", sa.String, nullable=False),
        sa.Column("category", sa.String, nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.UniqueConstraint("procedure_id", "code"),
    )
    op.create_table(
        "cases",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("name", sa.String, nullable=False, unique=True),
        sa.Column("surgeon", sa.String, nullable=False),
        sa.Column("role", sa.String, nullable=False),
        sa.Column("experience", sa.String, nullable=False),
        sa.Column("case_number", sa.Integer),
        sa.Column("date", sa.String, nullable=False),
        sa.Column("complete", sa.Boolean),
    )
    op.create_table(
        "covariates",
        sa.Column("case_id", sa.Integer, sa.ForeignKey("cases.id"), primary_key=True),
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("value", sa.String, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "annotations",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("case_id", sa.Integer, sa.ForeignKey("cases.id"), nullable=False),
        sa.Column("procedure_id", sa.Integer, sa.ForeignKey("procedures.id"), nullable=False),
        sa.Column("annotator", sa.String, nullable=False),
        sa.Column("recorded", sa.Text, nullable=False),
        sa.Column("recorded_ns", sa.BigInteger, nullable=False),
        sa.Column("observed_ns", sa.BigInteger, nullable=False),
        sa.Column("excluded_ns", sa.BigInteger, nullable=False),
        sa.Column("cut", sa.SmallInteger, nullable=False),
        sa.UniqueConstraint("case_id", "procedure_id", "annotator"),
    )
    _create_rows_of_annotations()


def _create_rows_of_annotations() -> None:
    def key(name: str, target: str, primary: bool) -> sa.Column[int]:
        return sa.Column(
            name,
            sa.Integer,
            sa.ForeignKey(target),
            primary_key=primary,
            autoincrement=False,
            nullable=False,
        )

    op.create_table(
        "timings",
        key("annotation_id", "annotations.id", True),
        key("step_id", "steps.id", True),
        sa.Column("visits", sa.Integer, nullable=False),
        sa.Column("active_ns", sa.BigInteger, nullable=False),
        sa.Column("elapsed_ns", sa.BigInteger, nullable=False),
        sa.Column("first_ns", sa.BigInteger, nullable=False),
        sa.Column("last_ns", sa.BigInteger, nullable=False),
        sa.Column("cut", sa.SmallInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "visits",
        key("annotation_id", "annotations.id", True),
        sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
        key("step_id", "steps.id", False),
        sa.Column("start_ns", sa.BigInteger, nullable=False),
        sa.Column("end_ns", sa.BigInteger, nullable=False),
        sa.Column("cut", sa.SmallInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "events",
        key("annotation_id", "annotations.id", True),
        sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
        key("step_id", "steps.id", False),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
