"""Tables of the store, the same in SQLite and PostgreSQL."""

from __future__ import annotations

import sqlalchemy as sa  # noqa: TID253  loads only with a store

SCHEMAS = ("0001", "0002")
"""Schema versions that this program knows, oldest first; it works with the last."""

VERSION_TABLE = "store_schema"

metadata = sa.MetaData()

jobs = sa.Table(
    "jobs",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("ro", sa.Text, nullable=False),
    sa.Column("status", sa.Text, nullable=False),
    sa.Column("opened_at", sa.Text, nullable=False),
    sa.Column("updated_at", sa.Text, nullable=False),
    sa.Column("length", sa.Integer, nullable=False),
    sa.Column("head", sa.Text, nullable=False),
    sa.Column("summary", sa.Text, nullable=False, server_default="{}"),
    sa.Index("jobs_by_ro", "ro"),
    sa.Index("jobs_by_status", "status", "updated_at"),
)
"""Index of the jobs, kept in the same transactions as their records.

The migrations give it a partial unique index too, one open job a repair order; declared here, it
would load both databases' dialects at every start."""

records = sa.Table(
    "records",
    metadata,
    sa.Column("job", sa.Text, primary_key=True),
    sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
    *(
        sa.Column(name, sa.Text, nullable=False)
        for name in ("type", "payload", "who", "at", "pack", "program", "previous", "digest")
    ),
)
"""Records; the payload is canonical JSON as text, so that a database never reorders it."""

packs = sa.Table(
    "packs",
    metadata,
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("text", sa.Text, nullable=False),
)
"""Packs that were ever in force, by digest."""

settings = sa.Table(
    "settings",
    metadata,
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)

version = sa.Table(
    VERSION_TABLE, sa.MetaData(), sa.Column("version_num", sa.String(32), primary_key=True)
)
"""Kept by the migration tool; here only to be read."""
