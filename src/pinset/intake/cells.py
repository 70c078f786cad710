"""Rows read by a map: each cell into the value that its column is to hold, each failure into a fault of that cell."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Final, NamedTuple

from pinset.intake import numbers
from pinset.intake.dates import Order, order_shown, read_clock, read_day
from pinset.intake.fields import Sort, choices, sort_of
from pinset.intake.map import SheetMap, Target, target_said
from pinset.intake.numbers import Mark, marks_shown, marks_unsure
from pinset.intake.problem import CannotRead
from pinset.intake.table import Cell, Row, Table, Unread
from pinset.intake.words import is_one_of, meant, plain
from pinset.journal.kinds import SIGNS
from pinset.journal.said import expanded

Strand = tuple[str, int]
"""What a row says of one entry: its kind ("" for the sheet's own) and flush (0 where the heading names none)."""
OWN: Final[Strand] = ("", 0)
Read = Callable[[Cell], Any]
_NOTHING: Final = frozenset({"-", "–", "—", "--", "n/a", "na", "/"})
_MARKED_SORTS: Final = frozenset({"weight", "money", "share", "celsius", "span", "whole", "decimal", "parts", "lots"})
_SEVERAL: Final = re.compile(r"\s*[;+&]\s*|\s*,\s+|,(?=\D)")
_SIGNS_APART: Final = re.compile(r"\s*[,;+&/]\s*|\s+(?:and|und|y|et)\s+")
_PART: Final = re.compile(
    r"^(?:(?P<name>.*?)[:=\s]\s*(?P<amount>[\d.,]+)|(?P<before>[\d.,]+)\s*%?\s+(?P<after>\D.*?))\s*%?$"
)


class Fault(NamedTuple):
    """A cell that could not be read."""

    column: str
    fault: CannotRead
    cell: Cell


@dataclass(slots=True)
class Reading:
    """A row as read: the values by strand and field, and what could not be read."""

    row: Row
    said: dict[Strand, dict[str, Any]] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Column:
    place: int
    name: str
    strand: Strand
    field: str
    read: Read


def readings(table: Table, sheet: SheetMap, digits: int = 2, decimal: Mark | None = None) -> list[Reading]:
    """Every row of a table as its map reads it.

    ``digits`` are those of the farm's minor currency units; ``decimal`` is the mark meant where the column, the table
    and the map leave it open.
    """
    columns = _columns(table, sheet, digits, decimal)
    always = _always(sheet, digits, decimal)
    down = [table.columns.index(name) for name in sheet.fill_down if name in table.columns]
    return [_reading(row, columns, always) for row in (_filled_down(table.rows, down) if down else table.rows)]


def _columns(table: Table, sheet: SheetMap, digits: int, decimal: Mark | None) -> list[_Column]:
    marks = _Marks(table, sheet, decimal)
    found = []
    for place, name in enumerate(table.columns):
        target = sheet.target(name)
        if target is not None:
            read = _reader(table, sheet, name, target, digits, marks)
            found.append(_Column(place, name, (target.kind, target.flush), target.field, read))
    return found


class _Marks:
    """The decimal mark of each column: as the map says, as the column or the table proves, or as the farm writes."""

    def __init__(self, table: Table, sheet: SheetMap, decimal: Mark | None) -> None:
        self.table = table
        self.said: Mark | None = None if sheet.decimal == "?" else sheet.decimal
        numbers = [table.column(name) for name in number_columns(table, sheet)]
        proved = marks_shown(cell for cells in numbers for cell in cells)
        unsure = marks_unsure(cell for cells in numbers for cell in cells)
        usual: Mark | None = "," if table.delimiter == ";" and "," in unsure else decimal
        self.fallback = next(iter(proved)) if len(proved) == 1 else usual

    def of(self, column: str) -> Mark | None:
        """The mark of a column; None where its rows use both."""
        if self.said is not None:
            return self.said
        shown = marks_shown(self.table.column(column))
        if len(shown) == 2:
            return None
        return next(iter(shown), self.fallback)


def number_columns(table: Table, sheet: SheetMap) -> list[str]:
    """The columns of a table that hold numbers."""
    named = [(name, sheet.target(name)) for name in table.columns]
    return [name for name, one in named if one and sort_of(one.kind or sheet.kind, one.field) in _MARKED_SORTS]


def _reader(table: Table, sheet: SheetMap, name: str, target: Target, digits: int, marks: _Marks) -> Read:
    kind = target.kind or sheet.kind
    sort = sort_of(kind, target.field)
    mark = marks.of(name) if sort in _MARKED_SORTS else None
    if sort == "day":
        return _day_reader(table, sheet, name, target)
    if target.field == "remarks" and meant(name, "columns", "any") != "remarks":
        return lambda cell: f"{name}: {_text(cell)}"
    return reader(kind, target, sort, digits, mark, sheet.words)


def _day_reader(table: Table, sheet: SheetMap, name: str, target: Target) -> Read:
    order: Any = target.unit or sheet.date_order or order_shown(table.column(name))
    known: Order | None = order if order not in ("both", "?") else None
    year = sheet.year if isinstance(sheet.year, int) else None
    return lambda cell: read_day(cell, known, year)


def reader(
    kind: str, target: Target, sort: Sort, digits: int, mark: Mark | None, words: Mapping[str, str]
) -> Read:  # fmt: skip
    """A function that reads a cell of one column."""
    unit = "" if target.unit == "fraction" else target.unit
    by_sort: dict[Sort, Read] = {
        "day": read_day,
        "clock": read_clock,
        "text": _text,
        "weight": lambda cell: numbers.read_weight(cell, unit, mark),
        "money": lambda cell: numbers.read_money(cell, digits, mark),
        "share": lambda cell: numbers.read_share(cell, unit, mark),
        "celsius": lambda cell: numbers.read_celsius(cell, unit, mark),
        "span": lambda cell: numbers.read_span(cell, unit, mark),
        "whole": lambda cell: numbers.read_whole(cell, unit, mark),
        "decimal": lambda cell: numbers.read_decimal(cell, "kwh", mark),
        "flag": _flag,
        "signs": lambda cell: _signs(cell, words),
        "codes": _codes,
        "lots": lambda cell: _lots(cell, mark),
        "parts": lambda cell: _parts(cell, mark),
    }
    if sort == "choice":
        known = choices(kind, target.field)
        return lambda cell: _choice(cell, target.field, known, words)
    return by_sort[sort]


def _always(sheet: SheetMap, digits: int, decimal: Mark | None) -> list[tuple[Strand, str, Any]]:
    """The fields that are the same in every row, read once; a ``?`` is not read."""
    found = []
    for name, word in sheet.always.items():
        target = target_said(name, sheet.kind)
        if target is not None and word != "?":
            kind = target.kind or sheet.kind
            read = reader(kind, target, sort_of(kind, target.field), digits, decimal, sheet.words)
            found.append(((target.kind, target.flush), target.field, read(word)))
    return found


def _reading(row: Row, columns: Sequence[_Column], always: Sequence[tuple[Strand, str, Any]]) -> Reading:
    reading = Reading(row, {OWN: {}})
    for column in columns:
        cell = row.cells[column.place]
        if cell is None or (isinstance(cell, str) and cell in _NOTHING):
            continue
        try:
            value = column.read(cell)
        except CannotRead as fault:
            reading.faults.append(Fault(column.name, fault, cell))
            continue
        said = reading.said.setdefault(column.strand, {})
        said[column.field] = f"{said[column.field]}; {value}" if column.field == "remarks" in said else value
    for strand, name, value in always:
        if strand in reading.said:
            reading.said[strand].setdefault(name, value)
    return reading


def _filled_down(rows: Sequence[Row], places: Sequence[int]) -> list[Row]:
    """Rows whose empty cells in some columns say what the last filled cell above them said."""
    last: dict[int, Cell] = {}
    found = []
    for row in rows:
        cells = list(row.cells)
        for place in places:
            last[place] = cells[place] = cells[place] if cells[place] is not None else last.get(place)
        found.append(row._replace(cells=tuple(cells)))
    return found


def _text(cell: Cell) -> str:
    if isinstance(cell, Unread):
        raise CannotRead(cell.needed, cell.mend, cell.came)
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, datetime | date):
        return cell.isoformat().removesuffix("T00:00:00")
    return str(cell)


