"""Coarse notes count too: a batch as a count and a weight, or a room's picking in a day, still give an answer."""

from __future__ import annotations

import pytest

from pinset.farm import Farm
from pinset.questions._batches import gather
from tests.questions.conftest import Say


def _level(farm: Farm, code: str) -> str:
    with farm.reader() as ledger:
        return next(batch.level for batch in gather(ledger).batches if batch.code == code)


def test_a_batch_noted_as_a_count_and_a_total_weight_has_its_yield(farm: Farm, say: Say) -> None:
    for code, kilos in (("A", "4.4 kg"), ("B", "3.6 kg")):
        say("make", "2026-03-02", batch=code, units="8", total="16 kg", moisture="60 %")
        say("pick", "2026-03-28", batch=code, weight=kilos)
    answer = farm.ask("yields")
    assert answer.figure("per unit made").value == pytest.approx(0.5)
    assert answer.figure("yield").value == pytest.approx(25.0)
    assert answer.figure("biological efficiency").value == pytest.approx(62.5)
    assert "batch" in answer.basis.level
    assert any("Weigh each unit" in hint for hint in answer.next)
    with pytest.raises(KeyError, match="there are"):
        answer.figure("per unit fruited")


def test_a_rooms_pick_is_a_batchs_when_only_that_batch_stood_there(farm: Farm, say: Say) -> None:
    say("make", "2026-03-02", batch="A", units="4", fill="2kg", room="Inc 1")
    say("make", "2026-03-02", batch="B", units="4", fill="2kg", room="Inc 1")
    say("move", "2026-03-20", batch="A", to="Fruiting 1")
    say("pick", "2026-03-28", room="Fruiting 1", weight="2 kg")
    with farm.reader() as ledger:
        kilos = {batch.code: (batch.picked_kg, batch.shared_kg) for batch in gather(ledger).batches}
    assert kilos == {"A": (2.0, 0.0), "B": (0.0, 0.0)}
    assert _level(farm, "A") == "room"


def test_a_rooms_pick_is_shared_by_units_where_several_batches_stood_and_said_to_be_an_estimate(
    farm: Farm, say: Say
) -> None:
    say("make", "2026-03-02", batch="A", units="6", fill="2kg", room="Fruiting 1")
    say("make", "2026-03-03", batch="B", units="3", fill="2kg", room="Fruiting 1")
    say("cull", "2026-03-20", units="A-01..03", reason="contaminated")
    say("pick", "2026-03-28", room="Fruiting 1", weight="3 kg")
    with farm.reader() as ledger:
        kilos = {batch.code: (batch.picked_kg, batch.shared_kg) for batch in gather(ledger).batches}
    assert kilos == {"A": (0.0, 1.5), "B": (0.0, 1.5)}
    answer = farm.ask("yields")
    assert answer.standing.word == "leaning" and "shared" in answer.standing.reason
    assert any("not the room" in hint for hint in answer.next)


def test_a_rooms_pick_with_nobody_there_is_named_and_given_to_no_batch(farm: Farm, say: Say) -> None:
    say("make", "2026-03-02", batch="A", units="4", fill="2kg")
    say("make", "2026-03-02", batch="B", units="4", fill="2kg")
    say("pick", "2026-03-28", batch="A", weight="2 kg")
    say("pick", "2026-03-28", room="Attic", weight="1.5 kg")
    answer = farm.ask("yields")
    assert answer.figure("picked").value == pytest.approx(2.0)
    assert any("1.5 kg" in caution and "no batch" in caution for caution in answer.cautions)


def test_a_batch_weight_that_repeats_its_units_weights_is_counted_once(farm: Farm, say: Say) -> None:
    say("make", "2026-03-02", batch="A", units="2", fill="2kg")
    say("pick", "2026-03-28", unit="A-01", weight="0.4 kg")
    say("pick", "2026-03-28", unit="A-02", weight="0.6 kg")
    say("pick", "2026-03-28", batch="A", weight="1.01 kg")
    say("pick", "2026-04-09", batch="A", weight="0.5 kg")
    with farm.reader() as ledger:
        batch = gather(ledger).batches[0]
    assert batch.picked_kg == pytest.approx(1.5)
    assert (batch.doubled, batch.level) == (1, "batch")
    assert any("counted once" in caution for caution in farm.ask("yields").cautions)


def test_shelf_days_end_with_the_cull_or_the_last_note(farm: Farm, say: Say) -> None:
    say("make", "2026-03-02", batch="A", units="3", fill="2kg")
    say("cull", "2026-03-12", unit="A-01", reason="contaminated")
    say("pick", "2026-04-01", batch="A", weight="0.5 kg")
    with farm.reader() as ledger:
        batch = gather(ledger).batches[0]
    assert batch.shelf_days == 10 + 2 * 30, "noon to noon is a day, also over the change to summer time"


def test_the_spawn_run_is_an_interval_between_two_looks(farm: Farm, say: Say) -> None:
    say("make", "2026-03-02", batch="A", units="3", fill="2kg")
    say("check", "2026-03-09", batch="A", run="40 %")
    say("check", "2026-03-12", unit="A-01", run="70 %")
    say("check", "2026-03-16", unit="A-01", run="100 %")
    with farm.reader() as ledger:
        units = gather(ledger).batches[0].units
    assert [(unit.run_after, unit.run_by) for unit in units] == [(10.0, 14.0), (7.0, None), (7.0, None)]


def test_nothing_picked_yet_says_what_to_note(farm: Farm, say: Say) -> None:
    say("make", "2026-03-02", batch="A", units="3", fill="2kg")
    for name in ("yields", "cost"):
        answer = farm.ask(name)
        assert answer.standing.word == "open" and answer.next
