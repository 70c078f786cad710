"""The journal in a PostgreSQL database that several farms may share: each sees its own rows and nothing else.

Every table with a farm column is under row-level security, forced, so that it holds for the tables' owner too; and a
login that row-level security does not bind, such as a superuser, takes on the role `pinset_farm` for each transaction.
A transaction sees the rows of the farm it was opened for; one that was opened for none sees none.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import Any, Final, Literal, Self

import psycopg
from psycopg.conninfo import conninfo_to_dict

ROLE: Final = "pinset_farm"
_OWNERS_LOCK: Final = 0x70696E736574  # "pinset": any number that other programs are not likely to lock by
_MINE: Final = "current_setting('pinset.farm', true)"


@cache
def marked(sql: str) -> str:
    """A statement with ``?`` marks, as psycopg wants them. No statement of pinset holds a literal ``?`` or ``%``.

    >>> marked("SELECT body FROM entry WHERE farm = ? AND id = ?")
    'SELECT body FROM entry WHERE farm = %s AND id = %s'
    """
    return sql.replace("?", "%s")


class Marked:
    """A PostgreSQL connection that reads ``?`` marks, as the journal and the ledger write them."""

    def __init__(self, connection: psycopg.Connection[tuple[Any, ...]]) -> None:
        self._connection = connection

    def execute(self, sql: str, parameters: Sequence[Any] = (), /) -> psycopg.Cursor[tuple[Any, ...]]:
        """Run one statement with ``?`` marks."""
        return self._connection.execute(marked(sql).encode(), parameters or None)

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> None:
        """Run one statement for many rows."""
        with self._connection.cursor() as cursor:
            cursor.executemany(marked(sql).encode(), parameters)


class PostgresStore:
    """A PostgreSQL database, seen by one farm or, before it is known which, by none."""

    def __init__(self, url: str, farm: str = "") -> None:
        self.url, self.farm = url, farm
        self._is_unbound: bool | None = None
        self._writing = threading.RLock()
        self._local = threading.local()
        self._connections: list[psycopg.Connection[tuple[Any, ...]]] = []
        self._writer = self._connect()

    def of(self, farm: str) -> Self:
        """The same database as this farm sees it. The store it was asked of is closed."""
        self.close()
        return type(self)(self.url, farm)

    def _connect(self) -> psycopg.Connection[tuple[Any, ...]]:
        connection = psycopg.connect(self.url, autocommit=True, application_name="pinset")
        self._connections.append(connection)
        return connection

    def _live(self, connection: psycopg.Connection[tuple[Any, ...]]) -> psycopg.Connection[tuple[Any, ...]]:
        """The connection, or a new one where the server has let it go."""
        if not connection.closed:
            return connection
        self._connections.remove(connection)
        return self._connect()

    @contextmanager
    def transaction(self) -> Iterator[Marked]:
        """A write transaction of the farm: all of it is on disk when the block ends, or none of it.

        It begins by locking the farm's row, so that the farm has one writer at a time, whatever the number of
        processes: places are committed in their order, and who reads on from a place misses none.
        """
        with self._writing:
            self._writer = self._live(self._writer)
            with self._writer.transaction():
                connection = Marked(self._writer)
                self._stand(connection)
                connection.execute("SELECT 1 FROM farm WHERE id = ? FOR UPDATE", (self.farm,))
                yield connection

    @contextmanager
    def read(self) -> Iterator[Marked]:
        """A reading connection of this thread, with one unchanging view of the farm for the whole block."""
        raw = self._local.reader = self._live(getattr(self._local, "reader", None) or self._connect())
        connection = Marked(raw)
        if raw.info.transaction_status != psycopg.pq.TransactionStatus.IDLE:
            yield connection
            return
        with raw.transaction():
            connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            self._stand(connection)
            yield connection

    @contextmanager
    def listing(self) -> Iterator[Marked]:
        """A reading transaction that sees the list of farms, and no other row.

        Who opens a record by its farm's name has to find it first. That holds the database's password already; what
        it must not do is reach rows by mistake, and the list has to be asked for by this name.
        """
        with self.read() as connection:
            connection.execute("SELECT set_config('pinset.listing', 'on', true)")
            yield connection

    @contextmanager
    def owner(self) -> Iterator[Marked]:
        """A transaction that may change tables; whatever tables it leaves are under row-level security."""
        with self._writing:
            self._writer = self._live(self._writer)
            with self._writer.transaction():
                connection = Marked(self._writer)
                connection.execute("SELECT pg_advisory_xact_lock(?)", (_OWNERS_LOCK,))
                yield connection
                hold(connection)

    def _stand(self, connection: Marked) -> None:
        """Take the farm's place for this transaction."""
        if self._unbound(connection):
            connection.execute(f"SET LOCAL ROLE {ROLE}")
        connection.execute("SELECT set_config('pinset.farm', ?, true)", (self.farm,))

    def _unbound(self, connection: Marked) -> bool:
        if self._is_unbound is None:
            sql = "SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user"
            self._is_unbound = bool(_first(connection, sql))
        return self._is_unbound

    def close(self) -> None:
        """Close every connection."""
        for connection in self._connections:
            connection.close()

    def abandon(self) -> None:
        """Close a store in which a farm was not started after all; its transaction was taken back."""
        self.close()

    @property
    def dialect(self) -> Literal["postgresql"]:
        """Which SQL its tables are made with."""
        return "postgresql"

    @property
    def place(self) -> str:
        """Where the record is, without the password."""
        parts = conninfo_to_dict(self.url)
        return f"PostgreSQL database {parts.get('dbname', '')} at {parts.get('host', 'localhost')}"

    @property
    def version(self) -> str:
        """The database and its version."""
        return f"PostgreSQL {self._writer.info.server_version // 10000}.{self._writer.info.server_version % 10000}"

    def size(self) -> int:
        """Bytes on disk, of all farms together."""
        with self.read() as connection:
            return int(_first(connection, "SELECT pg_database_size(current_database())"))

    def damage(self) -> list[str]:
        """Nothing: PostgreSQL's own page checksums find a damaged page whenever it is read."""
        return []


