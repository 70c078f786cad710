"""The ledger's tables. Each row is one NamedTuple; the SQL to make, fill and read its table derives from it.

Every row names its farm, the entry it came from, and its number within that entry. Moments are Unix seconds (UTC).
"""

from __future__ import annotations

from typing import Any, Literal, NamedTuple, get_args, get_type_hints

from pinset.journal.hints import is_optional, plain_type


class Definition(NamedTuple):
    """A version of a room, strain, ingredient, recipe, person, product or trial; ``body`` is its JSON."""

    farm: str
    entry: str
    n: int
    at: int
    what: str
    name: str
    body: str


class Price(NamedTuple):
    """What something costs from a day on."""

    farm: str
    entry: str
    n: int
    at: int
    name: str
    amount_minor: int
    per: str


class Lot(NamedTuple):
    """Something in stock: received, drawn (spawn) or packed."""

    farm: str
    entry: str
    n: int
    at: int
    code: str
    what: str
    item: str
    strain: str | None
    carrier: str | None
    passage: int | None
    weight_mg: int | None
    number: int | None
    cost_minor: int | None
    moisture: float | None
    supplier: str | None
    supplier_lot: str | None
    origin: str


class Link(NamedTuple):
    """Something went into something: a lot into a lot, mix or batch, a batch into a sale lot."""

    farm: str
    entry: str
    n: int
    at: int
    parent: str
    child: str
    child_kind: str
    weight_mg: int | None


class MixMade(NamedTuple):
    """A mix."""

    farm: str
    entry: str
    n: int
    at: int
    code: str
    recipe: str | None
    water_mg: int | None
    total_mg: int | None
    moisture: float | None


class Load(NamedTuple):
    """Units or substrate treated together."""

    farm: str
    entry: str
    n: int
    at: int
    code: str
    method: str
    celsius: float | None
    held_min: int | None
    energy_kwh: float | None


class Batch(NamedTuple):
    """Units made from one mix on one day. ``arm`` is the whole batch's; mixed batches have it per unit."""

    farm: str
    entry: str
    n: int
    at: int
    code: str
    units: int
    fill_mg: int | None
    strain: str | None
    recipe: str | None
    mix: str | None
    moisture: float | None
    load: str | None
    room: str | None
    trial: str | None
    arm: str | None
    container: str | None


class Unit(NamedTuple):
    """One bag, block, column, bucket or bottle."""

    farm: str
    entry: str
    n: int
    code: str
    batch: str
    arm: str | None


class Stay(NamedTuple):
    """From this moment on a unit or a batch stood in a room."""

    farm: str
    entry: str
    n: int
    at: int
    level: str
    subject: str
    room: str
    shelf: str | None


class Seen(NamedTuple):
    """A look at a unit, a batch or a room."""

    farm: str
    entry: str
    n: int
    at: int
    level: str
    subject: str
    run: float | None
    looked_at: int | None
    pinning: int | None


class SignSeen(NamedTuple):
    """A sign that something is off."""

    farm: str
    entry: str
    n: int
    at: int
    level: str
    subject: str
    sign: str
    affected: int | None


class Picked(NamedTuple):
    """A weight picked. An entry that names several units together is shared evenly, and says so in ``shared``."""

    farm: str
    entry: str
    n: int
    at: int
    level: str
    subject: str
    weight_mg: int
    flush: int | None
    grade: str | None
    shared: int


class Culled(NamedTuple):
    """Units thrown out."""

    farm: str
    entry: str
    n: int
    at: int
    level: str
    subject: str
    reason: str
    number: int | None


class Labour(NamedTuple):
    """Time worked, from a work entry or from the minutes that another entry names."""

    farm: str
    entry: str
    n: int
    at: int
    task: str
    minutes: int
    person: str | None
    level: str
    subject: str | None


class Delivery(NamedTuple):
    """A delivery or sale."""

    farm: str
    entry: str
    n: int
    at: int
    buyer: str
    weight_mg: int
    lot: str | None
    product: str | None
    amount_minor: int | None


