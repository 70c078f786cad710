"""A package holds everything, tells what each column means, and gives the same record back."""

from __future__ import annotations

import csv
import io
import json
import warnings
import zipfile
from pathlib import Path
from typing import Any

import pytest

from pinset.farm import Farm
from pinset.giving.back import start_from
from pinset.giving.exact import EXACT
from pinset.giving.package import DESCRIPTION, write_package
from pinset.giving.tidy import GIVEN
from pinset.journal.keep import kept
from pinset.ledger import build
from pinset.ledger.tables import TABLES, table_name
from tests.giving.conftest import TRICKY


def _journal(farm: Farm) -> list[Any]:
    with farm.store.read() as connection:
        found: list[Any] = [*kept(connection, farm.settings.id)]
        for table in EXACT[2:]:
            found += map(tuple, connection.execute(f"SELECT * FROM {table.name} ORDER BY id").fetchall())
        return found


def _ledger(farm: Farm) -> str:
    with farm.store.read() as connection:
        return build.fingerprint(connection, farm.settings.id)


def _rows(path: Path, name: str) -> list[dict[str, str]]:
    with zipfile.ZipFile(path) as archive:
        return list(csv.DictReader(io.StringIO(archive.read(name).decode(), newline="")))


def test_a_package_comes_back_as_the_same_record(farm: Farm, tmp_path: Path) -> None:
    given = write_package(farm, tmp_path / "all.zip")
    with start_from(given.path, tmp_path / "again") as again:
        assert _journal(again) == _journal(farm)
        assert len(_journal(again)) == given.entries + 2
        assert _ledger(again) == _ledger(farm)
        assert again.verify() == []
        assert again.settings.epoch != farm.settings.epoch
        assert again.note("pick", {"unit": "A-02", "weight": "1kg"}).word == "kept"


def test_it_comes_back_into_another_database_too(tmp_path: Path, database: str) -> None:
    from tests.giving.conftest import fill

    with Farm.start(tmp_path / "farm", "Trial farm", decimal_mark=",") as farm:
        fill(farm)
        given = write_package(farm, tmp_path / "all.zip")
        with start_from(given.path, tmp_path / "again", database) as again:
            assert (_journal(again), _ledger(again), again.verify()) == (_journal(farm), _ledger(farm), [])


def test_what_came_back_gives_the_same_package_but_for_its_epoch(farm: Farm, tmp_path: Path) -> None:
    first = write_package(farm, tmp_path / "1.zip").path
    second = write_package(farm, tmp_path / "2.zip").path
    assert first.read_bytes() == second.read_bytes()
    with start_from(first, tmp_path / "again") as again:
        third = write_package(again, tmp_path / "3.zip").path
    with zipfile.ZipFile(first) as one, zipfile.ZipFile(third) as other:
        differing = {name for name in one.namelist() if one.read(name) != other.read(name)}
    assert differing == {DESCRIPTION, "journal/farm.csv"}


def test_an_independent_reader_finds_the_package_valid(farm: Farm, tmp_path: Path) -> None:
    path = write_package(farm, tmp_path / "all.zip").path
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from frictionless import Package

        with zipfile.ZipFile(path) as archive:
            archive.extractall(tmp_path / "open")
        package: Any = Package(str(tmp_path / "open" / DESCRIPTION))
        report = package.validate()
        picks = package.get_resource("picked").read_rows()
    assert report.valid, report.flatten(["name", "rowNumber", "fieldNumber", "type", "note"])
    assert report.stats["tasks"] == len(EXACT) + len(GIVEN)
    assert [float(row["weight_kg"]) for row in picks if row["shared"]] == [0.1655, 0.1655]


def test_an_independent_reader_finds_what_is_not_valid(farm: Farm, tmp_path: Path) -> None:
    path = write_package(farm, tmp_path / "all.zip").path
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from frictionless import Package

        with zipfile.ZipFile(path) as archive:
            archive.extractall(tmp_path / "open")
        units = tmp_path / "open" / "ledger" / "unit.csv"
        units.write_bytes(units.read_bytes().replace(b",A,", b",B,", 1))
        report = Package(str(tmp_path / "open" / DESCRIPTION)).validate()
    assert {kind for (kind,) in report.flatten(["type"])} == {"hash-count", "foreign-key"}


def test_tables_for_people_have_kilograms_money_and_days(farm: Farm, tmp_path: Path) -> None:
    path = write_package(farm, tmp_path / "all.zip").path
    pick = next(row for row in _rows(path, "ledger/picked.csv") if row["subject"] == "A-02")
    spawn = next(row for row in _rows(path, "ledger/lot.csv") if row["code"] == "SP1")
    assert (pick["at"], pick["weight_kg"], pick["shared"]) == ("2026-07-01T12:00:00+02:00", "0.1655", "true")
    assert (spawn["code"], spawn["weight_kg"], spawn["cost"]) == ("SP1", "10.0", "80.0")
    assert _rows(path, "ledger/remark.csv")[0]["text"] == TRICKY


def test_every_column_says_what_it_is(farm: Farm, tmp_path: Path) -> None:
    path = write_package(farm, tmp_path / "all.zip").path
    with zipfile.ZipFile(path) as archive:
        described = json.loads(archive.read(DESCRIPTION))
    assert len(described["resources"]) == len(EXACT) + len(TABLES) - 1
    fields = {field["name"]: field for one in described["resources"] for field in one["schema"]["fields"]}
    assert all(field["description"].endswith(".") for field in fields.values())
    units = {name: fields[name].get("unit") for name in ("weight_kg", "cost", "held_min", "run", "code")}
    assert [*units.values()] == ["kg", "EUR", "minutes", "fraction from 0 to 1", None]
    assert not [name for name in fields if name.endswith(("_mg", "_minor"))]


def test_every_column_of_the_journal_is_given(farm: Farm) -> None:
    if farm.store.dialect != "sqlite":
        return
    with farm.store.read() as connection:
        for table in EXACT:
            there = {row[1] for row in connection.execute(f"PRAGMA table_info({table.name})")}
            assert there - {"pos"} == set(table.columns), table.name
        others = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    made = {table_name(table) for table in TABLES} | {"ledger_version", "ledger_made", "alembic_version"}
    assert {name for name in others if not name.startswith("sqlite_")} - made == {table.name for table in EXACT}


def test_a_file_that_is_there_is_not_written_over(farm: Farm, tmp_path: Path) -> None:
    (tmp_path / "all.zip").write_text("mine")
    with pytest.raises(FileExistsError, match="another name"):
        write_package(farm, tmp_path / "all.zip")
    assert (tmp_path / "all.zip").read_text() == "mine"
