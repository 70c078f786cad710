"""The door to a record's store: a SQLite file in a folder, or a PostgreSQL database that a folder points to.

The store speaks plain SQL through the DB-API: importing SQLAlchemy alone takes longer than the 0.3 s in which a
noting command must have started. Alembic, which needs it, is loaded only when a record is made or brought up to date.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, Protocol, Self

from pinset.journal.sqlite import FILE_NAME, SqliteStore

POINTER: Final = "record.toml"
JOURNAL_VERSION: Final = "0002"  # the newest revision in migrations/versions


class NoRecordHere(FileNotFoundError):
    """There is no farm's record in this folder."""


class RecordTooNew(RuntimeError):
    """The record was made by a newer pinset; bring pinset up to date."""


class RecordTooOld(RuntimeError):
    """The record was made by an older pinset and has to be brought up to date first: pinset upgrade."""


class NeedsPostgres(ImportError):
    """A record in PostgreSQL needs pinset's extra: pip install 'pinset[postgres]'."""


class Connection(Protocol):
    """What the journal and the ledger need of a database connection."""

    def execute(self, sql: str, parameters: Sequence[Any] = (), /) -> Any:
        """Run one statement with ``?`` marks."""

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> Any:
        """Run one statement for many rows."""


class Store(Protocol):
    """Where a record is kept. Every write goes through `transaction`; readers never wait for it."""

    def of(self, farm: str) -> Self:
        """The store as a farm sees it, to be used from then on in its place."""

    def transaction(self) -> AbstractContextManager[Connection]:
        """A write transaction, one at a time for a farm: all of it is on disk when the block ends, or none of it."""

    def read(self) -> AbstractContextManager[Connection]:
        """A reading connection of this thread, with one unchanging view for the whole block."""

    def listing(self) -> AbstractContextManager[Connection]:
        """A reading connection that sees the list of farms."""

    def owner(self) -> AbstractContextManager[Connection]:
        """A transaction that may change tables."""

    def close(self) -> None:
        """Close the connections."""

    def abandon(self) -> None:
        """Close a store in which a farm was not started after all, and leave no trace of it."""

    @property
    def dialect(self) -> Literal["sqlite", "postgresql"]:
        """Which SQL its tables are made with."""

    @property
    def place(self) -> str:
        """Where the record is, in words."""

    @property
    def version(self) -> str:
        """The database and its version, with its known fault where it has one."""

    def size(self) -> int:
        """Bytes on disk."""

    def damage(self) -> list[str]:
        """What the database itself finds wrong with its files."""


class Home(NamedTuple):
    """Where a record lives: its folder or its address, and the farm's id where the folder points to one."""

    where: Path | str
    farm: str | None = None


def home(where: Path | str) -> Home:
    """Where a folder's record lives: in it, or where it points to. An address is its own home."""
    if is_url(where) or not (Path(where) / POINTER).is_file():
        return Home(where if is_url(where) else Path(where))
    told = tomllib.loads((Path(where) / POINTER).read_text(encoding="utf-8"))
    return Home(told["store"], told["farm"])


def point(folder: Path, url: str, farm: str) -> None:
    """Write into a folder that a farm's record lives at an address. The file may hold a password: only we read it."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / POINTER
    path.touch(mode=0o600)
    path.write_text(f"store = {json.dumps(url)}\nfarm = {json.dumps(farm)}\n", encoding="utf-8")


def is_url(where: Path | str) -> bool:
    """Whether this is the address of a PostgreSQL database.

    >>> is_url("postgresql://localhost/farms"), is_url(Path("hill-farm"))
    (True, False)
    """
    return str(where).startswith(("postgresql://", "postgres://"))


def has_record(folder: Path) -> bool:
    """Whether a folder holds a record, or points to one."""
    return (folder / FILE_NAME).is_file() or (folder / POINTER).is_file()


def create(where: Path | str) -> Store:
    """An empty record in a folder that has none, or a database that may hold farms already."""
    if is_url(where):
        store = _postgres(str(where))  # first, to be told in plain words where it cannot be reached
        migrate(where)
        return store
    folder = Path(where)
    folder.mkdir(parents=True, exist_ok=True)
    migrate(folder)
    return SqliteStore(folder / FILE_NAME)


def open_store(where: Path | str) -> Store:
    """The store of the record in a folder, or at an address."""
    store = _opened(home(where).where)
    with store.listing() as connection:
        found = schema_version(connection)
    if found != JOURNAL_VERSION:
        store.close()
        fault = RecordTooNew if found > JOURNAL_VERSION else RecordTooOld
        raise fault(f"{fault.__doc__} It has version {found}; this pinset reads {JOURNAL_VERSION}.")
    return store


def _opened(where: Path | str) -> Store:
    if is_url(where):
        from pinset.journal.postgres import has_journal

        store = _postgres(str(where))
        if not has_journal(str(where)):
            store.close()
            raise NoRecordHere(f"needed a farm's record in {store.place}; found none.")
        return store
    path = Path(where) / FILE_NAME
    if not path.is_file():
        raise NoRecordHere(f"needed a farm's record in {where}; found none. Make one with: pinset start {where}")
    return SqliteStore(path)


def _postgres(url: str) -> Store:
    try:
        from pinset.journal.postgres import PostgresStore
    except ImportError as fault:
        raise NeedsPostgres(NeedsPostgres.__doc__) from fault
    return PostgresStore(url)


def schema_version(connection: Connection) -> str:
    """The journal's schema version as Alembic wrote it."""
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(row[0])


def migrate(where: Path | str, target: str = "head") -> None:
    """Bring a record's journal to a schema version, each step in a transaction of its own."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    config.attributes["where"] = where
    command.upgrade(config, target)
    if is_url(where):
        store = _postgres(str(where))
        with store.owner():  # puts what the migrations made under row-level security
            pass
        store.close()
