"""What a guessed map says of sheets, and what it asks where only the grower can know."""

from __future__ import annotations

from pathlib import Path

import pytest

from pinset.intake.desk import tables_in
from pinset.intake.known import BatchFact, Known
from pinset.intake.map import Map, SheetMap
from pinset.intake.propose import propose
from pinset.intake.table import Table
from tests.intake.road import csv_table


def guessed(folder: Path, text: str, name: str = "notes.csv", known: Known | None = None) -> SheetMap:
    (sheet,) = propose([csv_table(folder, text, name)], known, ".").sheets
    return sheet


def columns(sheet: SheetMap) -> dict[str, str]:
    return {name: str(target) if target else "skip" for name, target in sheet.columns.items()}


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        (
            "Batch,Inoculated,Bags,Bag weight (g),Spawn lot,Spawn (g),Recipe,Incubation room\n"
            "A1,2026-03-13,12,2200,G1,450,oak and bran,Inc 1\n",
            "make",
            ["batch", "at", "units", "fill in g", "spawn lot", "spawn weight in g", "recipe", "room"],
        ),
        ("Date,Bag,Flush,Grams\n2026-03-13,A1-01,1,328\n", "pick", ["at", "unit", "flush", "weight in g"]),
        ("Erntedatum,Charge,Welle,Erntegewicht (kg)\n13.03.2026,A1,1,\"3,28\"\n", "pick",
         ["at", "batch", "flush", "weight in kg"]),
        ("Date,Room,lb\n2026-03-13,Fruiting 1,12.5\n", "pick", ["at", "room", "weight in lb"]),
        ("Date,Batch,Colonised %,Problems,Pins\n2026-03-13,A1,80,,no\n2026-03-15,A1,90,mould,yes\n", "check",
         ["at", "batch", "run in %", "signs", "pinning"]),
        ("Date,Block,To room\n2026-03-13,A1-01,Fruit 2\n", "move", ["at", "unit", "to"]),
        ("Date,Block,Reason\n2026-03-13,A1-01,mould\n", "cull", ["at", "unit", "reason"]),
        ("Lot,Received,Item,kg,Paid,Supplier\nOS-1,2026-03-13,oak sawdust,120,21.60,joinery\n", "receive",
         ["lot", "at", "item", "weight in kg", "cost", "supplier"]),
        ("Lot,Date,What,Parent,Generation,kg\nG1,2026-03-13,rye grain,M1,1,40\n", "spawn",
         ["lot", "at", "item", "from", "passage", "weight in kg"]),
        ("Load,Date,Temp °C,Hours\n1,2026-03-13,97,9\n", "treat", ["load", "at", "celsius in °C", "held in h"]),
        ("Date,Customer,kg,Price per kg\n2026-03-13,Inn,12,11.5\n", "dispatch", ["at", "to", "weight in kg", "price"]),
        ("Date,Who,Task,Minutes\n2026-03-13,Ana,picking,40\n", "work", ["at", "person", "task", "minutes in min"]),
        ("Item,Price,Per\nlabour,17,hour\n", "price", ["name", "amount", "per"]),
        ("Recipe,Ingredients\noak,oak sawdust: 80 %; bran: 20 %\n", "recipe", ["name", "parts"]),
        ("Room,Use,Places\nInc 1,incubation,200\n", "room", ["name", "purpose", "places"]),
    ],
)  # fmt: skip
def test_kinds_and_columns_are_told_from_headings_and_contents(
    text: str, kind: str, expected: list[str], tmp_path: Path
) -> None:
    sheet = guessed(tmp_path, text)
    assert sheet.kind == kind
    assert list(columns(sheet).values()) == expected


def test_contents_decide_where_a_heading_has_two_meanings(tmp_path: Path) -> None:
    """ "Picked" is a day in one sheet and a weight in another; "Block" a code in one and a number in another."""
    day = guessed(tmp_path, "Picked,Block,kg\n2026-03-27,A1-01,0.3\n")
    assert columns(day)["Picked"] == "at"
    weight = guessed(tmp_path, "Date,Block,Picked kg\n2026-03-27,A1-01,0.3\n")
    assert columns(weight)["Picked kg"] == "weight in kg"


