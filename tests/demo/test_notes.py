"""The files say what the truth says they say, no more and no less."""

from __future__ import annotations

import time
from collections import Counter
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path

import pytest
from openpyxl import load_workbook

from pinset.demo import story
from pinset.demo.notes import write_notes
from pinset.demo.season import Year
from pinset.demo.truth import Truth
from tests.demo.reading import Page, day, milligrams, percent, sound

Pages = dict[tuple[str, str], Page]
BOOK = "puddlevane.xlsx"
PHONE, BEFORE = ("ines-movil.csv", ""), ("before-the-scale.csv", "")


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(folder: Path, truth: Truth, tmp_path: Path) -> None:
    again, other = tmp_path / "again", tmp_path / "other"
    assert write_notes(again) == truth
    write_notes(other, seed=truth.seed + 1)
    for name in truth.files:
        assert (again / name).read_bytes() == (folder / name).read_bytes()
        assert (other / name).read_bytes() != (folder / name).read_bytes()


def test_every_file_and_sheet_says_that_it_is_invented(folder: Path, read: Pages) -> None:
    assert len(read) == 18
    assert all("invented notes of an invented farm" in page.remark for page in read.values())
    about = load_workbook(folder / BOOK, read_only=True).properties
    assert "invented" in about.title and "invented" in about.description


def test_the_phone_writes_in_another_encoding(folder: Path) -> None:
    with pytest.raises(UnicodeDecodeError):
        (folder / PHONE[0]).read_text(encoding="utf-8")
    assert "móvil de Inés" in (folder / PHONE[0]).read_text(encoding="cp1252")


def test_notes_are_written_within_a_second_and_a_half(tmp_path: Path) -> None:
    def once(name: str) -> float:
        begun = time.process_time()
        write_notes(tmp_path / name)
        return time.process_time() - begun

    assert min(once("a"), once("b")) < 1.5


def test_sound_rows_are_as_many_as_the_truth_says(read: Pages, truth: Truth) -> None:
    assert {where: len(list(sound(page, truth, where))) for where, page in read.items()} == truth.rows


def test_batches_and_bags_add_up(read: Pages, truth: Truth) -> None:
    made = [*read[BOOK, "Made"].rows.values()]
    coarse = [*read[BEFORE].rows.values()]
    codes = [row["Batch"] for row in made] + [row["batch"] for row in coarse]
    assert len(set(codes)) == len(codes) == truth.batches == 51
    assert sum(int(row["Bags"]) for row in made) + sum(int(row["bags"]) for row in coarse) == truth.units == 367


def test_weights_read_back_to_the_milligram(read: Pages, truth: Truth) -> None:
    def total(where: tuple[str, str], column: str, unit: str) -> int:
        return sum(milligrams(row[column], unit) for row in sound(read[where], truth, where))

    assert {
        "unit": total((BOOK, "Picked"), "kg", "kg") + total(PHONE, "Peso g", "g"),
        "batch": total((BOOK, "Lion's mane"), "kg", "kg") + total(BEFORE, "picked lb", "lb"),
        "room": total((BOOK, "Helper's week"), "kg", "kg"),
    } == truth.picked_mg
    assert total((BOOK, "Sold"), "kg", "kg") == truth.sold_mg


def test_each_fault_stands_where_the_truth_says(read: Pages, truth: Truth) -> None:
    assert len({fault.sort for fault in truth.faults}) == len(truth.faults) == 9
    for fault in truth.faults:
        cell = read[fault.file, fault.sheet].rows[fault.row][fault.column]
        assert ("" if cell is None else str(cell)) == fault.wrote
        assert fault.wrote != fault.meant


def test_each_fault_is_at_fault(read: Pages, truth: Truth, year: Year) -> None:
    made = {bag.code: bag.batch.day for bag in year.bags}
    by_sort = {fault.sort: (fault, read[fault.file, fault.sheet].rows[fault.row]) for fault in truth.faults}
    twice = by_sort["a row written twice"][1]
    assert sum(row == twice for row in read[BOOK, "Picked"].rows.values()) == 2
    assert milligrams(by_sort["a weight below zero"][1]["kg"]) < 0
    assert milligrams(by_sort["grams written as kg"][1]["kg"]) > 100 * 10**6
    assert by_sort["a bag that was never made"][1]["Bag"] not in made
    early = by_sort["picked before it was made"][1]
    assert day(early["Day"]) < made[early["Bag"]]
    assert percent(by_sort["more than the whole"][1]["Run %"]) > 100
    with pytest.raises(ValueError, match="day"):
        day(by_sort["a day that no calendar has"][1]["Day"])
    assert not any(sign.isdigit() for sign in by_sort["words for a number"][1]["Peso g"])
    assert by_sort["a weight left out"][1]["kg"] is None


