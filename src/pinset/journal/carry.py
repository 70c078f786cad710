"""Carrying a farm's journal from one store to another: entry for entry, with its places, hashes and clashes."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pinset.journal.codes import new_id
from pinset.journal.farms import FarmSettings, add_farm, find_farm
from pinset.journal.keep import MOST_MARKS, chain_faults
from pinset.journal.store import Connection

ENTRY_COLUMNS: Final = (
    "farm, place, id, kind, version, at, noted_at, kept_at, noted_by, device, device_seq, replaces, body, attachments,"
    " chain"
)
_BESIDE: Final = {
    "conflict": "farm, id, hash, offered, offered_at",
    "device": "farm, id, seen_at, offset_ms",
    "aside": 'farm, id, file, sheet, "row", column_name, sort, needed, came, mend, offered, state, set_at, entry',
}


class NotCarried(RuntimeError):
    """What arrived is not what was sent; nothing of it was kept, and the old record is as it was."""


def settings_for_new_home(farm: FarmSettings) -> FarmSettings:
    """The farm's settings with a new epoch, so that phones offer again what the old home may have taken meanwhile."""
    return replace(farm, epoch=new_id())


def bring(source: Connection, target: Connection, farm: FarmSettings) -> None:
    """Write all that a farm's journal holds into another store, and check its chain there."""
    add_farm(target, farm)
    after = 0
    sql = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE farm = ? AND place > ? ORDER BY place LIMIT ?"
    while rows := source.execute(sql, (farm.id, after, MOST_MARKS)).fetchall():
        _write(target, "entry", ENTRY_COLUMNS, rows)
        after = rows[-1][1]
    for table, columns in _BESIDE.items():
        rows = source.execute(f"SELECT {columns} FROM {table} WHERE farm = ? ORDER BY id", (farm.id,)).fetchall()
        _write(target, table, columns, rows)
    _check(source, target, farm)


def _write(target: Connection, table: str, columns: str, rows: list[tuple[object, ...]]) -> None:
    if rows:
        marks = ", ".join("?" * len(rows[0]))
        target.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", rows)


def _check(source: Connection, target: Connection, farm: FarmSettings) -> None:
    sql = "SELECT entries, head FROM farm WHERE id = ?"
    entries, head = source.execute(sql, (farm.id,)).fetchone()
    target.execute("UPDATE farm SET entries = ?, head = ? WHERE id = ?", (entries, head, farm.id))
    faults = chain_faults(target, find_farm(target, farm.id))
    if faults:
        raise NotCarried(f"{NotCarried.__doc__} {faults[0]}")
