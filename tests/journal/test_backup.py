"""Backups are made in use, tried before they are trusted, pruned by the stated rule, and come back whole.

They are copies of a SQLite file; a record in PostgreSQL is refused with what to do instead.
"""

from __future__ import annotations

import sqlite3
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.journal import backup as backing
from pinset.ledger import build

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def _fill(farm: Farm, count: int = 5) -> None:
    farm.note("make", {"batch": "A", "units": "3", "fill": "2kg"})
    for n in range(count):
        farm.note("pick", {"unit": "A-01", "weight": f"0.{n + 1} kg"})


def _ledger(farm: Farm) -> str:
    with farm.store.read() as connection:
        return build.fingerprint(connection, farm.settings.id)


def test_a_backup_comes_back_as_the_same_record_with_a_new_epoch(in_file: Farm, tmp_path: Path) -> None:
    _fill(in_file)
    made = backing.back_up(in_file.store, tmp_path / "copies", NOW)
    assert (made.entries, made.path.name) == (6, "record-20261125T120000Z.db")
    assert backing.restore(made.path, tmp_path / "again") == 6
    with Farm.open(tmp_path / "again") as again:
        assert again.verify() == []
        assert _ledger(again) == _ledger(in_file)
        assert again.settings.epoch != in_file.settings.epoch
    with pytest.raises(FileExistsError, match="Nothing was changed"):
        backing.restore(made.path, tmp_path / "again")


def test_a_backup_made_while_notes_come_in_holds_an_unbroken_beginning(in_file: Farm, tmp_path: Path) -> None:
    _fill(in_file)
    noting = threading.Thread(target=_note_many, args=(in_file,))
    noting.start()
    made = backing.back_up(in_file.store, tmp_path / "copies", NOW)
    noting.join()
    assert backing.faults_of(made.path) == []
    assert made.entries >= 6


def _note_many(farm: Farm) -> None:
    for n in range(60):
        farm.note("pick", {"unit": "A-02", "weight": f"0.{n + 1:03d} kg"})


def test_a_damaged_copy_is_not_taken_for_a_backup_and_older_ones_stay(
    in_file: Farm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _fill(in_file)
    good = backing.back_up(in_file.store, tmp_path, NOW - timedelta(days=1))
    with in_file.store.transaction() as connection:
        connection.execute("UPDATE entry SET body = replace(body, '2000000', '2000001')")
    with pytest.raises(backing.BackupNotSound, match="entry 1"):
        backing.back_up(in_file.store, tmp_path, NOW)
    assert [path for _, path in backing.backups(tmp_path)] == [good.path]
    assert not list(tmp_path.glob(".*"))


def test_a_damaged_backup_is_not_restored(in_file: Farm, tmp_path: Path) -> None:
    _fill(in_file)
    made = backing.back_up(in_file.store, tmp_path, NOW)
    made.path.write_bytes(b"not a database at all" * 300)
    with pytest.raises(backing.BackupNotSound, match="the one before it"):
        backing.restore(made.path, tmp_path / "again")
    assert not (tmp_path / "again").exists()


def test_a_torn_page_is_found(in_file: Farm, tmp_path: Path) -> None:
    _fill(in_file, 200)
    made = backing.back_up(in_file.store, tmp_path, NOW)
    content = bytearray(made.path.read_bytes())
    content[8192:12288] = bytes(4096)
    made.path.write_bytes(content)
    assert backing.faults_of(made.path)


def test_a_record_that_is_no_file_is_backed_up_otherwise(tmp_path: Path, database: str) -> None:
    with (
        Farm.start(tmp_path / "farm", "Trial farm", address=database) as farm,
        pytest.raises(backing.NotOneFile, match="pg_dump"),
    ):
        backing.back_up(farm.store, tmp_path / "copies", NOW)


def test_pruning_keeps_what_the_rule_says(tmp_path: Path) -> None:
    for hours in range(0, 24 * 900, 12):
        moment = NOW - timedelta(hours=hours)
        (tmp_path / moment.strftime("record-%Y%m%dT%H%M%SZ.db")).touch()
    (tmp_path / "record-of-our-holiday.db").touch()
    backing._prune(tmp_path, NOW)
    left = [moment for moment, _ in backing.backups(tmp_path)]
    ages = [(NOW - moment).days for moment in left]
    assert sum(age < 14 for age in ages) in (14, 15, 16)  # each day's newest, and the newest three
    assert 24 <= len({(moment.year, moment.month) for moment in left}) <= 25
    assert max(ages) <= 731
    assert (tmp_path / "record-of-our-holiday.db").exists()
    assert len(left) < 14 + 3 + 9 + 25


def test_a_copy_that_never_was_a_database_says_so(tmp_path: Path) -> None:
    with pytest.raises((sqlite3.OperationalError, backing.BackupNotSound)):
        backing.restore(tmp_path / "nowhere.db", tmp_path / "again")