def test_every_other_row_of_a_bag_is_sound(read: Pages, truth: Truth, year: Year) -> None:
    made = {bag.code: bag.batch.day for bag in year.bags}
    picks = [
        (day(row[when]), row[bag], int(row[flush]), milligrams(row[weight], unit))
        for where, when, bag, flush, weight, unit in (
            ((BOOK, "Picked"), "Day", "Bag", "Flush", "kg", "kg"), (PHONE, "Fecha", "Bolsa", "Oleada", "Peso g", "g"),
        )
        for row in sound(read[where], truth, where)
    ]  # fmt: skip
    assert all(when > made[bag] and 0 < mg < 1_600_000 for when, bag, _, mg in picks)
    assert max(Counter((bag, flush) for _, bag, flush, _ in picks).values()) == 1
    looks = [(day(row["Day"]), row["Bag"], row["Run %"]) for row in sound(read[BOOK, "Walks"], truth, (BOOK, "Walks"))]
    assert all(when > made[bag] and (run is None or 0 < percent(run) <= 100) for when, bag, run in looks)
    assert max(Counter((when, bag) for when, bag, _ in looks).values()) == 1


def test_hands_write_days_and_weights_in_many_ways(read: Pages) -> None:
    days = [row["Day"] for row in read[BOOK, "Walks"].rows.values()]
    styles = {
        "a real date": any(isinstance(cell, datetime) for cell in days),
        **{sign: any(isinstance(cell, str) and sign in cell for cell in days) for sign in ("/", ".", "-", " ")},
    }
    assert all(styles.values()), styles
    weights = [row["kg"] for row in read[BOOK, "Picked"].rows.values()]
    for wanted in (",", " kg", " g"):
        assert any(isinstance(cell, str) and wanted in cell for cell in weights), wanted
    assert sum(isinstance(cell, float) for cell in weights) > len(weights) / 2
    assert any(cell.endswith("lb") for cell in (row["picked lb"] for row in read[BEFORE].rows.values()))


def test_totals_stand_below_the_rows(read: Pages) -> None:
    for where in ((BOOK, "Picked"), (BOOK, "Sold"), PHONE, BEFORE):
        total = read[where].total
        assert total is not None and str(total[0]).lower() == "total"
    assert str((read[BOOK, "Sold"].total or [])[3]).startswith("=SUM(")
    assert read[BOOK, "Made"].total is None


def test_the_helpers_week_is_weighed_by_room_and_by_no_batch(read: Pages, truth: Truth, year: Year) -> None:
    first, last = story.ROOM_WEEK
    rows = [*read[BOOK, "Helper's week"].rows.values()]
    assert len(rows) == truth.picks["room"] >= 3
    assert {row["Room"] for row in rows} == {story.LION_ROOM}
    assert all(first <= day(row["Day"]) <= last for row in rows)
    assert not [row for row in read[BOOK, "Lion's mane"].rows.values() if first <= day(row["Day"]) <= last]
    picked = [pick for pick in year.picks() if first <= pick.day <= last]
    lions = {bag.code: bag.batch.code for bag in year.bags if bag.batch.species == story.LION}
    assert len({lions[pick.bag] for pick in picked if pick.bag in lions}) == 2


def test_walks_are_days_apart_and_the_last_look_at_a_sound_bag_finds_it_full(
    read: Pages, truth: Truth, year: Year
) -> None:
    looks: dict[str, list[tuple[date, float | None]]] = {}
    for row in sound(read[BOOK, "Walks"], truth, (BOOK, "Walks")):
        looks.setdefault(row["Bag"], []).append(
            (day(row["Day"]), None if row["Run %"] is None else percent(row["Run %"]))
        )
    spoilt = {row["Bag"] for row in read[BOOK, "Walks"].rows.values()} - set(looks)
    assert not spoilt
    for bag in year.bags:
        if bag.code not in looks:
            continue
        days = sorted(looks[bag.code])
        assert all((later - earlier).days >= 3 for (earlier, _), (later, _) in pairwise(days))
        if bag.bad_on is None:
            assert days[-1][1] == 100 and days[-1][0] >= bag.full_on
            assert all(run is not None and run < 100 and when < bag.full_on for when, run in days[:-1])
