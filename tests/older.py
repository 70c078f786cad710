"""A record as the first pinset left it."""

from __future__ import annotations

import contextlib
from pathlib import Path

from pinset.farm import Farm
from pinset.journal.carry import ENTRY_COLUMNS
from pinset.journal.sqlite import FILE_NAME, connect
from pinset.journal.store import migrate


def older_record(folder: Path) -> None:
    """Make a record of schema 0001 with three entries and one clash."""
    with Farm.start(folder / "new", "Old farm") as farm:
        for word in ("one", "two", "three"):
            farm.note("note", {"text": word})
    migrate_first(folder)
    with contextlib.closing(connect(folder / FILE_NAME)) as connection:
        connection.execute("ATTACH ? AS new", (str(folder / "new" / FILE_NAME),))
        connection.execute("INSERT INTO farm SELECT * FROM new.farm")
        connection.execute(f"INSERT INTO entry ({ENTRY_COLUMNS}) SELECT {ENTRY_COLUMNS} FROM new.entry ORDER BY place")
        clash = "SELECT farm, id, 'other words', kept_at FROM new.entry WHERE place = 1"
        connection.execute(f"INSERT INTO conflict {clash}")
        connection.execute("CREATE TABLE ledger_version (version INTEGER NOT NULL) STRICT")
        connection.execute("INSERT INTO ledger_version VALUES (1)")


def migrate_first(folder: Path) -> None:
    """Make the first schema in a folder."""
    folder.mkdir(exist_ok=True)
    migrate(folder, "0001")
