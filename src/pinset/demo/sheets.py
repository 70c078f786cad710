"""A page of notes: remarks, headers, rows, a total; and which of its rows were spoilt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime

from pinset.demo.story import INVENTED

Cell = str | int | float | datetime | None
ROWS_ABOVE = 3  # remarks, an empty line, the headers


@dataclass(frozen=True, slots=True)
class Spoilt:
    """How a row was spoilt: in which column, what sort of slip, and what should have stood there."""

    column: str
    sort: str
    meant: str


@dataclass(slots=True)
class Row:
    """One row, and the truth behind it: the day, what it is about, the weight it was to say."""

    cells: list[Cell]
    day: date
    about: str = ""
    mg: int = 0
    spoilt: Spoilt | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """A spoilt row as a reader of the file finds it; ``row`` counts from 1, as in a spreadsheet."""

    file: str
    sheet: str
    row: int
    column: str
    sort: str
    wrote: str
    meant: str


@dataclass(slots=True)
class Sheet:
    """One sheet of a workbook, or a whole csv file."""

    name: str
    remark: str
    headers: tuple[str, ...]
    rows: list[Row] = field(default_factory=list)
    total: list[Cell] | None = None

    def sound(self) -> list[Row]:
        """The rows that were not spoilt."""
        return [row for row in self.rows if row.spoilt is None]

    def lines(self) -> Iterator[list[Cell]]:
        """Every line as it is written, from the remarks down."""
        yield [f"{INVENTED}: {self.remark}"]
        yield []
        yield list(self.headers)
        yield from (row.cells for row in self.rows)
        if self.total is not None:
            yield []
            yield self.total

    def faults(self, file: str) -> Iterator[Fault]:
        """The spoilt rows, told as a reader of ``file`` finds them."""
        for number, row in enumerate(self.rows, ROWS_ABOVE + 1):
            if row.spoilt is not None:
                wrote = row.cells[self.headers.index(row.spoilt.column)]
                told = "" if wrote is None else str(wrote)
                yield Fault(file, self.name, number, row.spoilt.column, row.spoilt.sort, told, row.spoilt.meant)
