"""The journal's first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables: farms, entries in their chains, offers that clashed, and rows set aside by intake."""
    text, whole = sa.Text, sa.BigInteger
    op.create_table(
        "farm",
        sa.Column("id", text, primary_key=True),
        sa.Column("name", text, nullable=False),
        sa.Column("currency", text, nullable=False),
        sa.Column("minor_digits", sa.Integer, nullable=False),
        sa.Column("zone", text, nullable=False),
        sa.Column("decimal_mark", text, nullable=False),
        sa.Column("made_at", text, nullable=False),
        sa.Column("epoch", text, nullable=False),
        sa.Column("entries", sa.Integer, nullable=False),
        sa.Column("head", text, nullable=False),
        sqlite_strict=True,
    )
    op.create_table(
        "entry",
        sa.Column("pos", whole().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=True),
        sa.Column("farm", text, sa.ForeignKey("farm.id"), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("id", text, nullable=False),
        sa.Column("kind", text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("at", text, nullable=False),
        sa.Column("noted_at", text, nullable=False),
        sa.Column("kept_at", text, nullable=False),
        sa.Column("noted_by", text, nullable=False),
        sa.Column("device", text, nullable=False),
        sa.Column("device_seq", sa.Integer, nullable=False),
        sa.Column("replaces", text),
        sa.Column("body", text, nullable=False),
        sa.Column("attachments", text, nullable=False),
        sa.Column("chain", text, nullable=False),
        sa.UniqueConstraint("farm", "id"),
        sa.UniqueConstraint("farm", "place"),
        sqlite_strict=True,
    )
    op.create_index(
        "entry_replaces", "entry", ["farm", "replaces"],
        sqlite_where=sa.text("replaces IS NOT NULL"), postgresql_where=sa.text("replaces IS NOT NULL"),
    )  # fmt: skip
    op.create_table(
        "conflict",
        sa.Column("farm", text, nullable=False),
        sa.Column("id", text, nullable=False),
        sa.Column("offered", text, nullable=False),
        sa.Column("offered_at", text, nullable=False),
        sa.PrimaryKeyConstraint("farm", "id", "offered"),
        sqlite_strict=True,
    )
    op.create_table(
        "aside",
        sa.Column("farm", text, nullable=False),
        sa.Column("id", text, nullable=False),
        sa.Column("file", text, nullable=False),
        sa.Column("sheet", text, nullable=False),
        sa.Column("row", sa.Integer, nullable=False),
        sa.Column("column_name", text, nullable=False),
        sa.Column("sort", text, nullable=False),
        sa.Column("needed", text, nullable=False),
        sa.Column("came", text, nullable=False),
        sa.Column("mend", text, nullable=False),
        sa.Column("offered", text, nullable=False),
        sa.Column("state", text, nullable=False),
        sa.Column("set_at", text, nullable=False),
        sa.Column("entry", text),
        sa.PrimaryKeyConstraint("farm", "id"),
        sqlite_strict=True,
    )
