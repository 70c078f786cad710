"""Taking 100,000 rows of an invented csv file into a new record: read, guessed, held against the record, kept on disk.

The peer is the least that could be done with the same file: parse it with the standard library, and write each row as
JSON in the same chunks into SQLite with the same pledge that a commit is on disk. Run: python -m bench.intake [ROWS]
"""

from __future__ import annotations

import csv
import json
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from bench.row import Row, print_rows
from pinset.farm import Farm
from pinset.intake.desk import take_files

ROWS = 100_000
PICKS_OF_A_UNIT = 4
UNITS_OF_A_BATCH = 50
SECONDS = 20.0
CHUNK = 5_000


def write_notes(folder: Path, rows: int) -> list[Path]:
    """A file of batches and a file of ``rows`` picks, as a grower's spreadsheet exports them."""
    units = rows // PICKS_OF_A_UNIT
    made, picked = folder / "made.csv", folder / "picked.csv"
    with made.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["Batch", "Made on", "Blocks", "kg each"])
        writer.writerows(_batches(units // UNITS_OF_A_BATCH + 1))
    with picked.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=";")
        writer.writerow(["Picked", "Block", "Flush", "Weight kg", "Remarks"])
        writer.writerows(_picks(rows))
    return [made, picked]


def _day(batch: int, after: int = 0) -> str:
    day = date(2020, 1, 6) + timedelta(days=batch + after)
    return f"{day:%d/%m/%Y}"


def _batches(count: int) -> Iterator[list[str]]:
    for batch in range(count):
        yield [f"B{batch:05d}", _day(batch), str(UNITS_OF_A_BATCH), "2.2"]


def _picks(count: int) -> Iterator[list[str]]:
    for n in range(count):
        unit, flush = divmod(n, PICKS_OF_A_UNIT)
        batch, number = divmod(unit, UNITS_OF_A_BATCH)
        weight = f"0,{100 + n * 7919 % 199}"
        yield [_day(batch, 20 + 14 * flush), f"B{batch:05d}-{number + 1:02d}", str(flush + 1), weight, ""]


def taken(folder: Path, files: list[Path]) -> tuple[float, int]:
    """How long the files take, from opening them to the last commit, and how many entries were kept."""
    with Farm.start(folder / "record", "Bench farm", zone="Europe/Vienna") as farm:
        began = time.perf_counter()
        _, done = take_files(farm, files)
        return time.perf_counter() - began, done.kept


def plainly(folder: Path, files: list[Path]) -> float:
    """How long it takes to parse the files and write each row as JSON, with nothing understood or checked."""
    with closing(sqlite3.connect(folder / "plain.db", isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE line (n INTEGER PRIMARY KEY, body TEXT NOT NULL)")
        began = time.perf_counter()
        for path, delimiter in zip(files, ",;", strict=True):
            with path.open(newline="", encoding="utf-8") as file:
                lines = [json.dumps(row) for row in csv.DictReader(file, delimiter=delimiter)]
            for start in range(0, len(lines), CHUNK):
                connection.execute("BEGIN")
                some = ((line,) for line in lines[start : start + CHUNK])
                connection.executemany("INSERT INTO line (body) VALUES (?)", some)
                connection.execute("COMMIT")
        return time.perf_counter() - began


def rows(count: int = ROWS) -> list[Row]:
    """Taking the notes beside writing them down unread."""
    with TemporaryDirectory() as there:
        folder = Path(there)
        files = write_notes(folder, count)
        peer = plainly(folder, files)
        seconds, kept = taken(folder, files)
    what = f"take {count:,} csv rows, {kept:,} entries kept"
    target = f"< {SECONDS * count / ROWS:g} s"
    met = seconds < SECONDS * count / ROWS and kept >= count
    return [Row(what, f"{seconds:.1f} s", f"write them unread {peer:.2f} s", seconds / peer, target, met)]


if __name__ == "__main__":
    print_rows(rows(int(sys.argv[1]) if len(sys.argv) > 1 else ROWS))
