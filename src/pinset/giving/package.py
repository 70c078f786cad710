"""Writing a farm's whole record as a Data Package: one file, in open formats, that holds everything."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Final

from pinset.farm import Farm
from pinset.giving.exact import EXACT, select_sql
from pinset.giving.schema import PROFILES, Table
from pinset.giving.tidy import GIVEN, tidied, tidy
from pinset.journal.farms import FarmSettings
from pinset.journal.store import Connection
from pinset.ledger.build import LEDGER_VERSION, fingerprint

DESCRIPTION: Final = "datapackage.json"
_MOMENT: Final = (1980, 1, 1, 0, 0, 0)  # the same in every package: one record gives one file, byte for byte
_FILE: Final = 0o100644 << 16


@dataclass(frozen=True, slots=True)
class Given:
    """What was written."""

    path: Path
    entries: int
    tables: int


def write_package(farm: Farm, path: Path) -> Given:
    """Write all that a farm's record holds into a new zip file, as one unchanging view.

    The journal's tables are exact: `pinset.giving.back` makes the same record of them. The ledger's are for people.
    The same record gives the same bytes. Raises FileExistsError where there is a file already.
    """
    with new_file(path) as part, farm.store.read() as connection:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
            resources = [
                _write_table(archive, table, rows) for table, rows in _tables(connection, farm.settings)
            ]  # fmt: skip
            described = _description(connection, farm.settings) | {"resources": resources}
            archive.writestr(_place(DESCRIPTION), json.dumps(described, indent=1, ensure_ascii=False))
        entries = farm.count()
    return Given(path, entries, len(resources))


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """A file to write beside the place where it will stand; it comes to stand there whole, or not at all."""
    if path.exists():
        raise FileExistsError(f"{path} is there already; give it another name. Nothing was changed")
    part = path.with_name(f".{path.name}.part")
    try:
        yield part
        with part.open("rb+") as written:
            os.fsync(written.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _tables(connection: Connection, farm: FarmSettings) -> Iterator[tuple[Table, Iterable[Sequence[Any]]]]:
    for table in EXACT:
        yield table, connection.execute(select_sql(table), (farm.id,))
    for each in GIVEN:
        told = tidy(each, farm)
        yield told.table, tidied(connection, farm, told)


def path_of(table: Table) -> str:
    """Where a table lies in the package.

    >>> path_of(EXACT[0])
    'journal/farm.csv'
    """
    return f"{'journal' if table in EXACT else 'ledger'}/{table.name}.csv"


def _place(name: str) -> zipfile.ZipInfo:
    place = zipfile.ZipInfo(name, _MOMENT)
    place.compress_type = zipfile.ZIP_DEFLATED
    place.create_system, place.external_attr = 3, _FILE
    return place


def _write_table(archive: zipfile.ZipFile, table: Table, rows: Iterable[Sequence[Any]]) -> dict[str, Any]:
    path = path_of(table)
    with archive.open(_place(path), "w", force_zip64=True) as raw:
        out = _Measured(raw)
        writer = csv.writer(out, lineterminator="\r\n")
        writer.writerow(table.columns)
        writer.writerows([_written(value) for value in row] for row in rows)
    return table.descriptor(path, out.size, out.hash.hexdigest())


def _written(value: Any) -> Any:
    if isinstance(value, bool):
        return "true" if value else "false"
    return value.isoformat() if isinstance(value, datetime) else value


class _Measured:
    """Writes text as UTF-8, and knows its size and hash."""

    def __init__(self, raw: IO[bytes]) -> None:
        self._raw, self.size, self.hash = raw, 0, hashlib.sha256()

    def write(self, text: str) -> int:
        """Write a text."""
        data = text.encode()
        self.size += len(data)
        self.hash.update(data)
        return self._raw.write(data)


def _description(connection: Connection, farm: FarmSettings) -> dict[str, Any]:
    sql = "SELECT kept_at FROM entry WHERE farm = ? ORDER BY place DESC LIMIT 1"
    newest = connection.execute(sql, (farm.id,)).fetchone()
    return {
        "$schema": f"{PROFILES}/datapackage.json",
        "name": "farm-record",
        "title": f"The whole record of {farm.name}",
        "description": "Made by pinset. The tables in journal/ are exact, and pinset makes the whole record of them "
        "again; those in ledger/ say the same for people and programs, one row a thing that was noted.",
        "created": newest[0] if newest else farm.made_at,
        "ledger": {"version": LEDGER_VERSION, "fingerprint": fingerprint(connection, farm.id)},
    }
