"""What a file may be before it is opened: limits named once, and what is no table told from what is."""

from __future__ import annotations

import io
import zipfile
from typing import Final

MOST_BYTES: Final = 100_000_000  # of a file
MOST_UNPACKED: Final = 400_000_000  # of everything inside a workbook
MOST_RATIO: Final = 300  # unpacked to packed; spreadsheets come to 5 to 30
RATIO_FROM: Final = 20_000_000  # unpacked bytes from which the ratio counts: small files may pack very well
MOST_PARTS: Final = 2_000
MOST_SHEETS: Final = 200
MOST_ROWS: Final = 600_000
MOST_COLUMNS: Final = 256
MOST_TEXT: Final = 32_767  # characters in a cell, as spreadsheets have it

_OTHER_FILES: Final = {
    b"\xd0\xcf\x11\xe0": "an old .xls workbook, or one with a password: save it as .xlsx without a password",
    b"%PDF": "a PDF: type or export it as .xlsx or .csv",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"\x1f\x8b": "a packed file: unpack it first",
    b"SQLite format 3": "a database",
}


class NotNotes(ValueError):
    """The file is not a table that can be read."""


class TooLarge(ValueError):
    """The file is larger than a farm's notes can be; it was not opened."""


def check_size(size: int, file: str) -> None:
    """Refuse a file of more bytes than notes can have, or of none."""
    if size == 0:
        raise NotNotes(f"{file}: needed a table; came an empty file")
    if size > MOST_BYTES:
        raise TooLarge(f"{file}: needed at most {MOST_BYTES // 1_000_000} MB; came {size // 1_000_000} MB")


def check_known(start: bytes, file: str) -> None:
    """Refuse what its first bytes show to be something else, and say what to do."""
    for magic, what in _OTHER_FILES.items():
        if start.startswith(magic):
            raise NotNotes(f"{file}: needed an .xlsx workbook or a .csv table; came {what}")


def check_archive(data: bytes, file: str) -> None:
    """Refuse a workbook that would unpack to more than notes can be, before anything of it is unpacked."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError) as fault:
        raise NotNotes(f"{file}: needed a whole .xlsx workbook; came a damaged file ({fault})") from fault
    unpacked = sum(part.file_size for part in parts)
    if len(parts) > MOST_PARTS or unpacked > MOST_UNPACKED:
        raise TooLarge(
            f"{file}: needed at most {MOST_UNPACKED // 1_000_000} MB in {MOST_PARTS} parts when unpacked; "
            f"came {unpacked // 1_000_000} MB in {len(parts)}"
        )
    if unpacked > RATIO_FROM and unpacked > MOST_RATIO * len(data):
        raise TooLarge(f"{file}: unpacks to {unpacked // len(data)} times its size, as no spreadsheet does")
    _check_parts({part.filename for part in parts}, file)


def _check_parts(names: set[str], file: str) -> None:
    if "xl/workbook.xml" in names:
        return
    what = "an OpenDocument sheet: save it as .xlsx" if "content.xml" in names else "a packed file that is no workbook"
    raise NotNotes(f"{file}: needed an .xlsx workbook or a .csv table; came {what}")
