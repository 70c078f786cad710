"""Rows set aside, kept in the farm's own record until the grower has settled each of them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal

from pinset.intake.problem import Problem
from pinset.intake.take import Aside
from pinset.journal.store import Connection

State = Literal["open", "accepted", "corrected", "dropped"]
_COLUMNS: Final = 'id, file, sheet, "row", column_name, sort, needed, came, mend, offered, state, set_at, entry'

_IN_ORDER: Final = f"SELECT {_COLUMNS} FROM aside WHERE farm = ? ORDER BY set_at, id"


class NoSuchAside(LookupError):
    """No row is set aside under that number."""


@dataclass(frozen=True, slots=True)
class Shelved:
    """A row on the shelf. ``number`` is what the grower calls it by; it never changes."""

    number: int
    id: str
    problem: Problem
    offered: Mapping[str, Any]
    state: State
    set_at: str
    entry: str | None


def states(connection: Connection, farm: str) -> dict[str, str]:
    """The state of every row ever set aside, by its id."""
    return dict(connection.execute("SELECT id, state FROM aside WHERE farm = ?", (farm,)).fetchall())


def put(connection: Connection, farm: str, asides: Iterable[Aside], now: datetime | None = None) -> int:
    """Set rows aside; one that lies there already keeps its number and is told anew. Returns how many are new."""
    known = states(connection, farm)
    # a microsecond apart: the order in which rows were set aside is what they are numbered by
    moment = now or datetime.now(UTC)
    new = 0
    for aside in asides:
        problem = aside.problem
        told = (problem.file, problem.sheet, problem.row, problem.column, problem.sort, problem.needed, problem.came,
                problem.mend, json.dumps(aside.offered, ensure_ascii=False))  # fmt: skip
        if aside.id in known:
            connection.execute(
                'UPDATE aside SET file = ?, sheet = ?, "row" = ?, column_name = ?, sort = ?, needed = ?, came = ?,'
                " mend = ?, offered = ? WHERE farm = ? AND id = ? AND state = 'open'",
                (*told, farm, aside.id),
            )
            continue
        set_at = (moment + timedelta(microseconds=new)).astimezone(UTC).isoformat(timespec="microseconds")
        connection.execute(
            f"INSERT INTO aside (farm, {_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (farm, aside.id, *told, "open", set_at, None),
        )
        known[aside.id] = "open"
        new += 1
    return new


def shelved(connection: Connection, farm: str) -> list[Shelved]:
    """Every row ever set aside, in the order it was, with its number."""
    rows = connection.execute(_IN_ORDER, (farm,)).fetchall()
    return [_shelved(number, row) for number, row in enumerate(rows, 1)]


def _shelved(number: int, row: Sequence[Any]) -> Shelved:
    return Shelved(number, row[0], Problem(*row[1:9]), json.loads(row[9]), *row[10:])


def find(connection: Connection, farm: str, number: int) -> Shelved:
    """The row with a number; raises NoSuchAside."""
    known = connection.execute("SELECT count(*) FROM aside WHERE farm = ?", (farm,)).fetchone()[0]
    if not 1 <= number <= known:
        raise NoSuchAside(f"needed the number of a row set aside, 1 to {known}; came {number}")
    return _shelved(number, connection.execute(f"{_IN_ORDER} LIMIT 1 OFFSET ?", (farm, number - 1)).fetchone())


def settle(connection: Connection, farm: str, aside: str, state: State, entry: str | None = None) -> None:
    """Note what became of a row: the entry it was kept as, or that it was dropped."""
    connection.execute("UPDATE aside SET state = ?, entry = ? WHERE farm = ? AND id = ?", (state, entry, farm, aside))


def reword(connection: Connection, farm: str, aside: str, problem: Problem, offered: Mapping[str, Any]) -> None:
    """A corrected row that is still doubted: told and offered anew."""
    connection.execute(
        "UPDATE aside SET column_name = ?, sort = ?, needed = ?, came = ?, mend = ?, offered = ?"
        " WHERE farm = ? AND id = ?",
        (problem.column, problem.sort, problem.needed, problem.came, problem.mend,
         json.dumps(offered, ensure_ascii=False), farm, aside),
    )  # fmt: skip
