"""Reading xlsx workbooks: as they are, and never more than a farm's notes can be."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from xml.etree.ElementTree import ParseError

from pinset.intake.guard import MOST_COLUMNS, MOST_ROWS, MOST_SHEETS, MOST_TEXT, NotNotes, TooLarge, check_archive
from pinset.intake.table import Cell, Formula, Grid, Unread

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook

Place = tuple[int, int]
_MERGED: Final = re.compile(rb'<mergeCell[^>]*\bref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"')
_NO_RESULT: Final = "Open the file in your spreadsheet program, save it, and take it again."
_TYPE_IT: Final = "Mend the formula, or type the value."
_BROKEN: Final = (KeyError, ValueError, TypeError, AttributeError, IndexError, ParseError, zipfile.BadZipFile, OSError)


def read_workbook(path: Path) -> list[Grid]:
    """Every visible sheet of a workbook with its cells; raises NotNotes or TooLarge."""
    data = path.read_bytes()
    check_archive(data, path.name)
    try:
        return [grid for grid in _grids(data, path.name) if grid.rows]
    except _BROKEN as fault:
        if isinstance(fault, NotNotes | TooLarge):
            raise
        raise NotNotes(f"{path.name}: needed a whole xlsx workbook; came a damaged one ({fault})") from fault


def _grids(data: bytes, file: str) -> Iterator[Grid]:
    book = _open(data)
    if len(book.sheetnames) > MOST_SHEETS:
        raise TooLarge(f"{file}: needed at most {MOST_SHEETS} sheets; came {len(book.sheetnames)}")
    results: dict[str, dict[Place, Cell]] = {}
    for page in book.worksheets:
        if page.sheet_state == "visible":
            rows = list(_rows(page, file))
            if any(isinstance(cell, Formula) for _, cells in rows for cell in cells):
                results = results or _results(data, file)
                rows = [(number, _with_results(number, cells, results[page.title])) for number, cells in rows]
            yield Grid(file, page.title, _unmerged(rows, data, page))


def _open(data: bytes, with_results: bool = False) -> Workbook:
    from openpyxl import load_workbook

    return load_workbook(io.BytesIO(data), read_only=True, data_only=with_results, keep_links=False)


def _rows(page: Any, file: str) -> Iterator[tuple[int, list[Cell]]]:
    page.reset_dimensions()  # what the file says of its own size may be wrong, by accident or on purpose
    for count, cells in enumerate(page.iter_rows(max_col=MOST_COLUMNS), 1):
        if count > MOST_ROWS:
            raise TooLarge(f"{file}, {page.title}: needed at most {MOST_ROWS} rows; came more")
        said = [_cell(cell) for cell in cells]
        while said and said[-1] is None:
            said.pop()
        if said:
            yield count, said


def _cell(cell: Any) -> Cell:
    value: Cell = cell.value
    kind = cell.data_type
    if value is None:
        return None
    if kind == "n" and isinstance(value, float) and "%" in (cell.number_format or ""):
        return f"{round(value * 100, 9):.9f}".rstrip("0").rstrip(".") + " %"
    if kind == "f":
        return Formula(str(value), None)
    if kind == "e":
        return Unread("a value", str(value), _TYPE_IT)
    return tidy(value) if isinstance(value, str) else value


def tidy(text: str) -> str | Unread | None:
    """The text of a cell without blanks around it; None where nothing is left."""
    if len(text) > MOST_TEXT:
        return Unread(f"at most {MOST_TEXT} characters in a cell", f"{len(text)} characters", "Shorten it.")
    return text.replace("\u00a0", " ").strip() or None


def _results(data: bytes, file: str) -> dict[str, dict[Place, Cell]]:
    """What the formulas came to when the workbook was last saved, by sheet and place."""
    return {
        page.title: {(row, column): cell for row, cells in _rows(page, file) for column, cell in enumerate(cells)}
        for page in _open(data, with_results=True).worksheets
    }


def _with_results(row: int, cells: list[Cell], results: dict[Place, Cell]) -> list[Cell]:
    return [
        Formula(cell.text, results.get((row, column))) if isinstance(cell, Formula) else cell
        for column, cell in enumerate(cells)
    ]


def no_result(formula: Formula) -> Unread:
    """What stands for a formula whose result the file does not keep."""
    return Unread("the result of the formula", f"only {formula.text[:40]}", _NO_RESULT)


def _unmerged(rows: list[tuple[int, list[Cell]]], data: bytes, page: Any) -> list[tuple[int, list[Cell]]]:
    """Cells merged downwards say the same for each of their rows; merged across, the first one holds the value."""
    spans = [span for span in _spans(data, page) if span[2] > span[1]]
    if not spans:
        return rows
    by_number = dict(rows)
    for column, top, bottom in spans:
        value = _at(by_number.get(top, []), column)
        for number in range(top + 1, min(bottom, top + MOST_ROWS) + 1):
            if number in by_number and value is not None and _at(by_number[number], column) is None:
                cells = by_number[number]
                cells += [None] * (column + 1 - len(cells))
                cells[column] = value
    return rows


def _at(cells: list[Cell], column: int) -> Cell:
    return cells[column] if column < len(cells) else None


def _spans(data: bytes, page: Any) -> list[tuple[int, int, int]]:
    """Column, first and last row of every merged range; only the end of a sheet's part can hold them."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive, archive.open(page._worksheet_path) as part:
        tail = b""
        found = []
        while chunk := part.read(1 << 20):
            tail = (tail + chunk)[-(1 << 21) :]
        for left, top, _, bottom in _MERGED.findall(tail):
            found.append((_column_number(left.decode()), int(top), int(bottom)))
    return found


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number - 1
