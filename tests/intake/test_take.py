"""Rows become entries once and once only; a faulty row is set aside by itself, and nothing is lost."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.farm import Farm
from pinset.intake import aside
from pinset.intake.desk import StillAsked, look, proposed, tables_in, take_files
from pinset.intake.map import map_said
from pinset.intake.take import Taking
from pinset.journal.entry import Entry
from pinset.ledger.tables import Batch, Culled, Delivery, Lot, Picked, Seen
from tests.intake import messy
from tests.intake.messy import Style
from tests.intake.road import NOW, csv_table, taken, told

MADE = "Batch,Made on,Bags,kg each\nA1,2026-01-05,4,2.2\n"
PICKED = "Date,Bag,Flush,kg\n2026-02-05,A1-01,1,0.31\n2026-02-05,A1-02,1,0.32\n"


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def entries(taking: Taking, kind: str) -> list[Entry]:
    return [entry for entry in taking.entries if entry.kind == kind]


def picked(farm: Farm) -> list[tuple[str, int]]:
    with farm.reader() as ledger:
        return sorted((row.subject, row.weight_mg) for row in ledger.rows(Picked))


# Taking again


@pytest.fixture
def notes(farm: Farm, tmp_path: Path) -> Path:
    """A farm's picks, taken once."""
    write(tmp_path, "made.csv", MADE)
    path = write(tmp_path, "picked.csv", PICKED)
    take_files(farm, [tmp_path / "made.csv", path], now=NOW)
    assert picked(farm) == [("A1-01", 310_000), ("A1-02", 320_000)]
    return path


@pytest.mark.parametrize(
    "text",
    [
        PICKED,
        PICKED.replace("2026-02-05", "5 Feb 2026"),
        PICKED.replace(",", ";").replace("0.3", "0,3"),
        "my picks\n\n" + PICKED,
        "Bag,kg,Date,Flush\nA1-02,0.32,2026-02-05,1\nA1-01,0.31,2026-02-05,1\n",
        PICKED.replace("kg", "g").replace("0.31", "310").replace("0.32", "320"),
    ],
)
def test_the_same_rows_are_not_taken_twice_however_they_are_written(text: str, notes: Path, farm: Farm) -> None:
    again = write(notes.parent, "another name.csv", text)
    taking, done = take_files(farm, [again], now=NOW)
    assert (done.kept, done.aside, taking.count("again")) == (0, 0, 2)


def test_rows_added_anywhere_are_taken_and_the_others_are_not_taken_again(notes: Path, farm: Farm) -> None:
    notes.write_text(PICKED.replace("kg\n", "kg\n2026-02-04,A1-03,1,0.2\n") + "2026-02-06,A1-04,1,0.25\n")
    taking, done = take_files(farm, [notes], now=NOW)
    assert (done.kept, taking.count("again")) == (2, 2)
    assert len(picked(farm)) == 4


def test_a_weight_changed_in_the_file_is_asked_about_and_can_take_the_place_of_the_first(
    notes: Path, farm: Farm
) -> None:
    notes.write_text(PICKED.replace("0.31", "0.41"))
    _, done = take_files(farm, [notes], now=NOW)
    assert (done.kept, done.aside) == (0, 1)
    (one,) = aside.listed(farm)
    assert "weight 0.41 kg, not 0.31 kg" in one.problem.came
    aside.accept(farm, one.number, instead=True)
    assert picked(farm) == [("A1-01", 410_000), ("A1-02", 320_000)]
    taking, done = take_files(farm, [notes], now=NOW)
    assert (done.kept, done.aside, len(taking.asides)) == (0, 0, 0)
    assert farm.verify() == []


def test_a_change_of_the_map_does_not_take_rows_twice(notes: Path, farm: Farm) -> None:
    made = write(notes.parent, "made.csv", MADE)
    columns = {"Batch": "batch", "Made on": "at", "Bags": "units", "kg each": "fill in kg"}
    map = map_said({"sheets": {"made": {"kind": "make", "columns": columns, "always": {"strain": "king oyster"}}}})
    _, done = take_files(farm, [made], map, now=NOW)
    assert (done.kept, done.aside) == (0, 1)
    (one,) = aside.listed(farm)
    assert "strain king oyster, not nothing" in one.problem.came
    aside.accept(farm, one.number, instead=True)
    with farm.reader() as ledger:
        assert [(row.code, row.strain) for row in ledger.rows(Batch)] == [("A1", "king oyster")]
    assert picked(farm) == [("A1-01", 310_000), ("A1-02", 320_000)]


