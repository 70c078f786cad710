"""What is on record already, as far as a new row has to be held against it. Fed with ledger rows, old and new alike."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from operator import attrgetter
from typing import Any, Final, NamedTuple

from pinset.journal.farms import FarmSettings
from pinset.journal.store import Connection
from pinset.ledger.read import Reader
from pinset.ledger.tables import (
    Batch,
    Counted,
    Culled,
    Definition,
    Delivery,
    Labour,
    Link,
    Load,
    Lot,
    MixMade,
    Picked,
    Row,
    Seen,
    Unit,
)  # fmt: skip

Key = tuple[Any, ...]
_READ: Final = (Batch, Unit, Lot, Link, Load, MixMade, Picked, Seen, Culled, Delivery, Labour, Counted, Definition)
_PIECES: Final = re.compile(r"\d+|[^\W\d_]+")
_LOOKALIKES: Final = str.maketrans("OIL|SBZ", "0111582")
_MOST_MARKS: Final = 500


class Mark(NamedTuple):
    """What makes a row the same note as another (``key``), and what it says (``value``, by field).

    ``coarse`` keys may well hold several notes: crates of a batch on one day, two deliveries to one buyer.
    """

    key: Key
    value: tuple[tuple[str, Any], ...]
    coarse: bool = False


class _Marking(NamedTuple):
    """How the rows of a table are told apart: a word for them, the columns that make the key; the rest is the value."""

    word: str
    key: tuple[str, ...]
    coarse: Callable[[Any], bool] = lambda row: False
    beside: tuple[str, ...] = ()
    """Columns that are neither: they depend on how the entry was written."""


_ENVELOPE: Final = ("farm", "entry", "n")
_MARKINGS: Final[dict[type[Row], _Marking]] = {
    Batch: _Marking("batch", ("code",)),
    Lot: _Marking("lot", ("code",), beside=("origin",)),
    Load: _Marking("load", ("code",)),
    MixMade: _Marking("mix", ("code",)),
    Picked: _Marking(
        "pick", ("level", "subject", "at", "flush", "grade"), lambda row: row.level != "unit", ("shared",)
    ),
    Seen: _Marking("check", ("level", "subject", "at")),
    Culled: _Marking("cull", ("level", "subject", "at", "reason")),
    Delivery: _Marking("dispatch", ("buyer", "at", "lot", "product"), lambda row: True),
    Labour: _Marking("work", ("task", "person", "at", "level", "subject"), lambda row: True),
    Counted: _Marking("count", ("lot", "at")),
    Definition: _Marking("define", ("what", "name", "at")),
}


def mark(row: Row) -> Mark | None:
    """The mark of a ledger row, or None for rows that only accompany another.

    >>> mark(Picked("f", "e", 0, 1774605600, "unit", "KB001-01", 328000, 1, None, 0))
    Mark(key=('pick', 'unit', 'KB001-01', 1774605600, 1, None), value=(('weight_mg', 328000),), coarse=False)
    """
    how = _MARKINGS.get(type(row))
    if how is None:
        return None
    table: Any = type(row)
    key, names, said = _parts(table)
    return Mark((how.word, *key(row)), tuple(zip(names, said(row), strict=True)), how.coarse(row))


@cache
def _parts(table: Any) -> tuple[Callable[[Any], Key], tuple[str, ...], Callable[[Any], Key]]:
    """What takes the key from a row, and the names and what takes the values in which notes of one thing may differ."""
    how = _MARKINGS[table]
    names = tuple(name for name in table._fields if name not in (*_ENVELOPE, *how.key, *how.beside))
    return _several(how.key), names, _several(names)


def _several(names: tuple[str, ...]) -> Callable[[Any], Key]:
    taken: Callable[[Any], Any] = attrgetter(*names)
    return taken if len(names) > 1 else lambda row: (taken(row),)


class BatchFact(NamedTuple):
    """What later rows are held against: when a batch was made, its units, and the wet weight of one."""

    at: int
    units: int
    fill_mg: int | None


class Noted(NamedTuple):
    """An entry under a key, and what it says."""

    entry: str
    value: tuple[tuple[str, Any], ...]


@dataclass(slots=True)
class Known:
    """Everything on record that a new row is held against."""

    batches: dict[str, BatchFact] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    lots: dict[str, int | None] = field(default_factory=dict)
    parents: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    picked_mg: dict[tuple[str, str], int] = field(default_factory=lambda: defaultdict(int))
    noted: dict[Key, list[Noted]] = field(default_factory=lambda: defaultdict(list))
    trials: dict[str, str] = field(default_factory=dict)
    on_record: Callable[[Iterable[str]], set[str]] = lambda ids: set()
    asides: dict[str, str] = field(default_factory=dict)
    _spellings: dict[tuple[str, ...], str | None] = field(default_factory=dict)
    _alike: dict[str, tuple[int, dict[tuple[str, ...], str]]] = field(default_factory=dict)

    def learn(self, rows: Iterable[Row]) -> None:
        """Add what rows say."""
        for row in rows:
            found = mark(row)
            if found is not None:
                self.noted[found.key].append(Noted(row.entry, found.value))
            self._learn(row)

    def _learn(self, row: Row) -> None:
        if isinstance(row, Picked):
            self.picked_mg[row.level, row.subject] += row.weight_mg
        elif isinstance(row, Unit):
            self.units[row.code] = row.batch
            pieces = spelt(row.code)
            self._spellings[pieces] = row.code if self._spellings.get(pieces, row.code) == row.code else None
        elif isinstance(row, Batch):
            self.batches[row.code] = BatchFact(row.at, row.units, row.fill_mg)
        elif isinstance(row, Lot):
            self.lots[row.code] = row.passage
        elif isinstance(row, Link):
            self.parents[row.child].append(row.parent)
        elif isinstance(row, Definition) and row.what == "trial":
            self.trials[row.name] = row.body

    def forget(self, rows: Iterable[Row]) -> None:
        """Take away what rows said that were learned last: their row is set aside after all."""
        for row in rows:
            found = mark(row)
            if found is not None:
                self.noted[found.key].remove(Noted(row.entry, found.value))
            if isinstance(row, Picked):
                self.picked_mg[row.level, row.subject] -= row.weight_mg
            elif isinstance(row, Unit):
                self.units.pop(row.code, None)
                self._spellings.pop(spelt(row.code), None)
            elif isinstance(row, Batch):
                self.batches.pop(row.code, None)

    def unit_named(self, code: str, batch: str | None = None) -> str:
        """The code on record of a unit as a grower writes it; the same as came where none is on record.

        >>> known = Known(units={"KB001-01": "KB001"})
        >>> known.unit_named("KB001-01"), known.unit_named("KB001-09")
        ('KB001-01', 'KB001-09')
        """
        if code in self.units:
            return code
        if batch is not None and code.isdigit():
            code = f"{batch}-{code}"
        return self._spellings.get(spelt(code)) or code

    def lookalike(self, level: str, code: str) -> str | None:
        """The one code on record that looks like this one: a letter O for a nought, an l for a one.

        >>> Known(units={"PV20-07": "PV20"}).lookalike("unit", "PV2O-07")
        'PV20-07'
        """
        known = self.units if level == "unit" else self.batches
        if self._alike.get(level, (-1, {}))[0] != len(known):
            self._alike[level] = (len(known), {_alike(each): each for each in known})
        return self._alike[level][1].get(_alike(code))

    def passage(self, lot: str, below: frozenset[str] = frozenset()) -> int | None:
        """The passage of a lot, its own or one more than its parents'; of a unit, that of its spawn."""
        stated = self.lots.get(lot)
        if stated is not None or lot in below:
            return stated
        child = self.units.get(lot, lot)
        found = [self.passage(parent, below | {lot}) for parent in self.parents.get(child, ())]
        known = [each for each in found if each is not None]
        return max(known) + (child == lot) if known else None


