"""Backups: a consistent copy made while the record is in use, tried before it is trusted, and old ones pruned after."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from pinset.journal.codes import new_id
from pinset.journal.entry import Fault
from pinset.journal.farms import farms
from pinset.journal.keep import chain_faults
from pinset.journal.sqlite import FILE_NAME, SqliteStore, connect
from pinset.journal.store import Store, has_record

PRUNING: Final = (
    "kept are the newest three, and the newest of each of the last 14 days, of each of the last 8 weeks and "
    "of each of the last 24 months"
)
FOLDER: Final = "backups"  # beside the record, where no other is named
_NAME: Final = "record-%Y%m%dT%H%M%SZ.db"


class NotOneFile(ValueError):
    """A record in PostgreSQL is no file: back it up with pg_dump, or carry it to a folder with pinset carry."""


class BackupNotSound(RuntimeError):
    """The copy does not hold what it should, and was not taken for a backup."""


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup on disk."""

    path: Path
    made_at: datetime
    entries: int
    pruned: tuple[Path, ...] = ()


def back_up(store: Store, folder: Path, now: datetime | None = None) -> Backup:
    """Copy the record into a folder: consistent, checked, on disk, and only then old copies pruned.

    Raises BackupNotSound where the copy fails its check; what was there before then stays as it was.
    """
    if not isinstance(store, SqliteStore):
        raise NotOneFile(NotOneFile.__doc__)
    moment = now or datetime.now(UTC)
    folder.mkdir(parents=True, exist_ok=True)
    part = folder / f".{moment.strftime(_NAME)}.part"
    try:
        _copy(store, part)
        entries = _tried(part)
        path = folder / moment.strftime(_NAME)
        part.replace(path)
        _sync_folder(folder)
    finally:
        part.unlink(missing_ok=True)
    return Backup(path, moment, entries, tuple(_prune(folder, moment)))


def _copy(store: SqliteStore, target: Path) -> None:
    target.unlink(missing_ok=True)
    source = connect(store.path)
    copy = sqlite3.connect(target)
    with contextlib.closing(source), contextlib.closing(copy):
        source.backup(copy, pages=1000)
        copy.execute("PRAGMA journal_mode = DELETE")
    with target.open("rb+") as written:
        os.fsync(written.fileno())


def _tried(path: Path) -> int:
    """How many entries a copy holds; raises where it is not sound."""
    faults = faults_of(path)
    if faults:
        raise BackupNotSound(f"{BackupNotSound.__doc__} {faults[0]}")
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT count(*) FROM entry").fetchone()[0])


def faults_of(path: Path) -> list[Fault]:
    """What is wrong with a backup: its file, or the chain of any farm in it."""
    try:
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
            found = [row[0] for row in connection.execute("PRAGMA integrity_check").fetchall()]
            faults = [Fault(path.name, "a sound file", words) for words in found if words != "ok"]
            return faults + [fault for farm in farms(connection) for fault in chain_faults(connection, farm)]
    except sqlite3.DatabaseError as fault:
        return [Fault(path.name, "a sound file", str(fault))]


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # Windows does not open folders; its rename is in the file system's own log
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def backups(folder: Path) -> list[tuple[datetime, Path]]:
    """The backups in a folder, oldest first, by the time in their name."""
    found = []
    for path in folder.glob("record-*.db"):
        with contextlib.suppress(ValueError):
            found.append((datetime.strptime(path.name, _NAME).replace(tzinfo=UTC), path))
    return sorted(found)


def _prune(folder: Path, now: datetime) -> list[Path]:
    there = backups(folder)
    keep = {path for _, path in there[-3:]}
    periods: Sequence[tuple[Callable[[datetime], object], timedelta]] = (
        (lambda moment: moment.date(), timedelta(days=14)),
        (lambda moment: moment.isocalendar()[:2], timedelta(weeks=8)),
        (lambda moment: (moment.year, moment.month), timedelta(days=731)),
    )
    for period, reach in periods:
        newest = {period(moment): path for moment, path in there if now - moment <= reach}
        keep |= set(newest.values())
    gone = [path for _, path in there if path not in keep]
    for path in gone:
        path.unlink()
    return gone


def restore(backup: Path, folder: Path) -> int:
    """Put a backup in place as a record of its own in a folder that has none; returns how many entries it holds.

    The restored record gets a new epoch, so that phones notice and offer again what they sent since.
    """
    faults = faults_of(backup)
    if faults:
        raise BackupNotSound(f"{backup} is not sound: {faults[0]}. Try the one before it.")
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / FILE_NAME
    if has_record(folder):
        raise FileExistsError(f"{folder} has a record already; restore into another folder. Nothing was changed")
    part = folder / f".{FILE_NAME}.part"
    shutil.copyfile(backup, part)
    with contextlib.closing(connect(part)) as connection:
        connection.execute("UPDATE farm SET epoch = ?", (new_id(),))
        entries = int(connection.execute("SELECT count(*) FROM entry").fetchone()[0])
    part.replace(target)
    _sync_folder(folder)
    return entries
