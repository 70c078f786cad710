"""How fast entries are kept, beside what the disk and plain SQLite do with the same bytes in the same run.

The disk's own rate is that of one write and fdatasync after another into a file whose space is there already. Each
kept entry costs validation, two hashes, its ledger rows and one commit that reaches the disk.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bench.row import Row, print_rows
from pinset.farm import Farm
from pinset.journal.entry import Entry

ONE, MANY, BATCH = 600, 20_000, 100
ROUNDS = 5


def rows() -> Iterator[Row]:
    """Rates of keeping entries one by one and a hundred at a time."""
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder, Farm.start(Path(folder) / "farm", "Bench") as farm:
        farm.note("make", {"batch": "A", "units": "8", "fill": "2.2kg"})
        size = len(_picks(farm, 1)[0].canonical)
        ones, disks, plain = [], [], []
        for _ in range(ROUNDS):  # in turns, so that a slow moment of the disk falls on all of them
            disks.append(_disk(Path(folder) / "raw", size))
            plain.append(_plain(Path(folder) / "plain.db", size, ONE, 1))
            ones.append(_ours(farm, ONE, 1))
        yield _row("journal, one entry a commit", ones, disks, "one write and fdatasync, space there already", 0.75)
        yield _row(
            "journal, one entry a commit", ones, plain, "SQLite with one bare row a commit, synchronous=FULL", 0.75
        )
        hundreds = [_ours(farm, MANY // ROUNDS, BATCH) for _ in range(ROUNDS)]
        plain = [_plain(Path(folder) / "plain.db", size, MANY // ROUNDS, BATCH) for _ in range(ROUNDS)]
        yield _row("journal, 100 entries a commit", hundreds, plain, "SQLite with 100 bare rows a commit", 0.5)


def _row(what: str, ours: list[float], peers: list[float], peer: str, target: float) -> Row:
    ratio = median(mine / theirs for mine, theirs in zip(ours, peers, strict=True))
    return Row(
        what, f"{median(ours):,.0f}/s", f"{peer}: {median(peers):,.0f}/s", ratio, f">= {target:.0%}", ratio >= target
    )


def _picks(farm: Farm, count: int) -> list[Entry]:
    return [farm.entry("pick", {"units": ["A-01"], "weight_mg": 300_000 + n, "flush": 1}) for n in range(count)]


def _rate(count: int, work: Callable[[], None]) -> float:
    began = time.perf_counter()
    work()
    return count / (time.perf_counter() - began)


def _ours(farm: Farm, count: int, batch: int) -> float:
    entries = _picks(farm, count)

    def keep() -> None:
        for start in range(0, count, batch):
            farm.keep(entries[start : start + batch])

    return _rate(count, keep)


def _disk(path: Path, size: int) -> float:
    words = os.urandom(size)
    with path.open("wb") as made:
        made.write(bytes(size * ONE))
        os.fsync(made.fileno())
    handle = os.open(path, os.O_RDWR)
    sync = getattr(os, "fdatasync", os.fsync)

    def write() -> None:
        for n in range(ONE):
            os.lseek(handle, n * size, os.SEEK_SET)
            os.write(handle, words)
            sync(handle)

    try:
        return _rate(ONE, write)
    finally:
        os.close(handle)


def _plain(path: Path, size: int, count: int, batch: int) -> float:
    words = "x" * size
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE IF NOT EXISTS entry (pos INTEGER PRIMARY KEY, words TEXT)")

        def keep() -> None:
            for _ in range(0, count, batch):
                connection.execute("BEGIN IMMEDIATE")
                connection.executemany("INSERT INTO entry (words) VALUES (?)", [(words,)] * batch)
                connection.execute("COMMIT")

        return _rate(count, keep)


if __name__ == "__main__":
    print_rows(rows())
