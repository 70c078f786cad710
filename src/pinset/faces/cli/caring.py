"""Care of the record: verify it, make its ledger again, show its state."""

from __future__ import annotations

import shutil
import sqlite3
import time
from datetime import UTC, datetime
from pathlib import Path

from pinset.faces.cli.finding import open_farm
from pinset.faces.cli.options import FarmFolder
from pinset.farm import Farm
from pinset.journal import backup as backing
from pinset.journal.store import sqlite_faults
from pinset.ledger.tables import Batch, Picked, Unit


def verify(*, farm: FarmFolder = None) -> None:
    """Check every entry against the chain, and the ledger against a full replay."""
    with open_farm(farm) as opened:
        faults = opened.verify()
        entries = _entries(opened)
    if not faults:
        print(f"All {entries} entries are as they were kept, and the ledger is what they say.")
        return
    print(f"{len(faults)} things are not as they were kept:")
    for fault in faults:
        print(f"  {fault}")
    raise SystemExit(1)


def rebuild(*, farm: FarmFolder = None) -> None:
    """Drop the ledger and make it again from the journal."""
    from rich.progress import Progress

    with open_farm(farm) as opened, Progress(transient=True) as bar:
        task = bar.add_task("Reading entries", total=_entries(opened))
        began = time.perf_counter()
        count = opened.rebuild(lambda done: bar.update(task, completed=done))
        took = time.perf_counter() - began
    print(f"The ledger was made again from {count} entries in {took:.1f} s.")


def backup(folder: Path | None = None, *, farm: FarmFolder = None) -> None:
    """Copy the record to a folder, while it is in use: checked, then old copies pruned.

    Parameters
    ----------
    folder: Path
        Where the copies are; better on another disk. Else the folder backups beside the record.
    """
    with open_farm(farm) as opened:
        made = backing.back_up(opened.store, folder or opened.store.path.parent / "backups")
    print(f"Backed up {made.entries} entries to {made.path}, and checked the copy.")
    if made.pruned:
        print(f"Took away {len(made.pruned)} old copies: {backing.PRUNING}.")


def restore(backup: Path, folder: Path) -> None:
    """Put a backup in place as a record of its own, in a folder that has none.

    Parameters
    ----------
    backup: Path
        The backup's file.
    folder: Path
        Where the record will be.
    """
    entries = backing.restore(backup, folder)
    print(f"Restored {entries} entries to {folder}. Look at it with: pinset check --farm {folder}")


def check(*, farm: FarmFolder = None) -> None:
    """Show the state of the record on one screen."""
    with open_farm(farm) as opened:
        settings, path = opened.settings, opened.store.path
        with opened.reader() as ledger:
            counts = {
                name: ledger.count(table) for name, table in (("batches", Batch), ("units", Unit), ("picks", Picked))
            }
        entries = _entries(opened)
    free = shutil.disk_usage(path.parent).free
    print(f"Farm       {settings.name} ({settings.currency}, {settings.zone})")
    print(f"Record     {path}, {path.stat().st_size / 1e6:.1f} MB, {entries} entries")
    print("Holds      " + ", ".join(f"{count} {name}" for name, count in counts.items()))
    print(f"SQLite     {sqlite3.sqlite_version}" + (f": {fault}" if (fault := sqlite_faults()) else ""))
    print(f"Backup     {_last_backup(path.parent / 'backups')}")
    print(f"Free disk  {free / 1e9:.1f} GB" + ("  make room soon" if free < 1e9 else ""))
    print(f"Clock      {datetime.now().astimezone().isoformat(timespec='seconds')}")


def _last_backup(folder: Path) -> str:
    there = backing.backups(folder)
    if not there:
        return f"none in {folder}; make one with: pinset backup"
    age = datetime.now(UTC) - there[-1][0]
    return f"{there[-1][1].name}, {age.days} days old" + ("  make a new one" if age.days >= 7 else "")


def _entries(farm: Farm) -> int:
    with farm.store.read() as connection:
        row = connection.execute("SELECT entries FROM farm WHERE id = ?", (farm.settings.id,)).fetchone()
    return int(row[0])
