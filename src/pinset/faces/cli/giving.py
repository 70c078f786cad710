"""Giving the whole record out of hand, in files that any program reads."""

from __future__ import annotations

from pathlib import Path

from pinset.faces.cli.finding import open_farm
from pinset.faces.cli.options import FarmFolder


class NothingToWrite(ValueError):
    """Needed what to write: --package FILE.zip for programs and for coming back, --spreadsheet FILE.xlsx for people."""


def give(*, package: Path | None = None, spreadsheet: Path | None = None, farm: FarmFolder = None) -> None:
    """Give everything out, in open formats.

    Parameters
    ----------
    package: Path
        A zip file with the whole record, exact: pinset start DIR --from FILE.zip makes the same record of it.
    spreadsheet: Path
        An xlsx workbook for people: one sheet a table.
    """
    if package is None and spreadsheet is None:
        raise NothingToWrite(NothingToWrite.__doc__)
    with open_farm(farm) as opened:
        if package is not None:
            from pinset.giving.package import write_package

            made = write_package(opened, package)
            print(f"Gave {made.entries} entries in {made.tables} tables to {made.path}.")
        if spreadsheet is not None:
            from pinset.giving.spreadsheet import write_spreadsheet

            made = write_spreadsheet(opened, spreadsheet)
            print(f"Gave {made.tables} tables to {made.path}, a sheet each.")