def test_what_was_noted_by_hand_is_asked_about_in_a_file(notes: Path, farm: Farm) -> None:
    farm.note("pick", {"unit": "A1-03", "weight": "0.2kg", "flush": "1"}, at="2026-02-05")
    notes.write_text(PICKED + "2026-02-05,A1-03,1,0.2\n")
    _, done = take_files(farm, [notes], now=NOW)
    assert (done.kept, done.aside) == (0, 1)
    assert "the same as what is on record" in aside.listed(farm)[0].problem.came


def test_picks_taken_before_what_they_are_about_come_in_once_it_is_there(farm: Farm, tmp_path: Path) -> None:
    picks = write(tmp_path, "picked.csv", PICKED)
    _, done = take_files(farm, [picks], now=NOW)
    assert (done.kept, done.aside) == (0, 2)
    take_files(farm, [write(tmp_path, "made.csv", MADE)], now=NOW)
    _, done = take_files(farm, [picks], now=NOW)
    assert (done.kept, done.aside) == (2, 0)
    assert aside.listed(farm) == []
    assert [one.state for one in aside.listed(farm, settled=True)] == ["accepted", "accepted"]
    assert len(picked(farm)) == 2


def test_order_of_sheets_does_not_matter(farm: Farm, tmp_path: Path) -> None:
    paths = [write(tmp_path, "a-picked.csv", PICKED), write(tmp_path, "b-made.csv", MADE)]
    _, done = take_files(farm, paths, now=NOW)
    assert (done.kept, done.aside) == (3, 0)


def test_nothing_is_written_while_something_is_asked(farm: Farm, tmp_path: Path) -> None:
    path = write(tmp_path, "picked.csv", PICKED.replace("2026-02-05", "05/02/2026"))
    with pytest.raises(StillAsked, match="date_order"):
        take_files(farm, [path], now=NOW)
    assert picked(farm) == []
    assert aside.listed(farm) == []


def test_looking_writes_nothing(farm: Farm, tmp_path: Path) -> None:
    tables = tables_in([write(tmp_path, "made.csv", MADE), write(tmp_path, "picked.csv", PICKED + "x,y,z,\n")])
    taking = look(farm, tables, proposed(farm, tables), now=NOW)
    assert (taking.count("rows"), len(taking.asides)) == (3, 1)
    with farm.store.read() as connection:
        assert connection.execute("SELECT count(*) FROM entry").fetchone()[0] == 0
        assert connection.execute("SELECT count(*) FROM aside").fetchone()[0] == 0


# Rows set aside


def test_a_faulty_row_does_not_stop_its_neighbours(tmp_path: Path) -> None:
    text = PICKED + "2026-02-06,A1-03,1,ver foto\n2026-02-31,A1-04,1,0.3\n2026-02-07,A1-04,30,0.3\n"
    taking = taken([csv_table(tmp_path, MADE, "made.csv"), csv_table(tmp_path, text)])
    assert len(entries(taking, "pick")) == 2
    assert told(taking) == [
        "notes.csv, notes, row 4, kg: needed a weight; came 'ver foto'.",
        "notes.csv, notes, row 5, Date: needed a day that the calendar has; came '2026-02-31'.",
        "notes.csv, notes, row 6, Flush: needed a value less than or equal to 20; came 30.",
    ]


def test_what_is_missing_is_named(tmp_path: Path) -> None:
    text = PICKED + ",A1-03,1,0.3\n2026-02-06,,1,0.3\n2026-02-07,A1-04,1,\n"
    problems = [one.problem for one in taken([csv_table(tmp_path, MADE, "m.csv"), csv_table(tmp_path, text)]).asides]
    assert [(one.row, one.column, one.came) for one in problems] == [
        (4, "Date", "nothing"), (5, "Bag", "nothing"), (6, "kg", "nothing"),
    ]  # fmt: skip
    assert 'at = "2026-03-02"' in problems[0].mend


