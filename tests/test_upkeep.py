"""A record is backed up once a day, its backup is tried once a month, and the grower is warned where either fails."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from pinset import upkeep
from pinset.faces.web.site import site
from pinset.farm import Farm
from pinset.journal import backup as backing
from tests.faces.serving import visited
from tests.homes import cluster, database

__all__ = ["cluster", "database"]
NOW = datetime.now(UTC) + timedelta(days=100)


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Farm]:
    with Farm.start(tmp_path / "farm", "Trial farm") as started:
        started.note("make", {"batch": "A", "units": "3", "fill": "2kg"})
        yield started


def _note(farm: Farm) -> None:
    assert farm.note("pick", {"unit": "A-01", "weight": "0.3kg"}).word == "kept"


def test_a_backup_is_due_daily_where_entries_came_and_its_trial_monthly(farm: Farm) -> None:
    assert upkeep.due(farm, NOW) == ["backup", "trial"]
    first, tried = upkeep.do_what_is_due(farm, NOW)
    assert first.startswith("Backed up 1 entries to ") and tried.endswith("Z.db came back whole.")
    assert upkeep.due(farm, NOW + timedelta(days=5)) == []
    _note(farm)
    assert upkeep.due(farm, NOW + timedelta(hours=23)) == []
    assert upkeep.due(farm, NOW + timedelta(days=1)) == ["backup"]
    assert len(upkeep.do_what_is_due(farm, NOW + timedelta(days=1))) == 1
    assert upkeep.due(farm, NOW + timedelta(days=29)) == []
    assert upkeep.due(farm, NOW + timedelta(days=30)) == ["trial"]


def test_an_empty_record_needs_nothing(tmp_path: Path) -> None:
    with Farm.start(tmp_path / "new", "New") as farm:
        assert (upkeep.due(farm, NOW), upkeep.warning(farm, NOW)) == ([], "")


def test_a_backup_that_does_not_come_back_is_told_until_one_does(farm: Farm) -> None:
    made = upkeep.back_up(farm, None, NOW)
    made.path.write_bytes(made.path.read_bytes()[:5000] + bytes(5000))
    tried = upkeep.try_restore(farm, NOW)
    assert "is not sound" in tried.fault
    assert f"{made.path.name} did not come back whole" in upkeep.warning(farm, NOW)
    _note(farm)
    later = NOW + timedelta(days=1)
    assert upkeep.due(farm, later) == ["backup", "trial"]
    assert upkeep.do_what_is_due(farm, later)[1].endswith("came back whole.")
    assert upkeep.warning(farm, later) == ""


def test_a_ledger_that_is_not_what_the_entries_say_is_found_by_the_trial(farm: Farm) -> None:
    upkeep.back_up(farm, None, NOW)
    with farm.store.transaction() as connection:
        connection.execute("UPDATE unit SET arm = 'other'")
    later = NOW + timedelta(seconds=1)
    upkeep.back_up(farm, None, later)
    assert "the rows of a full replay" in upkeep.try_restore(farm, later).fault


def test_a_week_without_a_backup_is_warned_of_only_where_something_was_noted(farm: Farm) -> None:
    made_at = datetime.fromisoformat(farm.settings.made_at)
    assert upkeep.warning(farm, made_at + timedelta(days=6)) == ""
    assert upkeep.warning(farm, made_at + timedelta(days=8)).startswith("There is no backup of this record.")
    upkeep.back_up(farm, None, NOW)
    assert upkeep.warning(farm, NOW + timedelta(days=60)) == ""
    _note(farm)
    assert upkeep.warning(farm, NOW + timedelta(days=6)) == ""
    told = upkeep.warning(farm, NOW + timedelta(days=8))
    assert told.startswith("The newest good backup is 8 days old, and 1 entries came since.")


def test_a_backup_that_cannot_be_made_is_told(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backing, "back_up", full)
    assert "No space left" in upkeep.do_what_is_due(farm, NOW)[0]
    assert "No space left" in upkeep.warning(farm, NOW)
    assert upkeep.due(farm, NOW) == ["backup", "trial"]


def test_a_backup_elsewhere_counts_and_one_that_was_taken_away_does_not(farm: Farm, tmp_path: Path) -> None:
    made = upkeep.back_up(farm, tmp_path / "stick", NOW)
    assert str(tmp_path / "stick") in upkeep.backup_told(farm, NOW)
    made.path.unlink()
    assert upkeep.backup_told(farm, NOW).startswith("none yet")


@pytest.mark.parametrize("words", ["", "[]", "{}", '{"copied": {"at": "x"}, "tried": null, "fault": ""}', "\ufeff"])
def test_a_state_that_cannot_be_read_is_none(words: str, farm: Farm) -> None:
    path = farm.store.path.parent / upkeep.STATE  # type: ignore[attr-defined]
    path.write_text(words, encoding="utf-8")
    assert upkeep.state(farm) == upkeep.State()
    upkeep.back_up(farm, None, NOW)
    assert json.loads(path.read_text(encoding="utf-8"))["copied"]["entries"] == 1


def test_a_record_in_a_database_is_left_to_its_own_tools(tmp_path: Path, database: str) -> None:
    with Farm.start(tmp_path / "farm", "Trial farm", address=database) as farm:
        assert (upkeep.due(farm, NOW), upkeep.warning(farm, NOW)) == ([], "")
        assert "pg_dump" in upkeep.backup_told(farm)
        with pytest.raises(backing.NotOneFile):
            upkeep.back_up(farm)


def test_the_keeper_does_it_in_the_background(farm: Farm) -> None:
    with upkeep.Keeper(farm, every=0.05):
        end = time.monotonic() + 60
        while upkeep.state(farm).tried is None and time.monotonic() < end:
            time.sleep(0.05)
    assert upkeep.state(farm).copied is not None
    assert "came back whole" in upkeep.trial_told(farm)


def test_the_keeper_ends_at_once(farm: Farm) -> None:
    began = time.monotonic()
    with upkeep.Keeper(farm):
        pass
    assert time.monotonic() - began < 20


def _first_page(farm: Farm) -> str:
    with visited(site(farm)) as client:
        found: httpx.Response = client.get("/")
    assert found.status_code == 200
    return found.text


def test_the_first_page_warns_and_tells_of_the_trial(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "Look after the backups." not in _first_page(farm)
    past = datetime.now(UTC) - timedelta(days=12)
    upkeep.back_up(farm, None, past)
    upkeep.try_restore(farm, past)
    _note(farm)
    page = _first_page(farm)
    assert "Look after the backups." in page and "12 days old" in page
    assert f"on {past.date()} record-" in page and "came back whole" in page
