"""A grower's workbook with a known truth beside it, taken with a proposed map and one edit.

The workbook lies beside a working copy of this project (../shared/notes), not in it; without it this is skipped.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from pinset.farm import Farm
from pinset.intake import aside
from pinset.intake.desk import look, proposed, tables_in, take_files, take_in
from pinset.intake.map import map_said, read_map
from pinset.intake.mapfile import map_text
from pinset.ledger.tables import Batch, Delivery, Lot, Picked, Seen, SignSeen, Unit

NOTES = Path(__file__).resolve().parents[2].parent / "shared" / "notes"
WORKBOOK = NOTES / "notebook.xlsx"
pytestmark = pytest.mark.skipif(not WORKBOOK.exists(), reason="needs ../shared/notes/notebook.xlsx")
NOW = datetime(2026, 9, 1, tzinfo=UTC)  # after the last note in it

# Each fault of truth.json: its row, its column, its sort, and what is said of it.
FAULTS = {
    "a pick written twice, same cells: KB002-01 flush 2": ("Weighed", 22, "", "question", "row 21 of Weighed"),
    "a negative weight: KB003-05 flush 2": ("Weighed", 581, "Weight kg", "fault", "-0.146"),
    "a pick from a unit that was never made: ZZ999-01": ("Weighed", 582, "Block", "question", "ZZ999-01"),
    "a pick dated before its batch was made: KB005-01": ("Weighed", 583, "Picked", "question", "2026-02-20"),
    "grams written as kg: KB006-03": ("Weighed", 584, "Weight kg", "question", "181 kg"),
    "a check of 140 %": ("Looked at", 1374, "% run", "fault", "140 %"),
}


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    found: dict[str, Any] = json.loads((NOTES / "truth.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Farm]:
    """A farm that has taken the workbook by a map written to disk, in which one "?" was answered."""
    folder = tmp_path_factory.mktemp("notebook")
    with Farm.start(folder / "farm", "Notebook farm", "EUR", "Europe/Vienna") as started:
        text = map_text(proposed(started, tables_in([WORKBOOK])))
        assert text.count('"?"') == 2  # the head's explanation, and the one thing asked
        path = folder / "notebook.map.toml"
        path.write_text(text.replace('control = "?"', 'control = "P1"'), encoding="utf-8")
        map = read_map(path)
        take_in(started, look(started, tables_in([WORKBOOK], map), map, now=NOW))
        yield started


def test_the_sound_rows_are_on_record_to_the_milligram(farm: Farm, truth: dict[str, Any]) -> None:
    with farm.reader() as ledger:
        counts = {name: ledger.count(table) for name, table in (("batches", Batch), ("units", Unit), ("checks", Seen))}
        picks = ledger.rows(Picked)
        lots, sales, signs = ledger.count(Lot), ledger.rows(Delivery), ledger.count(SignSeen)
    assert counts == {name: truth[name] for name in counts}
    assert len(picks) == truth["picks"]
    assert sum(pick.weight_mg for pick in picks) == round(truth["picked_kg"] * 1_000_000)
    assert lots == 5
    assert (len(sales), sum(sale.weight_mg for sale in sales)) == (22, 576_000_000)  # added up from the sheet
    assert signs == sum(arm["contaminated"] for arm in truth["arms"].values())


def test_exactly_the_six_faults_are_set_aside(farm: Farm, truth: dict[str, Any]) -> None:
    assert list(FAULTS) == truth["faulty_rows"]
    problems = [one.problem for one in aside.listed(farm)]
    found = {(one.sheet, one.row, one.column, one.sort) for one in problems}
    assert found == {expected[:4] for expected in FAULTS.values()}
    by_row = {(one.sheet, one.row): one for one in problems}
    for sheet, row, _, _, came in FAULTS.values():
        problem = by_row[sheet, row]
        assert came in problem.came
        assert problem.file == "notebook.xlsx"
        assert problem.needed


def test_arms_make_a_trial_with_its_control(farm: Farm, truth: dict[str, Any]) -> None:
    from pinset.ledger.tables import Definition

    with farm.reader() as ledger:
        trials = [json.loads(row.body) for row in ledger.rows(Definition, what="trial")]
        arms = [row.arm for row in ledger.rows(Unit)]
    assert [(trial["arms"], trial["control"], trial["given_to"]) for trial in trials] == [
        (["P1", "P2", "P3", "P4"], "P1", "batch")
    ]
    assert {arm: arms.count(arm) for arm in truth["arms"]} == {arm: one["units"] for arm, one in truth["arms"].items()}


def test_taken_again_nothing_is_new(farm: Farm, tmp_path: Path) -> None:
    """Also renamed, and read by a fresh guess: the trial on record tells the guess its control."""
    renamed = tmp_path / "copy of notes.xlsx"
    shutil.copy(WORKBOOK, renamed)
    with farm.reader() as ledger:
        before = ledger.count(Picked)
    taking, taken = take_files(farm, [renamed], now=NOW, by="somebody else")
    assert (taken.kept, taken.aside, taking.count("rows")) == (0, 0, 0)
    assert taking.count("again") == 40 + 576 + 1370 + 5 + 22
    assert len(taking.asides) == len(FAULTS)
    with farm.reader() as ledger:
        assert ledger.count(Picked) == before


def test_the_control_is_asked_for(farm: Farm, tmp_path: Path) -> None:
    with Farm.start(tmp_path / "other", "Other farm", zone="Europe/Vienna") as other:
        (ask,) = proposed(other, tables_in([WORKBOOK])).asks()
    assert "P1, P2, P3, P4" in ask
    assert 'control = "..."' in ask
    assert "--control" in ask


def test_the_proposed_map_reads_back_as_it_was_written(farm: Farm) -> None:
    import tomllib

    guess = proposed(farm, tables_in([WORKBOOK]))
    again = map_said(tomllib.loads(map_text(guess)))
    assert map_text(again).splitlines()[3:] != []
    assert [(sheet.name, sheet.kind, sheet.columns, sheet.words) for sheet in again.sheets] == [
        (sheet.name, sheet.kind, sheet.columns, sheet.words) for sheet in guess.sheets
    ]