def test_every_problem_of_a_row_is_kept(tmp_path: Path) -> None:
    columns = {"Date": "at", "Bag": "unit", "kg": "weight in kg", "Flush": "flush"}
    map = map_said({"sheets": {"notes": {"kind": "pick", "columns": columns}}})
    (one,) = taken([csv_table(tmp_path, "Date,Bag,kg,Flush\nsoon,A1-01,much,1\n")], map).asides
    assert one.problem.column == "Date"
    assert one.offered["also"] == ["kg: needed a weight; came 'much'"]
    assert one.offered["raw"] == {"Date": "soon", "Bag": "A1-01", "kg": "much", "Flush": "1"}


def test_rows_with_a_stray_delimiter_are_set_aside(tmp_path: Path) -> None:
    text = PICKED + "".join(f"2026-02-1{n},A1-03,1,0.1\n" for n in range(8)) + "2026-02-20,A1-03,2,0,328\n"
    (problem,) = told(taken([csv_table(tmp_path, MADE, "made.csv"), csv_table(tmp_path, text)]))
    assert "needed 4 cells" in problem
    assert "decimal comma" in problem


def test_three_identical_rows_are_one_note_and_two_questions(farm: Farm, tmp_path: Path) -> None:
    line = "2026-02-05,A1-01,1,0.31\n"
    paths = [write(tmp_path, "made.csv", MADE), write(tmp_path, "p.csv", "Date,Bag,Flush,kg\n" + 3 * line)]
    _, done = take_files(farm, paths, now=NOW)
    assert (done.kept, done.aside) == (2, 2)
    for one in aside.listed(farm):
        assert "the same as row 2 of p" in one.problem.came
        aside.accept(farm, one.number)
    assert picked(farm) == [("A1-01", 310_000)] * 3
    taking, done = take_files(farm, paths, now=NOW)
    assert (done.kept, done.aside, taking.count("settled")) == (0, 0, 2)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 1000), data=st.data())
