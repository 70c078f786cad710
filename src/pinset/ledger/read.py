"""Reading the ledger: one farm's rows, in one unchanging view."""

from __future__ import annotations

from collections.abc import Iterable
from operator import itemgetter
from typing import TypeVar

from pinset.journal.farms import FarmSettings
from pinset.journal.keep import select_in
from pinset.journal.store import Connection
from pinset.ledger.tables import Row, table_name

_by_key = itemgetter(1, 2)  # entry and number
R = TypeVar("R", bound=Row)


class Reader:
    """One farm's ledger while a question is answered."""

    def __init__(self, connection: Connection, farm: FarmSettings) -> None:
        self._connection = connection
        self.farm = farm

    def rows(self, table: type[R], **equals: str | int | None) -> list[R]:
        """Every row of a table whose columns equal what is given, in the order noted."""
        where = "".join(f' AND "{column}" = ?' for column in equals)
        return self._select(table, where, list(equals.values()))

    def of(self, table: type[R], column: str, values: Iterable[str]) -> list[R]:
        """The rows of a table whose column holds one of the values."""
        sql = f'SELECT * FROM {table_name(table)} WHERE farm = ? AND "{column}" IN'
        return [table(*row) for row in select_in(self._connection, sql, self.farm.id, sorted(set(values)))]

    def _select(self, table: type[R], where: str, values: list[str | int | None]) -> list[R]:
        # sorted here: asked to sort, SQLite walks the whole table by its key rather than the index of the column
        sql = f"SELECT * FROM {table_name(table)} WHERE farm = ?{where}"
        found = self._connection.execute(sql, (self.farm.id, *values)).fetchall()
        return [table(*row) for row in sorted(found, key=_by_key)]

    def count(self, table: type[Row]) -> int:
        """How many rows a table has."""
        sql = f"SELECT count(*) FROM {table_name(table)} WHERE farm = ?"
        return int(self._connection.execute(sql, (self.farm.id,)).fetchone()[0])