def test_a_batchs_summary_is_a_make_with_its_pick_and_its_losses(tmp_path: Path) -> None:
    sheet = guessed(
        tmp_path, "batch,made on,bags,contaminated,picked kg,last picked\nA1,2026-01-21,7,1,4.2,2026-03-22\n"
    )
    assert sheet.kind == "make"
    assert list(columns(sheet).values()) == ["batch", "at", "units", "cull number", "pick weight in kg", "pick at"]


def test_a_column_for_each_flush(tmp_path: Path) -> None:
    sheet = guessed(tmp_path, "Date,Batch,Flush 1 kg,2nd flush kg\n2026-03-13,A1,2.4,1.1\n")
    assert list(columns(sheet).values()) == ["at", "batch", "weight in kg of flush 1", "weight in kg of flush 2"]


def test_codes_on_record_tell_units_from_batches(tmp_path: Path) -> None:
    known = Known({"XQ7": BatchFact(0, 1, None)}, {"XQ7-01": "XQ7"})
    text = "when,code,kg\n2026-03-13,{code},0.3\n"
    assert guessed(tmp_path, text.format(code="XQ7-01"), known=known).kind != "pick"
    of_units = guessed(tmp_path, "when,block,kg\n2026-03-13,XQ7-01,0.3\n", known=known)
    of_batches = guessed(tmp_path, "when,batch,kg\n2026-03-13,XQ7,0.3\n", known=known)
    assert (columns(of_units)["block"], columns(of_batches)["batch"]) == ("unit", "batch")


def test_a_column_that_nobody_understands_is_kept_as_remarks(tmp_path: Path) -> None:
    sheet = guessed(tmp_path, "Date,Block,kg,Moon\n2026-03-13,A1-01,0.3,waning\n")
    assert columns(sheet)["Moon"] == "remarks"
    assert "not understood" in sheet.comments["column Moon"]


def test_a_sheet_that_nobody_understands_is_left_out(tmp_path: Path) -> None:
    sheet = guessed(tmp_path, "when,temp_c,rh_pct\n2026-05-04T00:00:00,15.95,91.2\n")
    assert sheet.kind == "skip"
    assert "not understood" in sheet.comments["kind"]


def test_a_unit_that_stands_nowhere_is_asked_for(tmp_path: Path) -> None:
    sheet = guessed(tmp_path, "Date,Block,Weight\n2026-03-13,A1-01,328\n2026-03-14,A1-02,297\n")
    (ask,) = sheet.asks
    assert 'column "Weight"' in ask
    assert "perhaps g" in sheet.comments["column Weight"]


def test_a_unit_in_the_cells_need_not_be_asked_for(tmp_path: Path) -> None:
    sheet = guessed(tmp_path, "Date,Block,Weight\n2026-03-13,A1-01,328 g\n2026-03-14,A1-02,0.297 kg\n")
    assert sheet.asks == ()


def test_shares_are_told_from_percentages_by_their_size(tmp_path: Path) -> None:
    assert columns(guessed(tmp_path, "Date,Block,Run\n2026-03-13,A1-01,40\n"))["Run"] == "run in %"
    assert columns(guessed(tmp_path, "Date,Block,Run\n2026-03-13,A1-01,0.4\n"))["Run"] == "run in fraction"
    (ask,) = guessed(tmp_path, "Date,Block,Run\n2026-03-13,A1-01,1\n").asks
    assert "%, fraction" in ask


def test_the_order_of_a_date_is_asked_where_nothing_shows_it(tmp_path: Path) -> None:
    (ask,) = guessed(tmp_path, "Date,Block,kg\n02/03/2026,A1-01,0.3\n").asks
    assert "date_order" in ask
    assert guessed(tmp_path, "Date,Block,kg\n02/03/2026,A1-01,0.3\n16/03/2026,A1-01,0.3\n").date_order == "d/m/y"
    assert guessed(tmp_path, "Date,Block,kg\n02/03/2026,A1-01,0.3\n03/16/2026,A1-01,0.3\n").date_order == "m/d/y"


def two(folder: Path, first: str, second: str) -> Map:
    return propose([csv_table(folder, first, "a.csv"), csv_table(folder, second, "b.csv")], None, ".")


