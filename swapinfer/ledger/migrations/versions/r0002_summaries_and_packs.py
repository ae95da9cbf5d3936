"""A summary beside each job, so that lists need no replay; packs in force, by digest."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the summaries, empty, and the table of packs."""
    op.add_column("jobs", sa.Column("summary", sa.Text, nullable=False, server_default="{}"))
    op.create_table(
        "packs",
        sa.Column("digest", sa.Text, primary_key=True),
        sa.Column("text", sa.Text, nullable=False),
    )
