"""Reading the notes back as a patient person would: every style of day and weight that their hands use."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from openpyxl import load_workbook

Cell = Any
MONTHS = {"Jan": 1, "Feb": 2, "Mar": 3, "Apr": 4, "May": 5, "Jun": 6, "Jul": 7, "Aug": 8, "Sep": 9}
MILLIGRAMS = {"": 1_000_000, "kg": 1_000_000, "g": 1_000, "lb": 453592.37}


@dataclass(frozen=True)
class Page:
    """A sheet or csv file as read: its remarks, headers, and rows by their number."""

    remark: str
    headers: list[str]
    rows: dict[int, dict[str, Cell]]
    total: list[Cell] | None


def pages(folder: Path) -> dict[tuple[str, str], Page]:
    """Every page of the notes by file and sheet."""
    book = load_workbook(folder / "puddlevane.xlsx")
    found = {("puddlevane.xlsx", sheet.title): page([list(row) for row in sheet.values]) for sheet in book}
    for name, delimiter, encoding in (("ines-movil.csv", ";", "cp1252"), ("before-the-scale.csv", ",", "utf-8")):
        with (folder / name).open(encoding=encoding, newline="") as file:
            lines: list[list[Cell]] = [
                [cell or None for cell in line] for line in csv.reader(file, delimiter=delimiter)
            ]
        found[name, ""] = page(lines)
    return found


def page(lines: list[list[Cell]]) -> Page:
    """One page from its lines; an empty line parts the rows from the total."""
    headers = [str(cell) for cell in lines[2] if cell is not None]
    rows, rest = {}, None
    for number, line in enumerate(lines[3:], 4):
        if not any(cell is not None for cell in line):
            rest = lines[number]
            break
        rows[number] = dict(zip(headers, line, strict=False))
    return Page(str(lines[0][0]), headers, rows, rest)


def sound(page: Page, truth: Any, where: tuple[str, str]) -> Iterator[dict[str, Cell]]:
    """The rows of a page that the truth does not call spoilt."""
    spoilt = {fault.row for fault in truth.faults if (fault.file, fault.sheet) == where}
    return (row for number, row in page.rows.items() if number not in spoilt)


def day(cell: Cell) -> date:
    """A day in any of the five styles."""
    if isinstance(cell, datetime):
        return cell.date()
    if found := re.fullmatch(r"(\d+)[/.](\d+)[/.](\d{4})", cell):
        return date(int(found[3]), int(found[2]), int(found[1]))
    if found := re.fullmatch(r"(\d+) (\w{3}) (\d{4})", cell):
        return date(int(found[3]), MONTHS[found[2]], int(found[1]))
    return date.fromisoformat(cell)


def milligrams(cell: Cell, unit: str = "kg") -> int:
    """A weight; ``unit`` where the cell has none."""
    found = re.fullmatch(r"(-?[\d.,]+) ?([a-z]*)", str(cell))
    assert found is not None, cell
    return round(float(found[1].replace(",", ".")) * MILLIGRAMS[found[2] or unit])


def percent(cell: Cell) -> float:
    """A percentage."""
    return float(str(cell).removesuffix("%"))
