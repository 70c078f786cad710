"""Everything out and back by the commands, as a grower types them."""

from __future__ import annotations

import zipfile
from pathlib import Path

from tests.faces.running import Run


def test_everything_out_and_back(run: Run, tmp_path: Path) -> None:
    run("start", "farm", "--name", "Hill farm", "--decimal", ",")
    run("note", "make", "batch=A1", "units=3", "fill=2,2kg", "--farm", "farm")
    code, out, _ = run("give", "--package", "all.zip", "--spreadsheet", "all.xlsx", "--farm", "farm")
    assert code == 0 and "Gave 1 entries in 23 tables to all.zip." in out and "18 tables to all.xlsx" in out
    code, out, _ = run("start", "again", "--from", "all.zip")
    assert code == 0 and "the record of Hill farm in again from all.zip: 1 entries" in out
    assert run("note", "pick", "unit=A1-01", "weight=0,33kg", "--farm", "again")[1].startswith("kept")
    assert "All 2 entries are as they were kept" in run("verify", "--farm", "again")[1]
    code, _, complaint = run("give", "--package", "all.zip", "--farm", "farm")
    assert code != 0 and "another name" in complaint


def test_what_cannot_be_given_or_taken_back_is_told(run: Run, tmp_path: Path) -> None:
    run("start", "farm")
    code, _, complaint = run("give", "--farm", "farm")
    assert code != 0 and "--spreadsheet FILE.xlsx" in complaint
    (tmp_path / "bad.zip").write_bytes(b"PK no")
    code, _, complaint = run("start", "again", "--from", "bad.zip")
    assert code != 0 and "bad.zip: needed a whole package" in complaint and "Nothing was changed" in complaint
    with zipfile.ZipFile(tmp_path / "trick.zip", "w") as archive:
        archive.writestr("../record.db", b"")
    assert "leads elsewhere" in run("start", "again", "--from", "trick.zip")[2]
    assert not (tmp_path / "again").exists()
