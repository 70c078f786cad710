"""A farm's own settings: its name, money, time zone and decimal mark, fixed when its record is started."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

from pinset.journal.codes import new_id
from pinset.journal.entry import digest, one_line
from pinset.journal.store import Connection

# Currencies without minor units or with three digits of them (ISO 4217); all others have two.
_DIGITS = dict.fromkeys(("JPY", "KRW", "VND", "CLP", "ISK", "UGX", "PYG", "XAF", "XOF"), 0) | dict.fromkeys(
    ("BHD", "KWD", "OMR", "TND", "JOD"), 3
)


class NoSuchFarm(LookupError):
    """The record holds no farm of that name."""


@dataclass(frozen=True, slots=True)
class FarmSettings:
    """What every entry of a farm is read with."""

    id: str
    name: str
    currency: str
    minor_digits: int
    zone: str
    decimal_mark: Literal[".", ","]
    made_at: str
    epoch: str

    @property
    def genesis(self) -> str:
        """The hash that the chain of entries begins with; the epoch, new after each restore, is no part of it."""
        lasting = {name: value for name, value in asdict(self).items() if name != "epoch"}
        return digest(one_line(lasting))


def settings(name: str, currency: str, zone: str, decimal_mark: Literal[".", ","], now: str) -> FarmSettings:
    """Settings for a farm that is new.

    >>> settings("Hill farm", "EUR", "Europe/Vienna", ",", "2026-03-02T08:00:00Z").minor_digits
    2
    """
    digits = _DIGITS.get(currency.upper(), 2)
    return FarmSettings(new_id(), name, currency.upper(), digits, zone, decimal_mark, now, new_id())


def add_farm(connection: Connection, farm: FarmSettings) -> None:
    """Write a new farm into the record."""
    values = (*asdict(farm).values(), 0, farm.genesis)
    connection.execute("INSERT INTO farm VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", values)


def farms(connection: Connection) -> list[FarmSettings]:
    """Every farm of the record, by name."""
    columns = "id, name, currency, minor_digits, zone, decimal_mark, made_at, epoch"
    rows = connection.execute(f"SELECT {columns} FROM farm ORDER BY name, id").fetchall()
    return [FarmSettings(*row) for row in rows]


def find_farm(connection: Connection, name: str | None = None) -> FarmSettings:
    """The farm of that name or id; without one, the only farm there is."""
    known = farms(connection)
    found = [farm for farm in known if name is None or name in (farm.name, farm.id)]
    if len(found) == 1:
        return found[0]
    names = ", ".join(farm.name for farm in known) or "none"
    raise NoSuchFarm(f"needed the name of one farm; came {name!r}. On record: {names}.")
