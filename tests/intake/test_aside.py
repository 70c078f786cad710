"""A row set aside waits for the grower's word: accepted, corrected, put in the place of another, or dropped.

All of it in both homes of a record, a file and PostgreSQL: this is what intake writes to a record by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.intake import aside, shelf
from pinset.intake.desk import take_files
from pinset.intake.map import map_said
from pinset.intake.shelf import Shelved
from pinset.journal.entry import NotAnEntry
from pinset.ledger.tables import Picked
from tests.homes import address, cluster, database
from tests.intake.road import NOW

__all__ = ["address", "cluster", "database"]

MADE = "Batch,Made on,Bags,kg each\nA1,2026-01-05,4,2.2\n"
PICKED = (
    "Date,Bag,Flush,kg\n"
    "2026-02-05,A1-01,1,0.31\n"
    "2026-02-05,A1-02,1,0.32\n"
    "2026-02-06,A1-03,1,0.33\n"
    "2026-02-06,A1-O4,1,0.34\n"  # 1: a letter O
    "2026-02-07,A1-04,1,340\n"  # 2: grams
    "2026-02-07,A1-04,2,-0.2\n"  # 3: a minus
    "2026-02-05,A1-01,1,0.31\n"  # 4: twice
    "2026-02-05,A1-02,1,0.30\n"  # 5: another weight
)


@pytest.fixture
def farm(tmp_path: Path, address: str | None) -> Iterator[Farm]:
    with Farm.start(tmp_path / "farm", "Test farm", "EUR", "Europe/Vienna", address=address) as started:
        yield started


@pytest.fixture
def picks(farm: Farm, tmp_path: Path) -> Path:
    """A farm with five rows aside."""
    made, path = tmp_path / "made.csv", tmp_path / "picked.csv"
    made.write_text(MADE)
    path.write_text(PICKED)
    take_files(farm, [made, path], now=NOW)
    assert [one.problem.row for one in aside.listed(farm)] == [5, 6, 7, 8, 9]
    return path


def on_record(farm: Farm) -> list[tuple[str, int, int | None]]:
    with farm.reader() as ledger:
        return sorted((row.subject, row.weight_mg, row.flush) for row in ledger.rows(Picked))


FIRST = [("A1-01", 310_000, 1), ("A1-02", 320_000, 1), ("A1-03", 330_000, 1)]


def numbers(farm: Farm) -> list[int]:
    return [one.number for one in aside.listed(farm)]


def test_a_question_can_be_accepted(picks: Path, farm: Farm) -> None:
    (outcome,) = aside.accept(farm, 4)
    assert outcome.word == "kept"
    assert on_record(farm) == [FIRST[0], *FIRST]
    settled = aside.listed(farm, settled=True)[3]
    assert (settled.state, settled.entry) == ("accepted", outcome.id)


def test_a_row_about_a_unit_never_made_is_kept_and_waits(picks: Path, farm: Farm) -> None:
    (outcome,) = aside.accept(farm, 1)
    assert outcome.word == "waiting"
    assert "A1-O4" in str(outcome.faults[0])


def test_a_fault_cannot_be_accepted(picks: Path, farm: Farm) -> None:
    with pytest.raises(aside.NotToAccept, match="pinset aside correct 3"):
        aside.accept(farm, 3)
    assert numbers(farm) == [1, 2, 3, 4, 5]


def test_a_fault_is_corrected_and_keeps_its_link_to_the_row(picks: Path, farm: Farm) -> None:
    outcomes = aside.correct(farm, 3, {"weight": "0.2kg"})
    assert isinstance(outcomes, list)
    assert on_record(farm) == [*FIRST, ("A1-04", 200_000, 2)]
    settled = aside.listed(farm, settled=True)[2]
    assert (settled.state, settled.entry, settled.problem.row) == ("corrected", outcomes[0].id, 7)
    assert settled.offered["raw"]["kg"] == "-0.2"


def test_a_correction_that_is_doubted_still_says_so_and_can_be_accepted(picks: Path, farm: Farm) -> None:
    again = aside.correct(farm, 3, {"weight": "1.9kg"})
    assert isinstance(again, Shelved)
    assert "at most 1.54 kg" in again.problem.needed
    assert again.problem.sort == "question"
    aside.accept(farm, 3)
    assert ("A1-04", 1_900_000, 2) in on_record(farm)


def test_several_fields_are_corrected_at_once(picks: Path, farm: Farm) -> None:
    aside.correct(farm, 1, {"unit": "A1-04", "at": "2026-02-08", "flush": "3", "remarks": "late"})
    assert ("A1-04", 340_000, 3) in on_record(farm)


def test_a_corrected_row_may_be_about_a_whole_batch(picks: Path, farm: Farm) -> None:
    aside.correct(farm, 1, {"batch": "A1"})
    assert ("A1", 340_000, 1) in on_record(farm)


def test_what_is_no_correction_is_refused_and_nothing_changes(picks: Path, farm: Farm) -> None:
    for words, said in (
        ({"wieght": "1kg"}, "a field of pick"),
        ({"weight": "much"}, "weight"),
        ({"at": "soon"}, "a date"),
        ({"flush": "1"}, "weight: needed a weight"),
        ({"make.units": "3"}, "a field of pick"),
    ):
        with pytest.raises((NotAnEntry, ValueError), match=said):
            aside.correct(farm, 3, words)
    assert on_record(farm) == FIRST
    assert numbers(farm) == [1, 2, 3, 4, 5]


def test_a_correction_to_what_is_on_record_is_that_note(picks: Path, farm: Farm) -> None:
    outcomes = aside.correct(farm, 5, {"weight": "0.32kg"})
    assert isinstance(outcomes, list)
    assert [outcome.word for outcome in outcomes] == ["already kept"]
    assert on_record(farm) == FIRST


def test_a_row_takes_the_place_of_the_one_on_record(picks: Path, farm: Farm) -> None:
    aside.accept(farm, 5, instead=True)
    assert on_record(farm) == [FIRST[0], ("A1-02", 300_000, 1), FIRST[2]]
    assert farm.verify() == []


def test_only_a_row_held_against_another_can_take_its_place(picks: Path, farm: Farm) -> None:
    with pytest.raises(aside.NothingToReplace, match="pinset aside accept 1"):
        aside.accept(farm, 1, instead=True)


def test_a_dropped_row_is_not_asked_about_again(picks: Path, farm: Farm) -> None:
    aside.drop(farm, 4, "written twice")
    assert numbers(farm) == [1, 2, 3, 5]
    settled = aside.listed(farm, settled=True)[3]
    assert (settled.state, settled.offered["because"]) == ("dropped", "written twice")
    taking, done = take_files(farm, [picks], now=NOW)
    assert (done.kept, done.aside, taking.count("settled"), len(taking.asides)) == (0, 0, 1, 4)


def test_settled_is_settled(picks: Path, farm: Farm) -> None:
    aside.drop(farm, 4)
    with pytest.raises(aside.SettledBefore, match="dropped before"):
        aside.accept(farm, 4)
    with pytest.raises(aside.SettledBefore, match="dropped before"):
        aside.drop(farm, 4)
    with pytest.raises(aside.SettledBefore, match="dropped before"):
        aside.correct(farm, 4, {"flush": "2"})


def test_numbers_stay_when_rows_are_settled_or_added(picks: Path, farm: Farm) -> None:
    aside.drop(farm, 2)
    picks.write_text("Date,Bag,Flush,kg\n2026-02-04,Z9-01,1,0.2\n" + PICKED.split("\n", 1)[1])
    take_files(farm, [picks], now=NOW)
    found = {one.number: one.problem for one in aside.listed(farm)}
    assert sorted(found) == [1, 3, 4, 5, 6]
    assert found[6].came == "Z9-01"
    assert found[1].row == 6  # the row has moved down by one, and is told where it now stands


def test_rows_aside_move_with_their_file_when_it_is_renamed(picks: Path, farm: Farm) -> None:
    _, done = take_files(farm, [picks.rename(picks.with_name("weights.csv"))], now=NOW)
    assert (done.kept, done.aside) == (0, 0)
    assert {one.problem.file for one in aside.listed(farm)} == {"weights.csv"}


def test_a_row_mended_in_the_file_is_taken_like_any_other(picks: Path, farm: Farm) -> None:
    picks.write_text(PICKED.replace("A1-O4", "A1-04").replace(",340\n", ",0.35\n"))
    _, done = take_files(farm, [picks], now=NOW)
    assert done.kept == 2
    assert ("A1-04", 340_000, 1) in on_record(farm)


def test_numbers_are_said_as_ranges_or_all(picks: Path, farm: Farm) -> None:
    known = aside.listed(farm)
    assert aside.numbers_said(["all"], known) == [1, 2, 4, 5]
    assert aside.numbers_said(["2..4", "3", "1"], known) == [2, 3, 4, 1]
    with pytest.raises(shelf.NoSuchAside, match="as 3 or"):
        aside.numbers_said(["three"], known)


@pytest.mark.parametrize("number", [0, 6, -1])
def test_a_number_that_is_not_there(number: int, picks: Path, farm: Farm) -> None:
    with pytest.raises(shelf.NoSuchAside, match="1 to 5"):
        aside.find(farm, number)


def test_a_row_of_several_entries_is_accepted_and_corrected_as_one(farm: Farm, tmp_path: Path) -> None:
    path = tmp_path / "batches.csv"
    head = "batch,made on,bags,kg each,picked kg,last picked\n"
    path.write_text(f"{head}B1,2026-01-05,4,2.2,9,2026-03-01\nB2,2026-01-05,4,2.2,much,2026-03-01\n")
    map = map_said({"sheets": {"batches": {"kind": "make", "columns": {
        "batch": "batch", "made on": "at", "bags": "units", "kg each": "fill in kg",
        "picked kg": "pick weight in kg", "last picked": "pick at",
    }}}})  # fmt: skip
    take_files(farm, [path], map, now=NOW)
    assert numbers(farm) == [1, 2]
    aside.accept(farm, 1)
    aside.correct(farm, 2, {"weight": "3kg", "pick.at": "2026-03-02", "make.at": "2026-01-06"})
    with farm.reader() as ledger:
        assert sorted((row.subject, row.weight_mg) for row in ledger.rows(Picked)) == [
            ("B1", 9_000_000),
            ("B2", 3_000_000),
        ]
        assert ledger.count(Picked) == 2
