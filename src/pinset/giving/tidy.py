"""The ledger as tables for people: kilograms, money and the farm's own time in place of what is stored."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any, Final, NamedTuple, get_type_hints
from zoneinfo import ZoneInfo

from pinset.giving.schema import Field, Reference, Table, Type
from pinset.journal.farms import FarmSettings
from pinset.journal.hints import is_optional, plain_type
from pinset.journal.store import Connection
from pinset.ledger.tables import TABLES, Claim, Row, table_name

GIVEN: Final = tuple(table for table in TABLES if table is not Claim)  # who holds a code is told by the other tables
MILLIGRAMS: Final = 1_000_000  # in a kilogram
_FRACTION: Final = "fraction from 0 to 1"
_YES_NO: Final = ("pinning", "shared")
_UNITS: Final = {
    "moisture": _FRACTION, "run": _FRACTION, "celsius": "degrees Celsius", "energy_kwh": "kWh",
    "held_min": "minutes", "minutes": "minutes",
}  # fmt: skip
_TYPES: Final[dict[type, Type]] = {str: "string", int: "integer", float: "number"}

ABOUT: Final = {
    "entry": "The id of the entry that says so.",
    "n": "The number of the row among those of its entry and table.",
    "at": "When it happened, in the farm's time.",
    "what": "What sort of thing it is.",
    "name": "What it is called.",
    "body": "All that the entry says of it, as stored: milligrams, minor units of money, fractions.",
    "amount": "The money for it.",
    "per": "What the price is for.",
    "code": "The code that it goes by.",
    "item": "What was received, drawn or packed.",
    "strain": "The strain.",
    "carrier": "What the spawn grows on.",
    "passage": "Transfers since the mother culture.",
    "weight_kg": "The weight.",
    "number": "How many.",
    "cost": "What the whole lot cost.",
    "moisture": "Water as a share of the weight.",
    "supplier": "Whom it came from.",
    "supplier_lot": "The supplier's own code for it.",
    "origin": "Whether it was received, drawn or packed.",
    "parent": "The code of what went in.",
    "child": "The code of what it went into.",
    "child_kind": "Whether that is a lot, a mix, a batch or a sale lot.",
    "recipe": "The recipe.",
    "water_kg": "The water put in.",
    "total_kg": "The weight of all of it, wet.",
    "method": "How it was done.",
    "celsius": "The temperature it was held at.",
    "held_min": "How long it was held there.",
    "energy_kwh": "The energy that it took.",
    "units": "How many units were made.",
    "fill_kg": "Wet substrate in each unit, spawn not counted.",
    "mix": "The code of the mix.",
    "load": "The code of the load.",
    "room": "The room.",
    "trial": "The trial that it belongs to.",
    "arm": "The way of doing it in the trial.",
    "container": "What the units are: bags, blocks, buckets.",
    "batch": "The code of the batch.",
    "level": "Whether the subject is a unit, a batch, a lot, a room or the farm.",
    "subject": "The code or name of what it is about.",
    "shelf": "The shelf.",
    "run": "How much of the substrate is colonised.",
    "looked_at": "How many units were looked at.",
    "pinning": "Whether pins were seen.",
    "sign": "The sign that something is off.",
    "affected": "How many units had it.",
    "flush": "Which flush, from 1.",
    "grade": "The grade.",
    "shared": "Whether several units were weighed together, and the weight shared evenly among them.",
    "reason": "Why they were thrown out.",
    "task": "What was done.",
    "minutes": "How long it took.",
    "person": "Who did it.",
    "buyer": "To whom it went.",
    "lot": "The code of the lot.",
    "product": "The product.",
    "kind": "The kind of entry that the words stand in.",
    "about": "What the words are about.",
    "text": "The words.",
}
"""What each column says, by its name."""


class Tidy(NamedTuple):
    """A table of the ledger as it is given, and what makes its values of the stored ones, column by column."""

    table: Table
    stored: tuple[str, ...]
    makes: tuple[Callable[[Any], Any] | None, ...]

    def values(self, row: tuple[Any, ...]) -> list[Any]:
        """A stored row as it is given."""
        return [
            value if make is None or value is None else make(value) for make, value in zip(self.makes, row, strict=True)
        ]


def tidy(table: type[Row], farm: FarmSettings) -> Tidy:
    """How a table of the ledger is given: the farm left out, where it came from last.

    >>> from pinset.ledger.tables import Picked
    >>> from pinset.journal.farms import settings
    >>> told = tidy(Picked, settings("A farm", "EUR", "UTC", ".", ""))
    >>> told.table.columns
    ('at', 'level', 'subject', 'weight_kg', 'flush', 'grade', 'shared', 'entry', 'n')
    >>> told.values((0, "unit", "A-01", 330_000, 1, None, 0, "id", 0))[2:7]
    ['A-01', 0.33, 1, None, False]
    """
    hints = get_type_hints(table)
    names = (*(name for name in hints if name not in ("farm", "entry", "n")), "entry", "n")
    made = [_field(name, hints[name], farm) for name in names]
    references = [Reference("entry", "entry", "id")]
    if "batch" in names:
        references.append(Reference("batch", "batch", "code"))
    about = (table.__doc__ or "").replace("``", "")
    described = Table(table_name(table), about, tuple(field for field, _ in made), ("entry", "n"), tuple(references))
    return Tidy(described, names, tuple(make for _, make in made))


def _field(name: str, hint: Any, farm: FarmSettings) -> tuple[Field, Callable[[Any], Any] | None]:
    nullable = is_optional(hint)
    if name == "at":
        zone = ZoneInfo(farm.zone)
        return _told("at", "datetime", nullable), lambda moment: datetime.fromtimestamp(moment, zone)
    if name.endswith("_mg"):
        return _told(name.replace("_mg", "_kg"), "number", nullable, "kg"), lambda weight: weight / MILLIGRAMS
    if name.endswith("_minor"):
        whole = 10**farm.minor_digits
        return _told(name.removesuffix("_minor"), "number", nullable, farm.currency), lambda amount: amount / whole
    if name in _YES_NO:
        return _told(name, "boolean", nullable), bool
    return _told(name, _TYPES[plain_type(hint)], nullable, _UNITS.get(name, "")), None


def _told(name: str, sort: Type, nullable: bool, unit: str = "") -> Field:
    return Field(name, sort, ABOUT[name], unit, nullable)


def tidied(connection: Connection, farm: FarmSettings, told: Tidy) -> Iterator[list[Any]]:
    """Every row of a table of the ledger as it is given, in the order noted."""
    columns = ", ".join(f'"{name}"' for name in told.stored)
    sql = f"SELECT {columns} FROM {told.table.name} WHERE farm = ? ORDER BY entry, n"
    for row in connection.execute(sql, (farm.id,)):
        yield told.values(tuple(row))