def test_every_row_is_taken_set_aside_or_skipped(
    seed: int, data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Cells spoilt at random: the rows in the file and the rows accounted for are the same, whatever stands in them."""
    found = messy.notes(Style(workbook=False, number_cells=False), seed, batches=2)
    odd = st.sampled_from(
        ["", "?", "-", "x" * 300, "1e9", "99/99/9999", "0", "-3", "140", "\u00a0", "=1+1", "NaN", "２"]
    )
    for lines in found.sheets.values():
        for _ in range(data.draw(st.integers(0, 4))):
            line = lines[data.draw(st.integers(found.first_row - 1, len(lines) - 3))]
            line[data.draw(st.integers(0, len(line) - 1))] = data.draw(odd)
    folder = tmp_path_factory.mktemp("spoilt")
    tables = tables_in(messy.write(found, folder))
    taking = taken(tables)
    filled = sum(any(cell not in (None, "", "\u00a0") for cell in line) for lines in found.sheets.values()
                 for line in lines[found.first_row - 1 :])  # fmt: skip
    left_out = sum(len(table.rows) + len(table.skipped) for table in taking.left_out)
    counted = sum(
        sheet.rows + len(sheet.asides) + len(sheet.table.skipped) + sheet.again for sheet in taking.sheets
    )  # fmt: skip
    assert counted + left_out == filled
    assert all(count == 1 for count in Counter(entry.id for entry in taking.entries).values())


# What rows become


def test_a_batchs_summary_becomes_a_make_a_pick_and_a_cull(farm: Farm, tmp_path: Path) -> None:
    text = (
        "batch,made on,bags,kg each,contaminated,picked kg,last picked\n"
        "A1,2026-01-05,7,2.2,1,4.2,2026-03-22\nA2,2026-01-06,7,2.2,0,3.9,\n"
    )
    _, done = take_files(farm, [write(tmp_path, "batches.csv", text)], now=NOW)
    assert (done.kept, done.aside) == (5, 0)
    with farm.reader() as ledger:
        assert sorted((row.code, row.units) for row in ledger.rows(Batch)) == [("A1", 7), ("A2", 7)]
        picks = {row.subject: (row.level, row.weight_mg) for row in ledger.rows(Picked)}
        culls = [(row.subject, row.reason, row.number) for row in ledger.rows(Culled)]
    assert picks == {"A1": ("batch", 4_200_000), "A2": ("batch", 3_900_000)}
    assert culls == [("A1", "contaminated", 1)]


def test_a_sum_without_a_day_says_so(tmp_path: Path) -> None:
    text = "batch,made on,bags,picked kg\nA1,2026-01-05,7,4.2\n"
    (pick,) = entries(taken([csv_table(tmp_path, text)]), "pick")
    assert pick.at.startswith("2026-01-05")
    assert "the day of picking was not noted" in pick.body["remarks"]


def test_a_summary_row_is_taken_whole_or_not_at_all(tmp_path: Path) -> None:
    text = "batch,made on,bags,picked kg\nA1,2026-01-05,7,4.2\nA2,2026-01-05,lots,4.2\nA3,2026-01-05,7,a lot\n"
    taking = taken([csv_table(tmp_path, text)])
    assert [(entry.kind, entry.body["batch"]) for entry in taking.entries] == [("make", "A1"), ("pick", "A1")]
    assert [one.problem.column for one in taking.asides] == ["bags", "picked kg"]


def test_one_row_for_all_flushes_becomes_a_pick_for_each(tmp_path: Path) -> None:
    text = "Date,Batch,Flush 1 kg,Flush 2 kg\n2026-02-13,A1,2.4,1.1\n2026-02-14,A1,,0.4\n"
    picks = entries(taken([csv_table(tmp_path, MADE, "made.csv"), csv_table(tmp_path, text)]), "pick")
    assert [(pick.at[:10], pick.body["flush"], pick.body["weight_mg"]) for pick in picks] == [
        ("2026-02-13", 1, 2_400_000), ("2026-02-13", 2, 1_100_000), ("2026-02-14", 2, 400_000),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("heading", "cells", "subject"),
    [
        ("Bag", "A1-02", {"units": ["A1-02"]}),
        ("Bag", "a1/2", {"units": ["A1-02"]}),
        ("Bag", "A1-01..03", {"units": ["A1-01", "A1-02", "A1-03"]}),
        ("Batch,Bag", "A1,2", {"units": ["A1-02"]}),
        ("Batch,Bag", "A1,", {"batch": "A1"}),
        ("Batch,Room", "A1,Fruit 1", {"batch": "A1"}),
        ("Room", "Fruit 1", {"room": "Fruit 1"}),
    ],
)
def test_a_pick_is_about_the_finest_thing_its_row_names(
    heading: str, cells: str, subject: dict[str, object], tmp_path: Path
) -> None:
    text = f"Date,{heading},Flush,kg\n2026-02-05,{cells},1,0.9\n"
    columns = {"Date": "at", "Flush": "flush", "kg": "weight in kg", "Bag": "unit", "Batch": "batch", "Room": "room"}
    known = {name: target for name, target in columns.items() if name in text}
    made = {"Batch": "batch", "Made on": "at", "Bags": "units", "kg each": "fill in kg"}
    map = map_said({"sheets": {
        "made": {"kind": "make", "columns": made},
        "notes": {"kind": "pick", "columns": known},
    }})  # fmt: skip
    (pick,) = entries(taken([csv_table(tmp_path, MADE, "made.csv"), csv_table(tmp_path, text)], map), "pick")
    assert {name: pick.body[name] for name in ("units", "batch", "room") if name in pick.body} == subject


def test_crates_of_one_day_are_all_taken(farm: Farm, tmp_path: Path) -> None:
    paths = [
        write(tmp_path, "made.csv", MADE),
        write(tmp_path, "p.csv", "Date,Batch,kg\n2026-02-05,A1,0.5\n2026-02-05,A1,0.4\n2026-02-05,A1,0.6\n"),
    ]
    _, done = take_files(farm, paths, now=NOW)
    assert (done.kept, done.aside) == (4, 0)
    paths[1].write_text("Date,Batch,kg\n2026-02-05,A1,0.5\n2026-02-05,A1,0.45\n2026-02-05,A1,0.6\n2026-02-05,A1,0.2\n")
    _, done = take_files(farm, paths, now=NOW)
    assert (done.kept, done.aside) == (0, 2)


def test_a_spawn_book_tells_what_was_bought_from_what_was_drawn(farm: Farm, tmp_path: Path) -> None:
    text = (
        "Lot,What,From,Passage,Made on,kg,Cost per kg\n"
        "M-01,culture,bought,0,2026-01-26,0.1,28\n"
        "G1,rye grain,M-01,1,2026-02-07,40,3.4\n"
        "G2,rye grain,G1,3,2026-02-12,40,2.1\n"
        'G3,Roggen,"G1, G2",4,2026-02-13,2,2.1\n'
        "G4,rye grain,bought from Miller,,2026-02-14,2,2.1\n"
    )
    taking, _ = take_files(farm, [write(tmp_path, "spawn.csv", text)], now=NOW)
    with farm.reader() as ledger:
        lots = {lot.code: lot for lot in ledger.rows(Lot)}
    assert {code: (lot.origin, lot.what, lot.passage, lot.cost_minor) for code, lot in lots.items()} == {
        "M-01": ("received", "culture", 0, 280),
        "G1": ("drawn", "spawn", 1, 13_600),
        "G4": ("received", "spawn", None, 420),
    }
    assert [(one.problem.row, one.problem.column) for one in taking.asides] == [(4, "Passage"), (5, "Passage")]
    assert "needed passage 2" in told(taking)[0]


def test_purchases_sales_loads_and_hours(farm: Farm, tmp_path: Path) -> None:
    bought = (
        "Lot,Date,Item,kg,Pieces,Paid,Supplier\nOS-1,2026-01-13,oak sawdust,120,,€ 21.60,joinery\n"
        "BG-1,2026-01-14,filter bags,,450,144,shop\n"
    )
    sold = 'Date,Customer,kg,Price/kg\n2026-04-04,Inn,3.3,"11,50 €"\n'
    loads = "Load,Date,How,°F,Held\n1,2026-01-13,steamed,207,9 h\n"
    hours = 'Date,Who,Task,Time\n2026-01-13,Ana,picking,"0,5 h"\n'
    texts = {"bought": bought, "sold": sold, "loads": loads, "hours": hours}
    paths = [write(tmp_path, f"{name}.csv", text) for name, text in texts.items()]
    taking, done = take_files(farm, paths, now=NOW)
    assert (done.kept, told(taking)) == (5, [])
    bodies = {entry.kind: entry.body for entry in taking.entries}
    assert bodies["dispatch"] == {"to": "Inn", "weight_mg": 3_300_000, "price_minor": 1150}
    assert bodies["treat"] == {"load": "1", "method": "pasteurise", "celsius": 97.222222, "held_min": 540}
    assert bodies["work"] == {"task": "picking", "minutes": 30, "person": "Ana"}
    with farm.reader() as ledger:
        assert {lot.code: lot.what for lot in ledger.rows(Lot)} == {"OS-1": "ingredient", "BG-1": "packaging"}
        assert [sale.amount_minor for sale in ledger.rows(Delivery)] == [3795]


def test_checks_of_batches_count_what_was_looked_at(farm: Farm, tmp_path: Path) -> None:
    text = "Date,Batch,Run %,Looked at,Bad,Signs\n2026-02-01,A1,60 %,4,1,moho verde + wet\n2026-02-02,A1,80,4,0,ok\n"
    paths = [write(tmp_path, "made.csv", MADE), write(tmp_path, "checks.csv", text)]
    taking, done = take_files(farm, paths, now=NOW)
    assert (done.kept, told(taking)) == (3, [])
    assert [entry.body for entry in taking.entries if entry.kind == "check"] == [
        {"batch": "A1", "run": 0.6, "signs": ["green", "wet"], "affected": 1, "looked_at": 4},
        {"batch": "A1", "run": 0.8, "looked_at": 4},
    ]
    with farm.reader() as ledger:
        assert ledger.count(Seen) == 2


def test_a_new_arm_widens_the_trial_and_the_same_arms_define_nothing_new(farm: Farm, tmp_path: Path) -> None:
    path = write(tmp_path, "made.csv", "Batch,Made on,Bags,Arm\nA1,2026-01-05,8,P1\nA2,2026-01-05,8,P2\n")
    taking, _ = take_files(farm, [path], control="P1", now=NOW)
    assert [trial.body["arms"] for trial in taking.trials] == [["P1", "P2"]]
    path.write_text(path.read_text() + "A3,2026-01-12,8,P1\n")
    taking, done = take_files(farm, [path], now=NOW)
    assert (list(taking.trials), done.kept) == ([], 1)
    path.write_text(path.read_text() + "A4,2026-01-19,8,P3\n")
    taking, done = take_files(farm, [path], now=NOW)
    assert [(trial.at[:10], trial.body["arms"], trial.body["control"]) for trial in taking.trials] == [
        ("2026-01-19", ["P1", "P2", "P3"], "P1")
    ]
    assert done.aside == 0


def test_a_control_that_is_no_arm_is_refused_before_anything_is_written(farm: Farm, tmp_path: Path) -> None:
    path = write(tmp_path, "made.csv", "Batch,Made on,Bags,Arm\nA1,2026-01-05,8,P1\nA2,2026-01-05,8,P2\n")
    with pytest.raises(StillAsked, match="P1, P2"):
        take_files(farm, [path], control="P9", now=NOW)


def test_a_map_fits_next_months_file_by_its_columns(tmp_path: Path) -> None:
    columns = {"Tag": "at in d/m/y", "Nummer": "unit", "Menge": "weight in g"}
    map = map_said({"sheets": {"march": {"kind": "pick", "columns": columns}}})
    made = csv_table(tmp_path, MADE, "made.csv")
    april = csv_table(tmp_path, "Tag,Nummer,Menge\n02/04/2026,A1-01,310\n", "april.csv")
    assert [table.sheet for table in taken([made, april], map).left_out] == ["made"]
    known = taken([made])
    assert len(entries(known, "make")) == 1
    assert [one.problem.column for one in taken([april], map).asides] == ["Nummer"]


def test_columns_that_a_map_does_not_name_are_told(tmp_path: Path) -> None:
    map = map_said(
        {"sheets": {"notes": {"kind": "pick", "columns": {"Date": "at", "Bag": "unit", "kg": "weight in kg"}}}}
    )
    (sheet,) = taken([csv_table(tmp_path, PICKED)], map).sheets
    assert sheet.left_out == ["Flush"]


def test_remarks_of_several_columns_are_kept_with_their_headings(tmp_path: Path) -> None:
    text = PICKED.replace("kg\n", "kg,Remarks,Moon\n").replace("0.31\n", "0.31,small caps,waning\n")
    picks = entries(taken([csv_table(tmp_path, MADE, "made.csv"), csv_table(tmp_path, text)]), "pick")
    assert [pick.body.get("remarks") for pick in picks] == ["small caps; Moon: waning", None]


def test_a_day_and_a_time_of_day_are_one_moment(tmp_path: Path) -> None:
    text = "Date,Clock,Bag,kg\n2026-02-05,14:30,A1-01,0.3\n2026-07-05,,A1-01,0.3\n"
    picks = entries(taken([csv_table(tmp_path, MADE, "made.csv"), csv_table(tmp_path, text)]), "pick")
    assert [pick.at for pick in picks] == ["2026-02-05T14:30:00+01:00", "2026-07-05T12:00:00+02:00"]


def test_progress_is_told(tmp_path: Path) -> None:
    from pinset.intake.known import Known
    from pinset.intake.propose import propose
    from pinset.intake.take import take
    from tests.intake.road import FARM

    lines = "".join(f"2026-02-05,A1-0{n % 4 + 1},1,0.{n:05d}\n" for n in range(4_100))
    table, seen = csv_table(tmp_path, "Date,Bag,Flush,kg\n" + lines), list[int]()
    take([table], propose([table]), FARM, Known(), now=NOW, progress=seen.append)
    assert seen == [2_000, 4_000]
