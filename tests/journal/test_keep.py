"""Keeping: each offer is answered by itself, and nothing kept is ever changed."""

from __future__ import annotations

import dataclasses
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.journal.entry import Entry, NotAnEntry, checked
from pinset.journal.farms import NoSuchFarm
from pinset.journal.keep import chain_faults, kept
from pinset.journal.sqlite import FILE_NAME, connect
from pinset.journal.store import NoRecordHere, RecordTooNew, RecordTooOld
from pinset.ledger.tables import Batch, Labour, Picked, Remark, Unit


def _pick(farm: Farm, unit: str = "A-01", weight: int = 328_000) -> Entry:
    return farm.entry("pick", {"units": [unit], "weight_mg": weight})


def _make(farm: Farm, code: str = "A", units: int = 2) -> Entry:
    return farm.entry("make", {"batch": code, "units": units, "fill_mg": 2_200_000})


def test_a_repeat_is_already_kept_and_another_body_is_a_conflict_that_changes_nothing(farm: Farm) -> None:
    entry = _make(farm)
    other = dataclasses.replace(entry, body={**entry.body, "units": 3})
    assert [outcome.word for outcome in farm.keep([entry, entry, other])] == ["kept", "already kept", "conflict"]
    assert farm.keep([other])[0].faults[0].needed == "the same words as were kept under this id"
    found = farm.find(entry.id)
    assert found is not None and found.entry.body["units"] == 2
    with farm.store.read() as connection:
        assert connection.execute("SELECT count(*) FROM conflict").fetchone() == (1,)


def test_an_entry_about_something_not_there_yet_waits_and_counts_once_it_arrives(farm: Farm) -> None:
    outcome = farm.keep([_pick(farm)])[0]
    assert (outcome.word, outcome.faults[0].needed) == ("waiting", "A-01 on record")
    assert farm.keep([_make(farm)])[0].word == "kept"
    assert farm.keep([_pick(farm)])[0].word == "kept"


def test_a_refused_entry_leaves_the_others_kept(farm: Farm) -> None:
    wrong = farm.entry("pick", {"units": ["A-01"], "weight_mg": -1})
    assert [outcome.word for outcome in farm.keep([_make(farm), wrong])] == ["kept", "refused"]
    assert farm.find(wrong.id) is None


def test_an_entry_of_another_farm_is_refused(farm: Farm) -> None:
    stranger = dataclasses.replace(_make(farm), farm="somebody else's")
    outcome = farm.keep([stranger])[0]
    assert (outcome.word, outcome.faults[0].where) == ("refused", "farm")


