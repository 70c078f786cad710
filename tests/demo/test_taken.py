"""The notes go in as a grower would take them: a guessed map, one answer, and what went in is what was sound."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pinset.demo import story
from pinset.demo.truth import Truth
from pinset.farm import Farm
from pinset.intake.desk import look, proposed, tables_in, take_in
from pinset.intake.take import Taking
from pinset.ledger.read import Reader
from pinset.ledger.tables import Batch, Delivery, Lot, Picked, Seen, Unit


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Farm]:
    folder = tmp_path_factory.mktemp("farm") / "record"
    with Farm.start(folder, story.FARM, story.CURRENCY, story.ZONE) as started:
        yield started


@pytest.fixture(scope="module")
def taking(farm: Farm, folder: Path, truth: Truth) -> Taking:
    tables = tables_in([folder / name for name in truth.files])
    found = look(farm, tables, proposed(farm, tables).with_control(story.HOUSE.name))
    assert not found.asks
    take_in(farm, found)
    return found


def test_every_sound_row_is_taken_and_every_spoilt_one_set_aside(taking: Taking, truth: Truth) -> None:
    taken = {(sheet.table.file, sheet.table.sheet): sheet.rows for sheet in taking.sheets}
    csvs = {name.removesuffix(".csv") for name in truth.files}
    assert {(file, "" if sheet in csvs else sheet): rows for (file, sheet), rows in taken.items()} == truth.rows
    aside = {(one.problem.file, one.problem.row) for one in taking.asides}
    assert aside == {(fault.file, fault.row) for fault in truth.faults}
    assert len(taking.asides) == len(truth.faults)


def test_no_sheet_and_no_column_is_left_out(taking: Taking, truth: Truth) -> None:
    assert [table.sheet for table in taking.left_out] == []
    assert len(taking.sheets) == len(truth.rows)
    assert {column for sheet in taking.sheets for column in sheet.left_out} == set()


def test_the_record_holds_what_was_sound(farm: Farm, taking: Taking, truth: Truth) -> None:
    with farm.reader() as ledger:
        assert (ledger.count(Batch), ledger.count(Unit)) == (truth.batches, truth.units)
        picked, seen = ledger.rows(Picked), ledger.rows(Seen)
        for level in truth.picks:
            here = [pick for pick in picked if pick.level == level]
            assert (len(here), sum(pick.weight_mg for pick in here)) == (truth.picks[level], truth.picked_mg[level])
        assert {level: sum(look.level == level for look in seen) for level in truth.checks} == truth.checks
        assert sum(one.weight_mg for one in ledger.rows(Delivery)) == truth.sold_mg
        assert _passages(ledger) == {lot.lot: lot.passage for lot in story.SPAWN}


def _passages(ledger: Reader) -> dict[str, int | None]:
    return {lot.code: lot.passage for lot in ledger.rows(Lot) if lot.what in ("culture", "spawn")}


def test_each_batch_has_the_arm_and_spawn_of_the_story(farm: Farm, taking: Taking, truth: Truth) -> None:
    with farm.reader() as ledger:
        batches = ledger.rows(Batch)
    for way in truth.ways:
        assert sum(batch.arm == way.name and batch.recipe == way.mix for batch in batches) == way.batches
    assert {batch.trial is None for batch in batches if batch.arm is None} == {True}
    assert len({batch.trial for batch in batches if batch.arm is not None}) == 1
