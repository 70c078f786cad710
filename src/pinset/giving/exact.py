"""The journal's own tables as they are given: every column, word for word, so that nothing is lost on the way back."""

from __future__ import annotations

from typing import Final

from pinset.giving.schema import Field, Reference, Table

_OF_FARM: Final = Field("farm", "string", "The id of the farm.")

FARM: Final = Table(
    "farm",
    "The farm's settings, how many entries it has, and the hash that its chain of entries ends in.",
    (
        Field("id", "string", "The id of the farm."),
        Field("name", "string", "What the farm is called."),
        Field("currency", "string", "The money it counts in (ISO 4217)."),
        Field("minor_digits", "integer", "Digits after the mark in an amount of that money."),
        Field("zone", "string", "Its time zone (IANA)."),
        Field("decimal_mark", "string", "The mark before decimals in what its people write."),
        Field("made_at", "string", "When the record was started (UTC, ISO 8601)."),
        Field("epoch", "string", "Changes each time the record is put in place anew."),
        Field("entries", "integer", "How many entries are kept."),
        Field("head", "string", "The hash of the newest entry in the chain (SHA-256)."),
    ),
    ("id",),
)

ENTRIES: Final = Table(
    "entry",
    "Everything noted, in the order kept: exact, and enough to make all other tables again.",
    (
        _OF_FARM,
        Field("place", "integer", "The entry's place in the farm's chain, from 1."),
        Field("id", "string", "The id that the entry was noted under (UUID)."),
        Field("kind", "string", "What was noted: pick, check, make and so on."),
        Field("version", "integer", "The version of the kind."),
        Field("at", "string", "When it happened (ISO 8601 with offset, as noted)."),
        Field("noted_at", "string", "When it was noted, by the clock of the device (ISO 8601 with offset)."),
        Field("kept_at", "string", "When it was kept (UTC, ISO 8601)."),
        Field("noted_by", "string", "Who noted it."),
        Field("device", "string", "The device it was noted on; empty at the farm's own computer."),
        Field("device_seq", "integer", "Its running number on the device."),
        Field("replaces", "string", "The id of the entry that it corrects or cancels.", nullable=True),
        Field("body", "object", "What it says, as stored: milligrams, minor units of money, minutes, fractions."),
        Field("attachments", "array", "The files that belong to it, by the hash of their content (SHA-256)."),
        Field("chain", "string", "SHA-256 over the hash before it, kept_at and the entry: a changed byte shows here."),
    ),
    ("place",),
    (Reference("farm", "farm", "id"),),
)

CONFLICTS: Final = Table(
    "conflict",
    "Entries that were offered under an id that is on record with other words; set beside, never kept.",
    (
        _OF_FARM,
        Field("id", "string", "The id that was offered."),
        Field("hash", "string", "SHA-256 of what was offered."),
        Field("offered", "string", "What was offered: its envelope and its body, each a line of JSON."),
        Field("offered_at", "string", "When it was offered (UTC, ISO 8601)."),
    ),
    ("id", "hash"),
    (Reference("id", "entry", "id"),),
)

DEVICES: Final = Table(
    "device",
    "The devices that notes came from.",
    (
        _OF_FARM,
        Field("id", "string", "The id of the device."),
        Field("seen_at", "string", "When it was last heard of (UTC, ISO 8601)."),
        Field("offset_ms", "integer", "How far its clock was ahead of the record's.", "milliseconds"),
    ),
    ("id",),
    (Reference("farm", "farm", "id"),),
)

ASIDES: Final = Table(
    "aside",
    "Rows of files that were set aside when they were taken in, and what became of them.",
    (
        _OF_FARM,
        Field("id", "string", "The id of the row."),
        Field("file", "string", "The file that it came from."),
        Field("sheet", "string", "The sheet in the file."),
        Field("row", "integer", "The row in the sheet, from 1."),
        Field("column_name", "string", "The column that was in doubt."),
        Field("sort", "string", "Whether it is a fault or a question."),
        Field("needed", "string", "What was needed."),
        Field("came", "string", "What came."),
        Field("mend", "string", "How to mend it."),
        Field("offered", "object", "The entries that the row would become."),
        Field("state", "string", "open, accepted, corrected or dropped."),
        Field("set_at", "string", "When it was set aside (UTC, ISO 8601)."),
        Field("entry", "string", "The id of the entry that it became.", nullable=True),
    ),
    ("id",),
    (Reference("farm", "farm", "id"),),
)

EXACT: Final = (FARM, ENTRIES, CONFLICTS, DEVICES, ASIDES)
"""Every table of the journal, in an order in which each finds what it refers to."""


def select_sql(table: Table) -> str:
    """The statement that reads a farm's rows of a table in the order of its key.

    >>> select_sql(DEVICES)
    'SELECT "farm", "id", "seen_at", "offset_ms" FROM device WHERE "farm" = ? ORDER BY "id"'
    """
    columns, order = (", ".join(f'"{name}"' for name in names) for names in (table.columns, table.key))
    return f'SELECT {columns} FROM {table.name} WHERE "{_farm_column(table)}" = ? ORDER BY {order}'


def insert_sql(table: Table) -> str:
    """The statement that writes one row of a table.

    >>> insert_sql(DEVICES)
    'INSERT INTO device ("farm", "id", "seen_at", "offset_ms") VALUES (?, ?, ?, ?)'
    """
    columns = ", ".join(f'"{name}"' for name in table.columns)
    return f"INSERT INTO {table.name} ({columns}) VALUES ({', '.join('?' * len(table.fields))})"


def _farm_column(table: Table) -> str:
    return "id" if table is FARM else "farm"
