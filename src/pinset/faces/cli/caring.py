"""Care of the record: verify it, make its ledger again, show its state."""

from __future__ import annotations

import contextlib
import shutil
import time
from datetime import datetime
from pathlib import Path

from pinset import upkeep as keeping
from pinset.faces.cli.finding import find_folder, open_farm
from pinset.faces.cli.options import FarmFolder
from pinset.farm import Farm, carried
from pinset.journal import backup as backing
from pinset.journal.sqlite import FILE_NAME, SqliteStore
from pinset.journal.store import home, is_url, migrate
from pinset.ledger.tables import Batch, Picked, Unit


def verify(*, farm: FarmFolder = None) -> None:
    """Check every entry against the chain, and the ledger against a full replay."""
    with open_farm(farm) as opened:
        faults = opened.verify()
        entries = opened.count()
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
        task = bar.add_task("Reading entries", total=opened.count())
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
        made = keeping.back_up(opened, folder)
    print(f"Backed up {made.entries} entries to {made.path}, and checked the copy.")
    if made.pruned:
        print(f"Took away {len(made.pruned)} old copies: {backing.PRUNING}.")


def upkeep(*, farm: FarmFolder = None) -> None:
    """Do what is due: a backup once a day where entries came since, and once a month the trial of one.

    `pinset serve` does the same in the background. Without it, have this run daily.
    """
    with open_farm(farm) as opened:
        done = keeping.do_what_is_due(opened)
        warning = keeping.warning(opened)
    print("\n".join(done) or "Nothing is due.")
    if warning:
        print(warning)
        raise SystemExit(1)


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


def upgrade(*, farm: FarmFolder = None) -> None:
    """Bring a record of an older pinset up to date; a record in a file is backed up first."""
    folder = find_folder(farm)
    where = home(folder).where
    if not is_url(where):
        with contextlib.closing(SqliteStore(Path(where) / FILE_NAME)) as store:
            print(f"Backed up to {backing.back_up(store, folder / backing.FOLDER).path}.")
    migrate(where)
    with open_farm(folder) as opened:
        print(f"The record of {opened.settings.name} is up to date.")


def carry(source: Path, target: Path, *, store: str | None = None) -> None:
    """Carry a farm's record to a new home, entry for entry, and check it there. The old one stays as it is.

    Parameters
    ----------
    source: Path
        The folder of the record.
    target: Path
        The folder that will hold the record, or point to it; made where it is missing.
    store: str
        A PostgreSQL database to carry it to, as postgresql://server/database; else into a file in the folder.
    """
    with Farm.open(source) as old, carried(old, target, store) as new:
        print(f"Carried {new.count()} entries of {new.settings.name} to {new.store.place}, and checked them there.")
    print(f"From now on note there, as with --farm {target}; the record in {source} is as it was.")


def check(*, farm: FarmFolder = None) -> None:
    """Show the state of the record on one screen."""
    folder = find_folder(farm)
    with open_farm(folder) as opened:
        settings, store = opened.settings, opened.store
        size, version = store.size(), store.version
        with opened.reader() as ledger:
            counts = {
                name: ledger.count(table) for name, table in (("batches", Batch), ("units", Unit), ("picks", Picked))
            }
        entries = opened.count()
        copied, tried, warning = keeping.backup_told(opened), keeping.trial_told(opened), keeping.warning(opened)
    free = shutil.disk_usage(folder).free
    print(f"Farm       {settings.name} ({settings.currency}, {settings.zone})")
    print(f"Record     {store.place}, {size / 1e6:.1f} MB, {entries} entries")
    print("Holds      " + ", ".join(f"{count} {name}" for name, count in counts.items()))
    print(f"Store      {version}")
    print(f"Backup     {copied}")
    print(f"Restore    {tried}")
    print(f"Free disk  {free / 1e9:.1f} GB" + ("  make room soon" if free < 1e9 else ""))
    if warning:
        print(f"Warning    {warning}")
    print(f"Clock      {datetime.now().astimezone().isoformat(timespec='seconds')}")
