"""The record as pages need it: a list leaf by leaf, what was noted about a thing, how an entry was corrected."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeVar

from pinset.farm import Farm
from pinset.journal.entry import seconds
from pinset.journal.keep import Kept, find, kept
from pinset.journal.store import Connection
from pinset.ledger import force
from pinset.ledger.read import Reader
from pinset.ledger.tables import Batch, Culled, Labour, Link, Lot, Picked, Remark, Row, Seen, Stay, Unit, table_name

R = TypeVar("R", bound=Row)
LEAF: Final = 50
MOST_CHOICES: Final = 100
# Where something is spoken of, and in which column.
_SPOKEN_OF: Final[tuple[tuple[type[Row], str], ...]] = (
    (Stay, "subject"), (Seen, "subject"), (Picked, "subject"), (Culled, "subject"), (Labour, "subject"),
    (Remark, "about"), (Link, "child"), (Link, "parent"), (Batch, "code"), (Lot, "code"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sheet(Generic[R]):
    """One leaf of a list: its rows, which leaf it is, and how many rows match and are on record."""

    rows: list[R]
    number: int
    matching: int
    everything: int

    @property
    def leaves(self) -> int:
        """How many leaves the matching rows fill."""
        return max(1, -(-self.matching // LEAF))


class Record:
    """One farm's record in one unchanging view."""

    def __init__(self, connection: Connection, farm: Farm) -> None:
        self._connection, self.farm = connection, farm.settings
        self.ledger = Reader(connection, farm.settings)

    @property
    def entries(self) -> int:
        """How many entries are kept."""
        found = self._connection.execute("SELECT entries FROM farm WHERE id = ?", (self.farm.id,)).fetchone()
        return int(found[0])

    def sheet(self, table: type[R], equals: Mapping[str, str], begins: str, order: str, number: int) -> Sheet[R]:
        """A leaf of a table whose columns equal what is given and whose codes begin with some text."""
        where, values = self._where(table, equals, begins)
        name, farm = table_name(table), self.farm.id
        matching = self._connection.execute(f"SELECT count(*) FROM {name} {where}", (farm, *values)).fetchone()[0]
        number = min(max(1, number), max(1, -(-matching // LEAF)))
        found = self._connection.execute(
            f"SELECT * FROM {name} {where} ORDER BY {order} LIMIT ? OFFSET ?",
            (farm, *values, LEAF, (number - 1) * LEAF),
        )
        everything: type[Any] = table
        return Sheet([table(*row) for row in found], number, matching, self.ledger.count(everything))

    def _where(self, table: type[Any], equals: Mapping[str, str], begins: str) -> tuple[str, list[str]]:
        given = {column: text for column, text in equals.items() if text}
        unknown = set(given) - set(table._fields)
        if unknown:
            raise KeyError(f"{table_name(table)} has no column {unknown.pop()!r}")
        where = "WHERE farm = ?" + "".join(f' AND "{column}" = ?' for column in given)
        if not begins:
            return where, [*given.values()]
        # a range, not LIKE: it goes by the index, whatever signs the code holds
        return where + " AND code >= ? AND code < ?", [*given.values(), begins, begins + "\U0010ffff"]

    def choices(self, table: type[Row], column: str) -> list[str]:
        """The values of a column, where they are few enough to choose from."""
        assert column in table._fields, column
        sql = (
            f'SELECT DISTINCT "{column}" FROM {table_name(table)} WHERE farm = ? AND "{column}" IS NOT NULL'
            f' ORDER BY "{column}" LIMIT {MOST_CHOICES + 1}'
        )
        found = [row[0] for row in self._connection.execute(sql, (self.farm.id,))]
        return found if len(found) <= MOST_CHOICES else []

    def near(self, table: type[R], code: str, most: int = 5) -> list[str]:
        """Codes on record that are like one that is not: those that share the longest beginning with it."""
        for length in range(len(code), 0, -1):
            for typed in dict.fromkeys((code, code.upper())):
                where, values = self._where(table, {}, typed[:length])
                sql = f"SELECT code FROM {table_name(table)} {where} ORDER BY code LIMIT {most}"
                if found := self._connection.execute(sql, (self.farm.id, *values)).fetchall():
                    return [row[0] for row in found]
        return []

    def latest(self, most: int) -> list[Kept]:
        """The entries kept last, newest first."""
        return list(kept(self._connection, self.farm.id, after=self.entries - most))[::-1]

    def about(self, codes: Iterable[str]) -> list[Kept]:
        """The entries in force that speak of one of these codes, latest happening first."""
        wanted = list(codes)
        ids = {row.entry for table, column in _SPOKEN_OF for row in self.ledger.of(table, column, wanted)}
        found = (find(self._connection, self.farm.id, entry_id) for entry_id in ids)
        return sorted(
            (one for one in found if one), key=lambda one: (seconds(one.entry.at), one.entry.id), reverse=True
        )

    def corrections(self, entry_ids: Iterable[str]) -> dict[str, str]:
        """Of these entries those that were corrected, each with the id of an entry that corrects it."""
        wanted = list(entry_ids)
        marks = ", ".join("?" * len(wanted))
        sql = f"SELECT replaces, id FROM entry WHERE farm = ? AND replaces IN ({marks}) ORDER BY noted_at, id"
        return dict(self._connection.execute(sql, (self.farm.id, *wanted)).fetchall())

    def family(self, entry_id: str) -> list[Kept]:
        """An entry and all that it corrects or that correct it, earliest noted first."""
        found: dict[str, Kept] = {}
        ask = [entry_id]
        while ask:
            one = find(self._connection, self.farm.id, ask.pop())
            if one is None or one.entry.id in found:
                continue
            found[one.entry.id] = one
            ask += [one.entry.replaces] if one.entry.replaces else []
            sql = "SELECT id FROM entry WHERE farm = ? AND replaces = ?"
            ask += [row[0] for row in self._connection.execute(sql, (self.farm.id, one.entry.id))]
        return sorted(found.values(), key=lambda one: (one.entry.noted_at, one.entry.id))

    def in_force(self, family: Iterable[Kept]) -> str | None:
        """The id of the entry of a family that is in force."""
        noted = (
            force.Noted(one.entry.id, one.entry.replaces, seconds(one.entry.noted_at), None) for one in family
        )  # fmt: skip
        ends = force.ends(noted)
        return ends[0].id if ends else None

    def picked_from_units(self, batches: Iterable[str]) -> Iterator[tuple[str, int, int]]:
        """What the units of batches gave together, moment by moment: (batch, Unix seconds, milligrams)."""
        # added up by the database: a leaf of batches may have ten thousand picks
        sql = (
            "SELECT unit.batch, picked.at, CAST(sum(picked.weight_mg) AS BIGINT) FROM unit JOIN picked"
            " ON picked.farm = unit.farm AND picked.subject = unit.code AND picked.level = 'unit'"
            " WHERE unit.farm = ? AND unit.batch = ? GROUP BY unit.batch, picked.at"
        )
        for batch in batches:
            yield from self._connection.execute(sql, (self.farm.id, batch))

    def units_of(self, batches: Iterable[str]) -> dict[str, list[Unit]]:
        """The units of each batch."""
        by: dict[str, list[Unit]] = {}
        for unit in self.ledger.of(Unit, "batch", batches):
            by.setdefault(unit.batch, []).append(unit)
        return by


@contextmanager
def opened(farm: Farm) -> Iterator[Record]:
    """The record, unchanging while the block lasts."""
    with farm.store.read() as connection:
        yield Record(connection, farm)