def _first(connection: Marked, sql: str, *parameters: Any) -> Any:
    row = connection.execute(sql, parameters).fetchone()
    return None if row is None else row[0]


def has_journal(url: str) -> bool:
    """Whether a database holds a journal."""
    with psycopg.connect(url) as connection:
        return _first(Marked(connection), "SELECT to_regclass('alembic_version')") is not None


def hold(connection: Marked) -> None:
    """Put every table of this schema under row-level security by farm, and let the farms' role use it.

    A table without a farm, such as a version, can be read by all and changed by the owner alone.
    """
    role = _role(connection)
    listed = connection.execute(
        "SELECT quote_ident(c.relname), a.attname, c.relforcerowsecurity FROM pg_class c LEFT JOIN pg_attribute a"
        " ON a.attrelid = c.oid AND a.attname = CASE c.relname WHEN 'farm' THEN 'id' ELSE 'farm' END"
        " WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind = 'r'"
    )
    for table, column, held in listed.fetchall():
        if column and not held:
            _hold_table(connection, table, column)
        if role:
            rights = "SELECT, INSERT, UPDATE, DELETE" if column else "SELECT"
            connection.execute(f"GRANT {rights} ON {table} TO {ROLE}")
    if role:
        connection.execute(f"GRANT USAGE ON ALL SEQUENCES IN SCHEMA {_schema(connection)} TO {ROLE}")


def _hold_table(connection: Marked, table: str, column: str) -> None:
    connection.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    connection.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    connection.execute(f"CREATE POLICY own_farm ON {table} USING ({column} = {_MINE})")
    if table == "farm":
        asked = "current_setting('pinset.listing', true) = 'on'"
        connection.execute(f"CREATE POLICY list_of_farms ON {table} FOR SELECT USING ({asked})")


def _role(connection: Marked) -> bool:
    """Whether there is need of the farms' role, which is then made: a login that is no superuser is bound itself."""
    if not _first(connection, "SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user"):
        return False
    if not _first(connection, "SELECT count(*) FROM pg_roles WHERE rolname = ?", ROLE):
        connection.execute(f"CREATE ROLE {ROLE} NOLOGIN NOSUPERUSER NOBYPASSRLS")
    connection.execute(f"GRANT USAGE ON SCHEMA {_schema(connection)} TO {ROLE}")
    return True


def _schema(connection: Marked) -> str:
    return str(_first(connection, "SELECT quote_ident(current_schema())"))
