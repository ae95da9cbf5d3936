"""First released schema: jobs, their records, settings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create the tables of an empty store."""
    op.create_table(
        "jobs",
        sa.Column("id", sa.Text, primary_key=True),
        *(
            sa.Column(name, sa.Text, nullable=False)
            for name in ("ro", "status", "opened_at", "updated_at")
        ),
        sa.Column("length", sa.Integer, nullable=False),
        sa.Column("head", sa.Text, nullable=False),
    )
    op.create_index("jobs_by_ro", "jobs", ["ro"])
    op.create_index("jobs_by_status", "jobs", ["status", "updated_at"])
    op.create_index(
        "jobs_one_open_per_ro",
        "jobs",
        ["ro"],
        unique=True,
        sqlite_where=sa.text("status = 'open'"),
        postgresql_where=sa.text("status = 'open'"),
    )
    op.create_table(
        "records",
        sa.Column("job", sa.Text, primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        *(
            sa.Column(name, sa.Text, nullable=False)
            for name in ("type", "payload", "who", "at", "pack", "program", "previous", "digest")
        ),
    )
    op.create_table(
        "settings",
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )
