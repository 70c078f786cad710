"""Devices and their clocks; clashes told apart by their hash; and what the ledger was made with, in every store."""

import hashlib

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Make the tables of devices and of the ledger's make, and the table of clashes anew.

    A clash was told apart by its whole words, which may be longer than an index of PostgreSQL can hold.
    """
    op.create_table("device", *_device(), sqlite_strict=True)
    version = sa.Column("version", sa.Integer, nullable=False)
    op.create_table("ledger_version", version, sqlite_strict=True, if_not_exists=True)
    there = sa.table("conflict", *map(sa.column, ("farm", "id", "offered", "offered_at")))
    rows = [dict(row._mapping) for row in op.get_bind().execute(sa.select(there))]
    op.drop_table("conflict")
    conflict = op.create_table("conflict", *_conflict(), sqlite_strict=True)
    if rows:
        op.bulk_insert(conflict, [{**row, "hash": _hash(row["offered"])} for row in rows])


def _hash(words: str) -> str:
    return hashlib.sha256(words.encode()).hexdigest()


def _device() -> list[sa.schema.SchemaItem]:
    return [
        *(sa.Column(name, TEXT, nullable=False) for name in ("farm", "id", "seen_at")),
        sa.Column("offset_ms", sa.BigInteger().with_variant(sa.Integer, "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("farm", "id", "seen_at"),
    ]


def _conflict() -> list[sa.schema.SchemaItem]:
    return [
        *(sa.Column(name, TEXT, nullable=False) for name in ("farm", "id", "hash", "offered", "offered_at")),
        sa.PrimaryKeyConstraint("farm", "id", "hash"),
    ]
