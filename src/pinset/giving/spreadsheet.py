"""The ledger as one workbook for people: a sheet a table, numbers as numbers, days as days of the farm."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pinset.farm import Farm
from pinset.giving.package import Given, new_file
from pinset.giving.schema import Field, Table
from pinset.giving.tidy import GIVEN, tidied, tidy

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import Cell

Sheet = Any  # openpyxl's sheet that can only be written has no complete type
MOST_ROWS: Final = 1_048_575  # of a sheet beside its heading, as spreadsheets have it
_LIKE_A_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_UNWRITABLE: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
_FORMATS: Final = {"datetime": "yyyy-mm-dd hh:mm", "number": "#,##0.###", "integer": "0"}
_WIDTHS: Final = {"datetime": 17, "string": 16}
_OTHERWISE: Final = 12


def write_spreadsheet(farm: Farm, path: Path) -> Given:
    """Write a farm's ledger into a new xlsx workbook. Raises FileExistsError where there is a file already.

    A table of more rows than a sheet can have goes on in the next sheet. Text is always text, whatever it begins with.
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    about = book.create_sheet("about")
    with new_file(path) as part, farm.store.read() as connection, _closed(book):
        tables = [tidy(each, farm.settings) for each in GIVEN]
        _tell(about, farm, [told.table for told in tables])
        for told in tables:
            _write_table(book, told.table, tidied(connection, farm.settings, told))
        book.save(part)
        entries = farm.count()
    return Given(path, entries, len(tables))


@contextmanager
def _closed(book: Workbook) -> Iterator[None]:
    """Let go of half-written sheets where writing fails."""
    try:
        yield
    except BaseException:
        for sheet in book.worksheets:
            sheet.close()
        raise


def _tell(sheet: Sheet, farm: Farm, tables: Iterable[Table]) -> None:
    from openpyxl.styles import Font

    for letter, width in zip("ABC", (18, 22, 90), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.append([_text(sheet, f"What {farm.settings.name} has on record, times in {farm.settings.zone}")])
    for table in tables:
        sheet.append([])
        name = _text(sheet, table.name)
        name.font = Font(bold=True)
        sheet.append([name, None, _text(sheet, table.about)])
        for field in table.fields:
            sheet.append([None, _text(sheet, heading(field)), _text(sheet, field.about)])


def _write_table(book: Workbook, table: Table, rows: Iterator[list[Any]]) -> None:
    sheet = _sheet(book, table, 1)
    formats = [_FORMATS.get(field.type) for field in table.fields]
    for number, row in enumerate(rows):
        if number and number % MOST_ROWS == 0:
            sheet = _sheet(book, table, number // MOST_ROWS + 1)
        sheet.append([_cell(sheet, *one) for one in zip(row, formats, strict=True)])


def _sheet(book: Workbook, table: Table, number: int) -> Sheet:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    sheet: Sheet = book.create_sheet(table.name if number == 1 else f"{table.name} {number}")
    sheet.freeze_panes = "A2"
    headings = []
    for column, field in enumerate(table.fields, 1):
        sheet.column_dimensions[get_column_letter(column)].width = _WIDTHS.get(field.type, _OTHERWISE)
        headings.append(_text(sheet, heading(field)))
        headings[-1].font = Font(bold=True)
    sheet.append(headings)
    return sheet


def heading(field: Field) -> str:
    """What stands above a column.

    >>> heading(Field("weight_kg", "number", "The weight.", "kg")), heading(Field("cost", "number", "", "EUR"))
    ('weight (kg)', 'cost (EUR)')
    """
    name = field.name.removesuffix(f"_{field.unit.lower()}").replace("_", " ")
    return f"{name} ({field.unit})" if field.unit else name


def _cell(sheet: Sheet, value: Any, number_format: str | None) -> Cell | None:
    from openpyxl.cell import WriteOnlyCell

    if value is None or isinstance(value, str):
        return None if value is None else _text(sheet, value)
    # a workbook knows no time zones: the farm's own clock on the wall stands in it
    cell: Cell = WriteOnlyCell(sheet, value.replace(tzinfo=None) if isinstance(value, datetime) else value)
    if number_format and not isinstance(value, bool):
        cell.number_format = number_format
    return cell


def _text(sheet: Sheet, words: str) -> Cell:
    from openpyxl.cell import WriteOnlyCell

    cell: Cell = WriteOnlyCell(sheet, _UNWRITABLE.sub("\N{REPLACEMENT CHARACTER}", words))
    cell.data_type = "s"
    if words.startswith(_LIKE_A_FORMULA):
        cell.quotePrefix = True  # stays text when somebody edits the cell
    return cell
