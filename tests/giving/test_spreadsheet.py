"""A workbook for people: text stays text whatever it begins with, numbers are numbers, days are days of the farm."""

from __future__ import annotations

import sqlite3
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from pinset.farm import Farm
from pinset.giving import spreadsheet
from pinset.giving.spreadsheet import write_spreadsheet
from pinset.giving.tidy import GIVEN
from pinset.ledger.tables import table_name
from tests.giving.conftest import TRICKY, fill


@pytest.fixture
def small(tmp_path: Path) -> Any:
    with Farm.start(tmp_path / "farm", "Trial farm", "EUR", "Europe/Vienna", ",") as farm:
        fill(farm)
        yield farm


def _sheet(book: Any, name: str) -> list[dict[str, Any]]:
    heading, *rows = book[name].iter_rows()
    return [{top.value: cell for top, cell in zip(heading, row, strict=True)} for row in rows]


def test_each_table_is_a_sheet_with_typed_cells(small: Farm, tmp_path: Path) -> None:
    made = write_spreadsheet(small, tmp_path / "farm.xlsx")
    book = load_workbook(made.path)
    assert book.sheetnames == ["about", *(table_name(each) for each in GIVEN)]
    pick = next(row for row in _sheet(book, "picked") if row["subject"].value == "A-02")
    assert pick["weight (kg)"].value == 0.1655
    assert pick["at"].value == datetime(2026, 7, 1, 12)
    assert pick["at"].is_date
    assert pick["shared"].value is True
    assert {row["code"].value: row["cost (EUR)"].value for row in _sheet(book, "lot")}["SP1"] == 80
    assert small.settings.name in book["about"]["A1"].value


def test_text_is_text_whatever_it_begins_with(small: Farm, tmp_path: Path) -> None:
    for begins in ("=", "+", "-", "@", "\t"):
        small.note("note", {"text": f"{begins}SUM(A1:A9)", "about": f"{begins}x".strip() or "x"})
    book = load_workbook(write_spreadsheet(small, tmp_path / "farm.xlsx").path)
    cells = sorted((row["text"] for row in _sheet(book, "remark")), key=lambda cell: str(cell.value))
    assert {cell.data_type for cell in cells} == {"s"}
    texts = {str(cell.value) for cell in cells}
    assert {"=SUM(A1:A9)", "+SUM(A1:A9)", "-SUM(A1:A9)", "@SUM(A1:A9)"} < texts
    assert all(cell.quotePrefix for cell in cells if cell.value[0] in "=+-@")
    assert TRICKY.replace("\r\n", "\n") in texts  # as XML tells the ends of lines
    rooms = {row["room"].value: row["room"].data_type for row in _sheet(book, "stay")}
    assert rooms["=room"] == "s"
    every = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in every if cell.data_type == "f"]


def test_a_table_longer_than_a_sheet_goes_on_in_the_next(
    small: Farm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spreadsheet, "MOST_ROWS", 2)
    book = load_workbook(write_spreadsheet(small, tmp_path / "farm.xlsx").path)
    assert [len(_sheet(book, name)) for name in ("unit", "unit 2")] == [2, 1]


def test_words_that_xml_cannot_hold_do_not_stop_it(small: Farm, tmp_path: Path) -> None:
    small.note("note", {"text": "bell \x07 rings"})
    book = load_workbook(write_spreadsheet(small, tmp_path / "farm.xlsx").path)
    assert "bell \N{REPLACEMENT CHARACTER} rings" in {row["text"].value for row in _sheet(book, "remark")}


def test_half_a_workbook_is_never_left(small: Farm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(spreadsheet, "tidied", fails)
    with pytest.raises(sqlite3.OperationalError):
        write_spreadsheet(small, tmp_path / "farm.xlsx")
    assert not [*tmp_path.glob("*.xlsx"), *tmp_path.glob(".*")]
