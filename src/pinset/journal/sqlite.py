"""The journal in one SQLite file: one writer, and a commit that survives a power cut."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Literal, Self

FILE_NAME: Final = "record.db"
WAL_RESET_FIXED: Final = (3, 51, 3)  # older SQLite can, very rarely, damage a file that two writers checkpoint at once


class SqliteStore:
    """One SQLite file. Every write goes through `transaction`, one at a time; readers never wait for it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._writing = threading.RLock()
        self._writer = connect(path)
        self._local = threading.local()

    def of(self, farm: str) -> Self:
        """This store; a file's reader can read all of the file, so that nothing is held back by farm."""
        return self

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
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

    owner = transaction

    @contextmanager
    def read(self) -> Iterator[sqlite3.Connection]:
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

    listing = read

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

    def abandon(self) -> None:
        """Close a store in which a farm was not started after all, and take its file away."""
        self.close()
        self.path.unlink()

    @property
    def dialect(self) -> Literal["sqlite"]:
        """Which SQL its tables are made with."""
        return "sqlite"

    @property
    def place(self) -> str:
        """Where the record is."""
        return str(self.path)

    @property
    def version(self) -> str:
        """The database and its version, with its known fault where it has one."""
        fault = sqlite_faults()
        return f"SQLite {sqlite3.sqlite_version}" + (f": {fault}" if fault else "")

    def size(self) -> int:
        """Bytes on disk."""
        return self.path.stat().st_size

    def damage(self) -> list[str]:
        """What the database itself finds wrong with its file."""
        with self.read() as connection:
            found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check").fetchall()]
        return [words for words in found if words != "ok"]


def connect(path: Path) -> sqlite3.Connection:
    """A connection with the settings under which a commit survives a power cut."""
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10)
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", "mmap_size = 0"):
        connection.execute(f"PRAGMA {pragma}")
    return connection


def sqlite_faults() -> str | None:
    """A known fault of the SQLite in use, in words, or None."""
    if sqlite3.sqlite_version_info >= WAL_RESET_FIXED:
        return None
    return (
        "it can, very rarely, damage a file when two programs finish writing at the same instant (fixed in 3.51.3); "
        "pinset writes through one connection only"
    )
