"""A farm's record moves between file and database, either way, and is the same record there."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import pytest

from pinset.farm import Farm, carried
from pinset.journal.carry import NotCarried
from pinset.journal.keep import kept
from pinset.journal.sqlite import FILE_NAME
from pinset.journal.store import POINTER
from pinset.ledger import build


def _fill(farm: Farm) -> None:
    farm.note("make", {"batch": "A", "units": "3", "fill": "2kg", "recipe": "straw"})
    first = farm.note("pick", {"unit": "A-01", "weight": "0,4 kg", "remarks": "nach dem Gießen"})
    farm.note("pick", {"unit": "A-01", "weight": "0,3 kg"}, replaces=first.id)
    farm.note("pick", {"unit": "B-09", "weight": "0,3 kg"})
    entry = farm.entry("check", {"units": ["A-02"], "run": 0.35, "pinning": True})
    farm.keep([entry, dataclasses.replace(entry, by="somebody else")])
    with farm.store.transaction() as connection:
        connection.execute("INSERT INTO device VALUES (?, ?, ?, ?)", (farm.settings.id, "phone", entry.at, -40_000))


def _content(farm: Farm) -> tuple[object, ...]:
    with farm.store.read() as connection:
        beside = [
            connection.execute(f"SELECT * FROM {table} WHERE farm = ?", (farm.settings.id,)).fetchall()
            for table in ("conflict", "device", "aside")
        ]
        return list(kept(connection, farm.settings.id)), beside, build.fingerprint(connection, farm.settings.id)


@pytest.mark.parametrize("to_database", [False, True])
def test_what_arrives_is_what_was_sent(
    farm: Farm, tmp_path: Path, other_database: Callable[[], str], to_database: bool
) -> None:
    _fill(farm)
    address = other_database() if to_database else None
    with carried(farm, tmp_path / "new", address) as new:
        assert _content(new) == _content(farm)
        assert new.verify() == [] == farm.verify()
        assert dataclasses.replace(new.settings, epoch="") == dataclasses.replace(farm.settings, epoch="")
        assert new.settings.epoch != farm.settings.epoch
    with Farm.open(tmp_path / "new") as again:
        assert again.note("pick", {"unit": "A-03", "weight": "0,2 kg"}).word == "kept"
        assert again.verify() == []
    assert (tmp_path / "new" / POINTER).exists() == to_database


def test_a_record_that_does_not_hold_is_not_carried_and_leaves_no_trace(farm: Farm, tmp_path: Path) -> None:
    _fill(farm)
    with farm.store.owner() as connection:
        connection.execute("UPDATE entry SET body = replace(body, '400000', '500000') WHERE place = 2")
    with pytest.raises(NotCarried, match="entry 2"):
        carried(farm, tmp_path / "new")
    assert not (tmp_path / "new" / FILE_NAME).exists()


def test_a_ledger_that_is_not_what_the_entries_say_is_not_carried(farm: Farm, tmp_path: Path) -> None:
    _fill(farm)
    with farm.store.owner() as connection:
        connection.execute("DELETE FROM unit")
    with pytest.raises(NotCarried, match="pinset rebuild"):
        carried(farm, tmp_path / "new")


def test_a_folder_that_has_a_record_takes_no_other(farm: Farm, folder: Path) -> None:
    with pytest.raises(FileExistsError, match="nothing was changed"):
        carried(farm, folder)
    assert farm.verify() == []
