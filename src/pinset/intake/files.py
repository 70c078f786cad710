"""Opening a file of notes, whatever it is."""

from __future__ import annotations

from pathlib import Path

from pinset.intake.delimited import read_delimited
from pinset.intake.guard import check_known, check_size
from pinset.intake.table import Grid
from pinset.intake.workbook import read_workbook


def read(path: Path) -> list[Grid]:
    """The sheets of an xlsx workbook, or the one table of a text file; raises NotNotes or TooLarge.

    What a file is, its first bytes say, not its name: many a ``.csv`` is a workbook renamed.
    """
    if not path.is_file():
        raise FileNotFoundError(f"needed a file of notes; found none at {path}")
    check_size(path.stat().st_size, path.name)
    with path.open("rb") as file:
        start = file.read(16)
    check_known(start, path.name)
    return read_workbook(path) if start.startswith(b"PK\x03\x04") else [read_delimited(path)]
