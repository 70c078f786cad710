"""Notes written to disk; the same notes always give the same bytes."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from openpyxl import Workbook
from openpyxl.writer.excel import ExcelWriter

from pinset.demo.sheets import Sheet
from pinset.demo.story import FARM, INVENTED

SAVED = datetime(2025, 7, 31, 18, 0)


def write_workbook(path: Path, sheets: Iterable[Sheet]) -> None:
    """Write sheets as an xlsx workbook."""
    book = Workbook(write_only=True)
    about = book.properties
    about.creator, about.title, about.description = FARM, f"{FARM}: {INVENTED}", INVENTED
    about.created = about.modified = SAVED
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        for line in sheet.lines():
            page.append(line)
    path.write_bytes(_timeless(book))


def _timeless(book: Workbook) -> bytes:
    """The workbook's bytes with every part dated alike: a zip file else tells when it was packed."""
    packed, timeless = io.BytesIO(), io.BytesIO()
    ExcelWriter(book, ZipFile(packed, "w")).save()
    with ZipFile(packed) as parts, ZipFile(timeless, "w", ZIP_DEFLATED) as out:
        for name in parts.namelist():
            out.writestr(ZipInfo(name, SAVED.timetuple()[:6]), parts.read(name), ZIP_DEFLATED)
    return timeless.getvalue()


def write_csv(path: Path, sheet: Sheet, delimiter: str, encoding: str) -> None:
    """Write a sheet as a csv file."""
    with path.open("w", encoding=encoding, newline="") as file:
        csv.writer(file, delimiter=delimiter, lineterminator="\r\n").writerows(sheet.lines())
