"""The journal on disk: one SQLite file, one writer, and 'kept' said only after the disk has it.

The store speaks plain SQL through the DB-API: importing SQLAlchemy alone takes longer than the 0.3 s in which a
noting command must have started. Alembic, which needs it, is loaded only when a record is made or brought up to date.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Protocol

FILE_NAME: Final = "record.db"
JOURNAL_VERSION: Final = "0001"  # the newest revision in migrations/versions
WAL_RESET_FIXED: Final = (
    3,
    51,
    3,
)  # older SQLite can, very rarely, damage a file that two writers checkpoint at once


class NoRecordHere(FileNotFoundError):
    """There is no farm's record in this folder."""


class RecordTooNew(RuntimeError):
    """The record was made by a newer pinset; bring pinset up to date."""


class RecordTooOld(RuntimeError):
    """The record was made by an older pinset and has to be brought up to date first."""


class Connection(Protocol):
    """What the journal and the ledger need of a database connection."""

    def execute(self, sql: str, parameters: Sequence[Any] = (), /) -> Any:
        """Run one statement with ``?`` marks."""

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> Any:
        """Run one statement for many rows."""


class Store:
    """One SQLite file. Every write goes through `transaction`, one at a time; readers never wait for it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._writing = threading.RLock()
        self._writer = connect(path)
        self._local = threading.local()

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """A write transaction: all of it is on disk when the block ends, or none of it."""
        with self._writing:
            self._writer.execute("BEGIN IMMEDIATE")
            try:
                yield self._writer
                self._writer.execute("COMMIT")
            except BaseException:
                # a full disk or an I/O error has already rolled back by itself
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                raise

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A reading connection of this thread, with one unchanging view of the record for the whole block."""
        connection = self._reader()
        nested = connection.in_transaction
        if not nested:
            connection.execute("BEGIN")
        try:
            yield connection
        finally:
            if not nested:
                connection.execute("COMMIT")

    def _reader(self) -> sqlite3.Connection:
        if not hasattr(self._local, "reader"):
            self._local.reader = connect(self.path)
            self._local.reader.execute("PRAGMA query_only = ON")
        reader: sqlite3.Connection = self._local.reader
        return reader

    def close(self) -> None:
        """Close this thread's connections."""
        if hasattr(self._local, "reader"):
            self._local.reader.close()
            del self._local.reader
        self._writer.close()


def connect(path: Path) -> sqlite3.Connection:
    """A connection with the settings under which a commit survives a power cut."""
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10)
    # one execute: each pragma is a round trip through the parser, and starting must be quick
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", "mmap_size = 0"):
        connection.execute(f"PRAGMA {pragma}")
    return connection


def create(folder: Path) -> Store:
    """A new, empty record in a folder, which is made where it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / FILE_NAME
    if path.exists():
        raise FileExistsError(f"{path} is already a record; nothing was changed")
    migrate(path)
    return Store(path)


def open_store(folder: Path) -> Store:
    """The record in a folder."""
    path = folder / FILE_NAME
    if not path.is_file():
        raise NoRecordHere(f"needed a farm's record in {folder}; found none. Make one with: pinset start {folder}")
    store = Store(path)
    with store.read() as connection:
        found = schema_version(connection)
    if found != JOURNAL_VERSION:
        store.close()
        fault = RecordTooNew if found > JOURNAL_VERSION else RecordTooOld
        raise fault(f"{fault.__doc__} It has version {found}; this pinset reads {JOURNAL_VERSION}.")
    return store


def schema_version(connection: Connection) -> str:
    """The journal's schema version as Alembic wrote it."""
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(row[0])


def migrate(path: Path, target: str = "head") -> None:
    """Bring a record's journal to a schema version, each step in a transaction of its own."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    config.attributes["path"] = path
    command.upgrade(config, target)


def sqlite_faults() -> str | None:
    """A known fault of the SQLite in use, in words, or None."""
    if sqlite3.sqlite_version_info >= WAL_RESET_FIXED:
        return None
    return (
        f"SQLite {sqlite3.sqlite_version} can, very rarely, damage a file when two programs finish writing at the same "
        "instant (fixed in 3.51.3); pinset writes through one connection only"
    )
