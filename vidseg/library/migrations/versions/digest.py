"""Annotations get a digest, so that adding one again can tell the same from a changed one.

Those kept before have an empty digest: adding one of them again replaces it once.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the column."""
    op.add_column("annotations", sa.Column("digest", sa.String, nullable=False, server_default=""))
