"""Files as they come: whole, odd, broken and hostile. A file is read, or refused with a sentence; nothing hangs."""

from __future__ import annotations

import io
import time
import zipfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from pinset.intake import guard
from pinset.intake.delimited import decoded, delimiter_of
from pinset.intake.desk import open_files, tables_in
from pinset.intake.files import read
from pinset.intake.guard import NotNotes, TooLarge
from pinset.intake.table import Unread

WORKBOOK_START = b"PK\x03\x04"


def workbook(path: Path, fill: Callable[[Workbook], None]) -> Path:
    book = Workbook()
    fill(book)
    book.save(path)
    return path


def rows(book: Workbook, lines: list[list[object]]) -> None:
    assert book.active is not None
    for line in lines:
        book.active.append(line)


def test_a_file_is_known_by_its_bytes_not_its_name(tmp_path: Path) -> None:
    path = workbook(tmp_path / "notes.xlsx", lambda book: rows(book, [["Date", "kg"], ["2026-03-02", 1]]))
    renamed = path.rename(tmp_path / "notes.csv")
    (table,) = tables_in([renamed])
    assert table.columns == ("Date", "kg")


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b"\xd0\xcf\x11\xe0" + bytes(600), "save it as .xlsx"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"\x89PNG\r\n\x1a\n" + bytes(60), "picture"),
        (bytes(range(256)) * 40, "no text"),
        (WORKBOOK_START + b"not really a zip", "damaged"),
        (b"just one column\nof words\n", "one column"),
    ],
)
def test_what_is_no_table_is_refused_in_words(data: bytes, word: str, tmp_path: Path) -> None:
    path = tmp_path / "notes.xlsx"
    path.write_bytes(data)
    with pytest.raises(NotNotes, match=word) as refused:
        read(path)
    assert "notes.xlsx" in str(refused.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="found none"):
        read(tmp_path / "nowhere.csv")


def packed(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


def test_another_packed_file_is_told_apart(tmp_path: Path) -> None:
    sheet = tmp_path / "notes.ods"
    sheet.write_bytes(packed({"content.xml": b"<x/>", "mimetype": b"application/vnd.oasis.opendocument.spreadsheet"}))
    with pytest.raises(NotNotes, match="OpenDocument"):
        read(sheet)
    sheet.write_bytes(packed({"photo.jpg": b"x"}))
    with pytest.raises(NotNotes, match="no workbook"):
        read(sheet)


def test_a_bomb_is_refused_before_anything_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    path.write_bytes(packed({"xl/workbook.xml": b"<x/>", "xl/worksheets/sheet1.xml": bytes(guard.RATIO_FROM + 1)}))
    began = time.perf_counter()
    with pytest.raises(TooLarge, match="times its size"):
        read(path)
    assert time.perf_counter() - began < 2


def test_a_workbook_that_unpacks_to_too_much_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = workbook(tmp_path / "notes.xlsx", lambda book: rows(book, [["Date", "kg"], ["2026-03-02", 1]]))
    monkeypatch.setattr(guard, "MOST_UNPACKED", 1_000)
    with pytest.raises(TooLarge, match="when unpacked"):
        read(path)


def test_a_file_of_too_many_bytes_is_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "notes.csv"
    path.write_text("Date,kg\n2026-03-02,1\n")
    monkeypatch.setattr(guard, "MOST_BYTES", 10)
    with pytest.raises(TooLarge, match="at most"):
        read(path)


def test_what_a_sheet_says_of_its_own_size_is_not_believed(tmp_path: Path) -> None:
    path = workbook(tmp_path / "notes.xlsx", lambda book: rows(book, [["Date", "kg"], ["2026-03-02", 1]]))
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = parts[sheet].replace(b'ref="A1:B2"', b'ref="A1:XFD1048576"')
    assert b"XFD1048576" in parts[sheet]
    path.write_bytes(packed(parts))
    began = time.perf_counter()
    (table,) = tables_in([path])
    assert [row.cells for row in table.rows] == [("2026-03-02", 1)]
    assert time.perf_counter() - began < 2


def test_entities_are_not_blown_up(tmp_path: Path) -> None:
    path = workbook(tmp_path / "notes.xlsx", lambda book: rows(book, [["Date", "kg"], ["2026-03-02", 1]]))
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    levels = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 12))
    head = f'<!DOCTYPE x [<!ENTITY l0 "ha">{levels}]>'
    sheet = parts["xl/worksheets/sheet1.xml"].decode()
    assert "2026-03-02" in sheet
    parts["xl/worksheets/sheet1.xml"] = (head + sheet.replace("2026-03-02", "&l11;")).encode()
    path.write_bytes(packed(parts))
    began = time.perf_counter()
    with pytest.raises((NotNotes, TooLarge)):
        read(path)
    assert time.perf_counter() - began < 5


