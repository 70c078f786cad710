"""A sheet of a file as a table: its columns, and its rows with the numbers that a spreadsheet shows beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import NamedTuple


class Unread(NamedTuple):
    """A cell that the file does not give: an error value, a formula without its result, far too much text."""

    needed: str
    came: str
    mend: str

    def __str__(self) -> str:
        return self.came


class Formula(NamedTuple):
    """A formula and the result that the file keeps beside it."""

    text: str
    result: Cell


Cell = str | int | float | bool | datetime | date | time | timedelta | Unread | Formula | None


class Row(NamedTuple):
    """One row; ``spill`` says that it has more cells than the table has columns."""

    number: int
    cells: tuple[Cell, ...]
    spill: bool = False


class Skipped(NamedTuple):
    """A row that is no note: a sum, a heading written again."""

    row: int
    why: str


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of a sheet as they stand in the file, before anybody knows which row is the heading."""

    file: str
    sheet: str
    rows: Sequence[tuple[int, Sequence[Cell]]]
    delimiter: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """The rows below a heading. ``remarks`` is what stands above it; ``delimiter`` is that of a csv file."""

    file: str
    sheet: str
    columns: tuple[str, ...]
    rows: list[Row]
    header_row: int = 0
    remarks: tuple[str, ...] = ()
    skipped: list[Skipped] = field(default_factory=list)
    delimiter: str = ""

    def column(self, name: str) -> list[Cell]:
        """The cells of one column, empty ones left out."""
        place = self.columns.index(name)
        return [cell for row in self.rows if (cell := row.cells[place]) is not None]


def column_letter(place: int) -> str:
    """The letter over a column; the first is 0.

    >>> column_letter(0), column_letter(25), column_letter(27)
    ('A', 'Z', 'AB')
    """
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
