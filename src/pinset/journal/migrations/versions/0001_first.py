"""The journal's first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


# sorted by bytes in both databases, so that both tell the same order
TEXT, WHOLE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql"), sa.BigInteger


def upgrade() -> None:
    """Make the tables: farms, entries in their chains, offers that clashed, and rows set aside by intake."""
    op.create_table("farm", *_farm(), sqlite_strict=True)
    op.create_table("entry", *_entry(), sqlite_strict=True)
    there = sa.text("replaces IS NOT NULL")
    op.create_index("entry_replaces", "entry", ["farm", "replaces"], sqlite_where=there, postgresql_where=there)
    op.create_table("conflict", *_conflict(), sqlite_strict=True)
    op.create_table("aside", *_aside(), sqlite_strict=True)


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, TEXT, nullable=False) for name in names]


def _farm() -> list[sa.schema.SchemaItem]:
    return [
        sa.Column("id", TEXT, primary_key=True),
        *_texts("name", "currency"),
        sa.Column("minor_digits", sa.Integer, nullable=False),
        *_texts("zone", "decimal_mark", "made_at", "epoch"),
        sa.Column("entries", sa.Integer, nullable=False),
        *_texts("head"),
    ]


def _entry() -> list[sa.schema.SchemaItem]:
    return [
        sa.Column("pos", WHOLE().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=True),
        sa.Column("farm", TEXT, sa.ForeignKey("farm.id"), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        *_texts("id", "kind"),
        sa.Column("version", sa.Integer, nullable=False),
        *_texts("at", "noted_at", "kept_at", "noted_by", "device"),
        sa.Column("device_seq", sa.Integer, nullable=False),
        sa.Column("replaces", TEXT),
        *_texts("body", "attachments", "chain"),
        sa.UniqueConstraint("farm", "id"),
        sa.UniqueConstraint("farm", "place"),
    ]


def _conflict() -> list[sa.schema.SchemaItem]:
    return [*_texts("farm", "id", "offered", "offered_at"), sa.PrimaryKeyConstraint("farm", "id", "offered")]


def _aside() -> list[sa.schema.SchemaItem]:
    return [
        *_texts("farm", "id", "file", "sheet"),
        sa.Column("row", sa.Integer, nullable=False),
        *_texts("column_name", "sort", "needed", "came", "mend", "offered", "state", "set_at"),
        sa.Column("entry", TEXT),
        sa.PrimaryKeyConstraint("farm", "id"),
    ]