@pytest.mark.parametrize("cut", [0.2, 0.5, 0.9, 0.99])
def test_a_workbook_that_breaks_off_is_refused(cut: float, tmp_path: Path) -> None:
    lines: list[list[object]] = [["Date", "kg"], *(["2026-03-02", n] for n in range(500))]
    path = workbook(tmp_path / "notes.xlsx", lambda book: rows(book, lines))
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * cut)])
    with pytest.raises(NotNotes, match="damaged"):
        read(path)


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=2_000))
def test_any_bytes_are_read_or_refused(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("any") / "notes.csv"
    path.write_bytes(data)
    found = open_files([path])
    assert len(found.refused) == 1 or isinstance(found.tables, list)


@settings(max_examples=60, deadline=None)
@given(text=st.text(max_size=400), delimiter=st.sampled_from(",;\t|"))
def test_any_text_is_read_or_refused(text: str, delimiter: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("any") / "notes.csv"
    path.write_text(f"Date{delimiter}kg\n{text}\n", encoding="utf-8", errors="replace")
    found = open_files([path])
    assert all("notes.csv" in why for why in found.refused)


def test_one_file_that_cannot_be_read_does_not_stop_the_others(tmp_path: Path) -> None:
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    good.write_text("Date,Block,kg\n2026-03-02,A-01,1\n")
    bad.write_bytes(b"\x89PNG\r\n\x1a\n")
    found = open_files([bad, good])
    assert [table.file for table in found.tables] == ["good.csv"]
    assert len(found.refused) == 1
    with pytest.raises(NotNotes, match=r"bad\.csv"):
        tables_in([bad, good])


def test_a_megabyte_in_one_cell_is_a_fault_of_its_row_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_text(f"Date,Block,kg,Remarks\n2026-03-02,A-01,1,{'x' * 1_000_000}\n2026-03-03,A-01,2,fine\n")
    (table,) = tables_in([path])
    huge, fine = (row.cells[3] for row in table.rows)
    assert isinstance(huge, Unread)
    assert huge.came == "1000000 characters"
    assert fine == "fine"


def test_a_quote_that_never_closes_loses_nothing_silently(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_text('Date,Block,kg\n2026-03-02,"A-01,1\n2026-03-03,A-02,2\n')
    (table,) = tables_in([path])
    assert "A-02" in str(table.rows[-1].cells)


def test_cells_of_many_lines(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_text('Date,Block,kg,Remarks\r\n2026-03-02,A-01,1,"two\r\nlines"\r\n2026-03-03,A-02,2,\r\n')
    (table,) = tables_in([path])
    assert [row.number for row in table.rows] == [2, 3]
    assert table.rows[0].cells[3] == "two\r\nlines"


def test_formulas_count_by_their_results(tmp_path: Path) -> None:
    """A workbook saved by a spreadsheet program keeps a result beside each formula; others may not."""
    lines: list[list[object]] = [["Date", "Block", "kg"], ["2026-03-02", "A-01", "=0.1+0.2"], ["2026-03-02", "A-02", 1]]
    path = workbook(tmp_path / "notes.xlsx", lambda book: rows(book, lines))
    (table,) = tables_in([path])
    assert isinstance(table.rows[0].cells[2], Unread)
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    assert b"<v/>" in parts[sheet] or b"<v />" in parts[sheet]
    parts[sheet] = parts[sheet].replace(b"<v />", b"<v>0.3</v>").replace(b"<v/>", b"<v>0.3</v>")
    path.write_bytes(packed(parts))
    (table,) = tables_in([path])
    assert [row.cells[2] for row in table.rows] == [0.3, 1]


def test_merged_cells_speak_for_every_row_they_cover(tmp_path: Path) -> None:
    def fill(book: Workbook) -> None:
        rows(book, [["Date", "Block", "kg"], ["2026-03-02", "A-01", 1], [None, "A-02", 2], ["2026-03-03", "A-01", 3]])
        assert book.active is not None
        book.active.merge_cells("A2:A3")

    (table,) = tables_in([workbook(tmp_path / "notes.xlsx", fill)])
    assert [row.cells[0] for row in table.rows] == ["2026-03-02", "2026-03-02", "2026-03-03"]


def test_percent_cells_stay_percentages(tmp_path: Path) -> None:
    def fill(book: Workbook) -> None:
        rows(book, [["Date", "Block", "Run"], [datetime(2026, 3, 2), "A-01", 0.4]])
        assert book.active is not None
        book.active["C2"].number_format = "0%"

    (table,) = tables_in([workbook(tmp_path / "notes.xlsx", fill)])
    assert table.rows[0].cells == (datetime(2026, 3, 2), "A-01", "40 %")


def test_hidden_sheets_are_left_alone(tmp_path: Path) -> None:
    def fill(book: Workbook) -> None:
        rows(book, [["Date", "Block", "kg"], ["2026-03-02", "A-01", 1]])
        hidden = book.create_sheet("old copy")
        hidden.append(["Date", "Block", "kg"])
        hidden.append(["2026-03-02", "A-01", 1])
        hidden.sheet_state = "hidden"

    path = workbook(tmp_path / "notes.xlsx", fill)
    assert len(load_workbook(path).worksheets) == 2
    assert [table.sheet for table in tables_in([path])] == ["Sheet"]


def test_empty_sheets_and_headings_alone_are_no_tables(tmp_path: Path) -> None:
    path = workbook(tmp_path / "notes.xlsx", lambda book: rows(book, [["Date", "Block", "kg"]]))
    assert tables_in([path]) == []
    assert tables_in([workbook(tmp_path / "empty.xlsx", lambda book: None)]) == []


@pytest.mark.parametrize(
    ("text", "delimiter"),
    [
        ("Date;kg\n1/2/2026;0,5\n", ";"),
        ("Date\tkg\n1/2/2026\t0,5\n", "\t"),
        ("Date|kg\n1/2/2026|0,5\n", "|"),
        ("remarks, with commas\nand, more\nDate;kg\n1/2/2026;0,5\n2/2/2026;0,7\n", ";"),
        ('Date,kg\n1/2/2026,"0,5"\n', ","),
        ("a;b;c\n1,5;2,5;3,5\n2,5;3,5;4,5\n", ";"),
    ],
)
def test_delimiters(text: str, delimiter: str) -> None:
    assert delimiter_of(text) == delimiter


def test_a_declared_delimiter_is_believed(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_text("sep=|\nDate|Block|kg\n2026-03-02|A-01|1\n")
    (table,) = tables_in([path])
    assert table.columns == ("Date", "Block", "kg")
    assert table.rows[0].number == 3


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "mac_roman", "cp850"]
)
def test_encodings_of_the_west(encoding: str) -> None:
    text = "Fecha;Año;°C;Größe\n" + "2026-03-02;1;20 °C;5\n" * 20
    assert decoded(text.encode(encoding), "notes.csv") == text.encode(encoding).decode(encoding).removeprefix("\ufeff")


def test_an_encoding_of_elsewhere_is_found_by_its_letters() -> None:
    text = "Дата;Блок;Вес кг;Примечания\n" + "2026-03-02;А-01;0,5;маленькие шляпки, собраны поздно\n" * 20
    assert decoded(text.encode("cp1251"), "notes.csv") == text