def test_another_sheet_may_show_the_order_of_a_date(tmp_path: Path) -> None:
    unsure = "Date,Block,kg\n02/03/2026,A1-01,0.3\n"
    map = two(tmp_path, unsure, "Date,Block,kg\n16/03/2026,A1-01,0.3\n")
    assert [sheet.date_order for sheet in map.sheets] == ["d/m/y", None]
    assert map.asks() == []


def test_decimals_are_told_from_thousands_or_asked(tmp_path: Path) -> None:
    unsure = 'Date,Block,kg\n2026-03-13,A1-01,"1,250"\n'
    (ask,) = guessed(tmp_path, unsure).asks
    assert "decimal" in ask
    map = two(tmp_path, unsure, 'Date,Block,kg\n2026-03-13,A1-01,"0,3"\n')
    assert map.sheets[0].decimal == ","
    assert guessed(tmp_path, "Date;Block;kg\n2026-03-13;A1-01;1,250\n").decimal == ","
    assert guessed(tmp_path, "Date,Block,kg\n2026-03-13,A1-01,1.250\n").decimal == "."


def test_a_year_that_stands_above_is_used_and_else_asked_for(tmp_path: Path) -> None:
    assert guessed(tmp_path, "Harvest 2026\nDate,Block,kg\n13 Mar,A1-01,0.3\n").year == 2026
    (ask,) = guessed(tmp_path, "Date,Block,kg\n13 Mar,A1-01,0.3\n").asks
    assert "year" in ask


def test_days_written_once_for_several_rows(tmp_path: Path) -> None:
    text = "Date,Block,kg\n2026-03-13,A1-01,0.3\n,A1-02,0.3\n,A1-03,0.2\n2026-03-14,A1-01,0.1\n"
    assert guessed(tmp_path, text).fill_down == ("Date",)


def test_a_batch_left_blank_beside_a_bag_is_not_filled(tmp_path: Path) -> None:
    text = "Date,Bag,Whole batch,Why\n2026-03-13,A1-01,,mould\n2026-03-14,A1-02,,mould\n2026-03-15,,A1,spent\n"
    assert guessed(tmp_path, text).fill_down == ()


def test_words_for_signs_and_reasons_are_listed_with_what_they_are_taken_for(tmp_path: Path) -> None:
    sheet = guessed(tmp_path, "Date,Block,Signs\n2026-03-13,A1-01,Trichoderma\n2026-03-14,A1-02,odd fuzz\n")
    assert sheet.words == {"trichoderma": "green", "odd fuzz": "?"}
    (ask,) = sheet.asks
    assert "odd fuzz" in ask


def test_what_was_defined_holds_from_the_first_day_of_the_notes(tmp_path: Path) -> None:
    map = two(tmp_path, "Item,Price,Per\nlabour,17,hour\n", "Date,Block,kg\n2026-03-13,A1-01,0.3\n")
    assert map.sheets[0].always["at"] == "2026-03-13"


def test_arms_make_a_trial_and_a_known_word_its_control(tmp_path: Path) -> None:
    text = "Batch,Made on,Bags,Arm\nA1,2026-03-13,8,{}\nA2,2026-03-13,8,more bran\n"
    known = propose([csv_table(tmp_path, text.format("usual"))]).trial
    unknown = propose([csv_table(tmp_path, text.format("P1"))])
    assert known is not None
    assert known.control == "usual"
    assert unknown.trial is not None
    assert unknown.trial.control == "?"
    assert "P1, more bran" in unknown.asks()[0]


def test_a_trials_name_does_not_depend_on_the_files(tmp_path: Path) -> None:
    text = "Batch,Made on,Bags,Arm\nA1,2026-03-13,8,P1\n"
    names = {propose([csv_table(tmp_path, text, name)]).trial.name for name in ("a.csv", "b.csv")}  # type: ignore[union-attr]
    assert names == {"Arm, from 2026-03-13"}


def test_two_sheets_of_one_name_are_told_apart(tmp_path: Path) -> None:
    text = "Date,Block,kg\n2026-03-13,A1-01,0.3\n"
    tables: list[Table] = []
    for folder in ("x", "y"):
        (tmp_path / folder).mkdir()
        tables += tables_in([csv_table_path(tmp_path / folder, text)])
    assert len({sheet.name for sheet in propose(tables).sheets}) == 1


def csv_table_path(folder: Path, text: str) -> Path:
    path = folder / "notes.csv"
    path.write_text(text)
    return path