def _flag(cell: Cell) -> bool:
    if isinstance(cell, bool):
        return cell
    text = _text(cell)
    for word in ("yes", "no"):
        if is_one_of(text, word) or text == str(int(word == "yes")):
            return word == "yes"
    raise CannotRead("yes or no")


def _choice(cell: Cell, name: str, known: Sequence[str], words: Mapping[str, str]) -> str:
    text = _text(cell)
    found = words.get(plain(text)) or (text if text in known else meant(text, "choices", name))
    if found in known:
        return str(found)
    mend = f'Say in the map, under words, what it means: "{text}" = "{known[-1]}"'
    raise CannotRead(f"one of {', '.join(known)}", mend)


def _signs(cell: Cell, words: Mapping[str, str]) -> tuple[str, ...]:
    text = _text(cell)
    found = [_sign(text, words)]
    if found == [None]:
        found = [_sign(piece, words) for piece in _SIGNS_APART.split(text) if piece]
    if None in found or not found:
        mend = f'Say in the map, under words, what it means: "{text}" = "green", or "other", or "none"'
        raise CannotRead(f"a sign ({', '.join(SIGNS)}) or none", mend)
    return tuple(dict.fromkeys(sign for sign in found if sign is not None and sign != "none"))


def _sign(text: str, words: Mapping[str, str]) -> str | None:
    return words.get(plain(text)) or meant(text, "signs")