class Cleaned(NamedTuple):
    """A room cleaned."""

    farm: str
    entry: str
    n: int
    at: int
    room: str
    method: str | None


class Counted(NamedTuple):
    """Stock counted."""

    farm: str
    entry: str
    n: int
    at: int
    lot: str
    weight_mg: int | None
    number: int | None


class Remark(NamedTuple):
    """Words noted, by themselves or beside another entry."""

    farm: str
    entry: str
    n: int
    at: int
    kind: str
    about: str | None
    text: str


class Claim(NamedTuple):
    """An entry in force that gives a code to something; the earliest noted holds the code."""

    farm: str
    entry: str
    n: int
    code: str
    noted_at: int


Row = (
    Definition | Price | Lot | Link | MixMade | Load | Batch | Unit | Stay | Seen | SignSeen | Picked | Culled | Labour
    | Delivery | Cleaned | Counted | Remark | Claim
)  # fmt: skip
TABLES: tuple[type[Row], ...] = get_args(Row)

# What each table is looked up by, besides its entry.
_LOOKUPS: dict[type[Row], tuple[str, ...]] = {
    Lot: ("code",), Link: ("parent", "child"), MixMade: ("code",), Load: ("code",), Batch: ("code", "at"),
    Unit: ("code", "batch"), Stay: ("subject",), Seen: ("subject",), SignSeen: ("subject",), Picked: ("subject",),
    Culled: ("subject",), Claim: ("code",), Definition: ("what",), Price: ("name",),
}  # fmt: skip
_MANY = 1_000_000
Dialect = Literal["sqlite", "postgresql"]
# Text is sorted by bytes in both databases, so that both tell the same order.
_SQL_TYPES: dict[Dialect, dict[type, str]] = {
    "sqlite": {str: "TEXT", int: "INTEGER", float: "REAL"},
    "postgresql": {str: 'TEXT COLLATE "C"', int: "BIGINT", float: "DOUBLE PRECISION"},
}
_KEPT_AS: dict[Dialect, str] = {"sqlite": " WITHOUT ROWID, STRICT", "postgresql": ""}


def table_name(table: type[tuple[Any, ...]]) -> str:
    """The table's name in the database.

    >>> table_name(SignSeen), table_name(Lot)
    ('sign_seen', 'lot')
    """
    name = "".join(f"_{sign.lower()}" if sign.isupper() else sign for sign in table.__name__)
    return name.removeprefix("_")


def create_sql(table: type[Row], dialect: Dialect) -> list[str]:
    """The statements that make a table and its indexes."""
    name = table_name(table)
    columns = [f'"{field}" {_sql_type(hint, dialect)}' for field, hint in get_type_hints(table).items()]
    made = f"CREATE TABLE {name} ({', '.join(columns)}, PRIMARY KEY (farm, entry, n)){_KEPT_AS[dialect]}"
    looked_up = [
        f'CREATE INDEX {name}_{field} ON {name} (farm, "{field}")' for field in _LOOKUPS.get(table, ())
    ]  # fmt: skip
    return [made, *looked_up]


def statistics(table: type[Row]) -> list[tuple[str, str, str]]:
    """What SQLite has to know of a table's indexes, as its sqlite_stat1 holds it: rows, and rows alike by each column.

    A file is mostly one farm's. SQLite takes the farm for a good way to find a row and walks the whole table by it,
    unless it is told that all rows are of one farm.

    >>> statistics(Price)
    [('price', 'price', '1000000 1000000 2 1'), ('price', 'price_name', '1000000 1000000 10')]
    """
    name = table_name(table)
    looked_up = [(name, f"{name}_{field}", f"{_MANY} {_MANY} 10") for field in _LOOKUPS.get(table, ())]
    return [(name, name, f"{_MANY} {_MANY} 2 1"), *looked_up]


def _sql_type(hint: Any, dialect: Dialect) -> str:
    return _SQL_TYPES[dialect][plain_type(hint)] + ("" if is_optional(hint) else " NOT NULL")


INSERT: dict[type[Row], str] = {
    table: f"INSERT INTO {table_name(table)} VALUES ({', '.join('?' * len(table._fields))})" for table in TABLES
}
