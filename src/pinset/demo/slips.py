"""The slips of the pen: a handful of rows spoilt, each in another way, each known."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from pinset.demo.season import Year
from pinset.demo.sheets import Cell, Row, Sheet, Spoilt

TWICE = "a row written twice"


@dataclass(frozen=True, slots=True)
class Slip:
    """One sort of slip: in which sheet and column, on which rows it can happen, and what it writes there."""

    sheet: str
    column: str
    sort: str
    fits: Callable[[Row], bool]
    writes: Callable[[Row], Cell]


def spoil(sheets: Mapping[str, Sheet], year: Year, seed: int) -> None:
    """Spoil one sound row for each sort of slip; the row written twice is spoilt last."""
    chance = np.random.default_rng(seed)
    for slip in _slips(year):
        sheet = sheets[slip.sheet]
        rows = [row for row in sheet.sound() if slip.fits(row)]
        _spoil_one(rows[int(chance.integers(len(rows)))], sheet.headers.index(slip.column), slip)
    _write_twice(sheets["Picked"], chance)


def _spoil_one(row: Row, column: int, slip: Slip) -> None:
    meant = str(row.mg // 1000) + " g" if slip.column in ("kg", "Peso g") else _told(row, column)
    row.cells[column] = slip.writes(row)
    row.spoilt = Spoilt(slip.column, slip.sort, meant)


def _told(row: Row, column: int) -> str:
    return row.day.isoformat() if column == 0 else str(row.cells[column])


def _write_twice(sheet: Sheet, chance: np.random.Generator) -> None:
    """Copy a plain row a little further down, cell by cell."""
    plain = [n for n, row in enumerate(sheet.rows[:-12]) if row.spoilt is None]
    n = plain[int(chance.integers(len(plain)))]
    spoilt = Spoilt("Bag", TWICE, "")
    sheet.rows.insert(n + 9, replace(sheet.rows[n], cells=list(sheet.rows[n].cells), spoilt=spoilt))


def _slips(year: Year) -> tuple[Slip, ...]:
    made = {bag.code: bag.batch.day for bag in year.bags}
    return (
        Slip("Picked", "kg", "grams written as kg", lambda row: row.mg > 200_000, lambda row: row.mg // 1000),
        Slip("Picked", "kg", "a weight below zero", lambda row: row.mg > 0, lambda row: -row.mg / 1e6),
        Slip("Picked", "Bag", "a bag that was never made", _has_a_nought, _with_the_letter),
        Slip("Picked", "Day", "picked before it was made", lambda row: True,
             lambda row: (made[row.about] - timedelta(days=12)).isoformat()),
        Slip("Walks", "Run %", "more than the whole", lambda row: row.cells[2] == 30, lambda row: 130),
        Slip("Walks", "Day", "a day that no calendar has", lambda row: row.day == date(2025, 5, 2),
             lambda row: "31.04.2025"),
        Slip("phone", "Peso g", "words for a number", lambda row: True, lambda row: "ver foto"),
        Slip("Sold", "kg", "a weight left out", lambda row: True, lambda row: None),
    )  # fmt: skip


def _has_a_nought(row: Row) -> bool:
    return row.about[3] == "0"


def _with_the_letter(row: Row) -> str:
    """A letter O where a nought should stand."""
    return f"{row.about[:3]}O{row.about[4:]}"