def _codes(cell: Cell) -> tuple[str, ...]:
    try:
        return tuple(code for piece in _SEVERAL.split(_text(cell)) if piece for code in expanded(piece))
    except ValueError as fault:
        raise CannotRead(str(fault)) from fault


def _lots(cell: Cell, mark: Mark | None) -> list[dict[str, Any]]:
    """Codes of lots, each with its weight where one is written: ``G1-A: 0.5 kg; G2-A: 0.2 kg``."""
    found: list[dict[str, Any]] = []
    for piece in _SEVERAL.split(_text(cell)):
        label, _, amount = piece.partition(":")
        part: dict[str, Any] = {"lot": label.strip()}
        if amount.strip():
            part["weight_mg"] = numbers.read_weight(amount.strip(), "", mark)
        found.append(part)
    return found


def _parts(cell: Cell, mark: Mark | None) -> list[dict[str, Any]]:
    """Ingredients with their shares, in % or as a fraction: ``oak sawdust: 33 %; wheat bran: 8 %``."""
    needed = "ingredients with their shares, as oak sawdust: 33 %; wheat bran: 8 %"
    text = _text(cell)
    found = [
        _PART.match(piece.strip())
        for piece in re.split(r";|\n|,\s" if ";" not in text else r";", text)
        if piece.strip()
    ]
    amounts = [numbers.number_and_unit((one["amount"] or one["before"]), mark, needed)[0] for one in found if one]
    if not found or len(amounts) != len(found):
        raise CannotRead(needed)
    of = 100 if sum(amounts) > 2 else 1
    if abs(float(sum(amounts)) / of - 1) > 0.02:
        raise CannotRead("shares that add up to 100 %", came=f"{float(sum(amounts)):g} in all")
    names = [(one["name"] or one["after"]).strip(" :=") for one in found if one]
    return [{"ingredient": name, "share": float(amount / of)} for name, amount in zip(names, amounts, strict=True)]