def test_entry_and_rows_are_kept_together_or_not_at_all(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("pinset.ledger.build.apply", breaks)
    entry = _make(farm)
    with pytest.raises(sqlite3.OperationalError):
        farm.keep([entry])
    monkeypatch.undo()
    assert farm.find(entry.id) is None
    assert farm.keep([entry])[0].word == "kept"
    assert farm.verify() == []


def test_a_correction_takes_the_rows_away_and_a_note_cancels(farm: Farm) -> None:
    farm.keep([_make(farm)])
    first = _pick(farm)
    second = dataclasses.replace(_pick(farm, weight=228_000), replaces=first.id)
    third = farm.entry("note", {"text": "weighed the wrong bag"}, replaces=second.id)
    weights = []
    for entry in (first, second, third):
        farm.keep([entry])
        with farm.reader() as ledger:
            weights.append([pick.weight_mg for pick in ledger.rows(Picked)])
    assert weights == [[328_000], [228_000], []]


def test_a_code_given_twice_stays_with_the_earlier_note_and_comes_free_when_that_is_cancelled(farm: Farm) -> None:
    early, late = _make(farm, units=2), _make(farm, units=5)
    early = dataclasses.replace(early, noted_at="2026-03-01T08:00:00Z")
    late = dataclasses.replace(late, noted_at="2026-03-02T08:00:00Z")
    farm.keep([late])
    farm.keep([early])
    with farm.reader() as ledger:
        assert [batch.units for batch in ledger.rows(Batch)] == [2]
    farm.keep([farm.entry("note", {"text": "never made"}, replaces=early.id)])
    with farm.reader() as ledger:
        assert [batch.units for batch in ledger.rows(Batch)] == [5]
        assert ledger.count(Unit) == 5
    assert farm.verify() == []


def test_several_units_weighed_together_share_the_weight_to_the_milligram(farm: Farm) -> None:
    farm.keep([_make(farm, units=3)])
    farm.note("pick", {"units": "A-01..03", "weight": "1 kg", "minutes": "12", "remarks": "small caps"})
    with farm.reader() as ledger:
        picks = ledger.rows(Picked)
        assert sum(pick.weight_mg for pick in picks) == 1_000_000
        assert {pick.shared for pick in picks} == {1}
        assert ledger.rows(Labour)[0].minutes == 12
        assert ledger.rows(Remark)[0].text == "small caps"
        assert len(ledger.of(Picked, "subject", ["A-01", "A-03"])) == 2


@pytest.mark.parametrize("damage", [
    "UPDATE entry SET body = replace(body, '2200000', '2200001') WHERE place = 1",
    "UPDATE entry SET at = '2026-01-01T00:00:00+00:00' WHERE place = 2",
    "UPDATE entry SET kept_at = '2026-01-01T00:00:00Z' WHERE place = 3",
    "DELETE FROM entry WHERE place = 2",
    "DELETE FROM entry WHERE place = 3",
    "UPDATE entry SET place = place + 10 WHERE place = 3",
    "UPDATE farm SET currency = 'USD'",
    "UPDATE picked SET weight_mg = weight_mg + 1",
    "DELETE FROM unit",
])  # fmt: skip
def test_verify_finds_every_changed_missing_or_misplaced_thing(farm: Farm, folder: Path, damage: str) -> None:
    farm.keep([_make(farm), _pick(farm), _pick(farm, "A-02")])
    assert farm.verify() == []
    with farm.store.owner() as connection:
        connection.execute(damage)
    with Farm.open(folder) as opened:
        assert opened.verify() != []


def test_kept_entries_come_back_as_they_were_noted(farm: Farm) -> None:
    offered = [_make(farm), _pick(farm)]
    farm.keep(offered)
    with farm.store.read() as connection:
        back = [one.entry for one in kept(connection, farm.settings.id)]
        assert chain_faults(connection, farm.settings) == []
    assert back == [checked(entry) for entry in offered]


def test_the_record_is_found_again_and_strangers_are_named(farm: Farm, folder: Path, tmp_path: Path) -> None:
    with Farm.open(folder, "Trial farm") as opened:
        assert opened.settings == farm.settings
    with pytest.raises(NoSuchFarm, match="Trial farm"):
        Farm.open(folder, "Elsewhere")
    with pytest.raises(NoRecordHere, match="pinset start"):
        Farm.open(tmp_path / "nowhere")
    with pytest.raises(FileExistsError, match="nothing was changed"):
        Farm.start(folder, "Again")


@pytest.mark.parametrize(("version", "fault"), [("9999", RecordTooNew), ("0000", RecordTooOld)])
def test_a_record_of_another_version_is_not_touched(
    farm: Farm, folder: Path, version: str, fault: type[Exception]
) -> None:
    with farm.store.owner() as connection:
        connection.execute("UPDATE alembic_version SET version_num = ?", (version,))
    with pytest.raises(fault):
        Farm.open(folder)


@pytest.mark.parametrize("damage", [
    "DELETE FROM ledger_version", "UPDATE ledger_version SET version = 0", "DELETE FROM ledger_made",
])  # fmt: skip
def test_a_ledger_of_an_older_make_is_made_again_on_opening(farm: Farm, folder: Path, damage: str) -> None:
    farm.keep([_make(farm)])
    with farm.store.owner() as connection:
        connection.execute(damage)
    with Farm.open(folder) as opened, opened.reader() as ledger:
        assert [batch.code for batch in ledger.rows(Batch, code="A")] == ["A"]


def test_the_file_is_set_to_survive_a_power_cut(in_file: Farm, folder: Path) -> None:
    connection = connect(folder / FILE_NAME)
    settings = [connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")]
    connection.close()
    assert settings == ["wal", 2]
    assert in_file.store.place == str(folder / FILE_NAME)


@pytest.mark.parametrize(("changes", "where"), [
    ({"at": "yesterday"}, "at"),
    ({"noted_at": "2026-03-02T09:00:00"}, "noted_at"),
    ({"id": "7"}, "id"),
    ({"replaces": "A-01"}, "replaces"),
    ({"by": ""}, "by"),
    ({"kind": "guess"}, "kind"),
    ({"by": "A\0na"}, "entry"),
    ({"body": {"batch": "A", "units": 2, "room": "half of \ud83c"}}, "entry"),
    ({"body": {"batch": "A"}}, "units"),
    ({"body": {"batch": "A", "units": 2, "colour": "red"}}, "colour"),
])  # fmt: skip
def test_what_cannot_be_kept_says_where(farm: Farm, changes: dict[str, object], where: str) -> None:
    entry = dataclasses.replace(_make(farm), **changes)  # type: ignore[arg-type]
    with pytest.raises(NotAnEntry) as caught:
        checked(entry)
    assert where in [fault.where for fault in caught.value.faults]


def test_an_entry_cannot_replace_itself(farm: Farm) -> None:
    entry = _make(farm)
    with pytest.raises(NotAnEntry, match="another entry"):
        checked(dataclasses.replace(entry, replaces=entry.id))


def test_a_kept_moment_is_utc(farm: Farm) -> None:
    entry = _make(farm)
    farm.keep([entry])
    found = farm.find(entry.id)
    assert found is not None
    moment = datetime.fromisoformat(found.kept_at)
    assert moment.tzinfo == UTC and abs((moment - datetime.now(UTC)).total_seconds()) < 60