def spelt(code: str) -> tuple[str, ...]:
    """A code by its letters and numbers alone, so that KB001-1 and kb1/01 are one.

    >>> spelt("KB001-01") == spelt("kb1 / 1")
    True
    """
    return tuple(piece.lstrip("0") or "0" if piece.isdigit() else piece.casefold() for piece in _PIECES.findall(code))


def _alike(code: str) -> tuple[str, ...]:
    return spelt(code.upper().translate(_LOOKALIKES))


def known_from(connection: Connection, farm: FarmSettings, asides: dict[str, str] | None = None) -> Known:
    """What a farm's record holds. ``on_record`` asks the journal itself, while the connection is open."""
    known = Known(asides=asides or {}, on_record=lambda ids: _on_record(connection, farm.id, list(ids)))
    ledger = Reader(connection, farm)
    for table in _READ:
        known.learn(ledger.rows(table))
    return known


def _on_record(connection: Connection, farm: str, ids: Sequence[str]) -> set[str]:
    found: set[str] = set()
    for start in range(0, len(ids), _MOST_MARKS):
        some = ids[start : start + _MOST_MARKS]
        marks = ", ".join("?" * len(some))
        rows = connection.execute(f"SELECT id FROM entry WHERE farm = ? AND id IN ({marks})", (farm, *some))
        found.update(row[0] for row in rows)
    return found
