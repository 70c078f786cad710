"""A record in PostgreSQL, a record carried and a record brought up to date, all by command."""

from __future__ import annotations

from pathlib import Path

from pinset.journal.sqlite import FILE_NAME
from pinset.journal.store import POINTER
from tests.faces.running import Run
from tests.older import older_record


def test_a_record_in_postgresql_is_used_as_any_other(run: Run, database: str, tmp_path: Path) -> None:
    assert run("start", "hill-farm", "--store", database)[0] == 0
    assert (tmp_path / "hill-farm" / POINTER).is_file() and not (tmp_path / "hill-farm" / FILE_NAME).exists()
    assert run("note", "make", "batch=A1", "units=3", "fill=2.2kg", "--farm", "hill-farm")[1].startswith("kept")
    assert "1 batches, 3 units" in run("check", "--farm", "hill-farm")[1]
    assert "Store      PostgreSQL 1" in run("check", "--farm", "hill-farm")[1]
    assert "All 1 entries" in run("verify", "--farm", "hill-farm")[1]
    code, _, complaint = run("backup", "--farm", "hill-farm")
    assert code == 2 and "pg_dump" in complaint and "pinset carry" in complaint
    code, _, complaint = run("start", "hill-farm")
    assert code == 2 and "nothing was changed" in complaint


def test_a_record_is_carried_there_and_back(run: Run, database: str) -> None:
    run("start", "farm")
    run("note", "make", "batch=A1", "units=3", "fill=2.2kg", "--farm", "farm")
    code, out, _ = run("carry", "farm", "in-database", "--store", database)
    assert code == 0 and "Carried 1 entries of farm to PostgreSQL database" in out
    assert "pick" not in out and run("note", "pick", "unit=A1-01", "weight=1kg", "--farm", "in-database")[0] == 0
    assert run("carry", "in-database", "back")[0] == 0
    assert "All 2 entries" in run("verify", "--farm", "back")[1]
    assert "All 1 entries" in run("verify", "--farm", "farm")[1]


def test_a_database_that_cannot_be_reached_is_told_in_a_sentence(run: Run, tmp_path: Path) -> None:
    code, _, complaint = run("start", "farm", "--store", f"postgresql://nobody@/none?host={tmp_path}")
    assert code == 2 and complaint.startswith("The database could not be reached") and "Traceback" not in complaint


def test_an_older_record_is_backed_up_and_brought_up_to_date(run: Run, tmp_path: Path) -> None:
    older_record(tmp_path / "farm")
    code, _, complaint = run("verify", "--farm", "farm")
    assert code == 2 and "pinset upgrade" in complaint
    code, out, _ = run("upgrade", "--farm", "farm")
    assert code == 0 and "Backed up to" in out and "is up to date" in out
    assert "All 3 entries" in run("verify", "--farm", "farm")[1]
    assert run("upgrade", "--farm", "farm")[0] == 0
