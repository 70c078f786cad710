"""The cost of a kilo: what has a price is counted to the cent, what has none is named."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.farm import Farm
from pinset.questions._batches import gather
from pinset.questions._money import PriceBook, batch_costs
from pinset.science.costs import share_out
from tests.questions.conftest import Say


def _costed(say: Say) -> None:
    """Two batches of one load, every line on record; the amounts are worked out by hand in the test."""
    say("define", "2026-01-01", what="price", name="labour", amount="18", per="hour")
    say("define", "2026-01-01", what="price", name="power", amount="0.30", per="kWh")
    say("define", "2026-01-01", what="price", name="place", amount="0.01", per="shelf-day")
    say("define", "2026-01-01", what="price", name="bag", amount="0.25", per="each")
    say("receive", "2026-01-05", lot="OAK", what="ingredient", item="oak", weight="100kg", cost="20")
    say("receive", "2026-01-05", lot="BRAN", what="ingredient", item="bran", weight="50kg", cost="20")
    say("receive", "2026-01-05", lot="G1", what="spawn", item="rye", weight="10kg", cost="34")
    say("mix", "2026-03-02", mix="M1", parts="OAK:12kg,BRAN:4kg", water="24kg")
    say("treat", "2026-03-02", load="L1", method="sterilise", energy_kwh="21")
    for code, units in (("A", "8"), ("B", "4")):
        say("make", "2026-03-02", batch=code, units=units, fill="2kg", mix="M1", load="L1", container="bag",
            spawn="G1:0.6kg", minutes="30")  # fmt: skip
    say("work", "2026-03-10", task="watering", minutes="60")
    say("pick", "2026-04-01", batch="A", weight="4kg", minutes="20")
    say("pick", "2026-04-01", batch="B", weight="1.5kg")
    say("dispatch", "2026-04-02", to="market", weight="5kg", price="12")
    say("note", "2026-05-30", text="end of season")


def test_each_line_is_what_one_works_out_by_hand(farm: Farm, say: Say) -> None:
    _costed(say)
    with farm.reader() as ledger:
        costs = {one.batch.code: one.lines for one in batch_costs(ledger, gather(ledger), PriceBook(ledger))}
    # mix: 12 x 0.20 + 4 x 0.40 = 4.00 for 40 kg, 0.10 a kilo; energy 6.30 by 8 to 4 units; shelf 30 days
    assert costs["A"] == {"substrate": 160, "spawn": 204, "containers": 200, "energy": 420, "shelf": 240,
                          "labour": round(18 * 100 * (50 / 60 + 8 / 12))}  # fmt: skip
    assert costs["B"] == {"substrate": 80, "spawn": 204, "containers": 100, "energy": 210, "shelf": 120,
                          "labour": round(18 * 100 * (30 / 60 + 4 / 12))}  # fmt: skip


def test_a_kilo_costs_all_cost_over_all_kilos_and_what_is_left_follows(farm: Farm, say: Say) -> None:
    _costed(say)
    answer = farm.ask("cost")
    whole = (160 + 204 + 200 + 420 + 240 + 2700 + 80 + 204 + 100 + 210 + 120 + 1500) / 100
    assert answer.figure("cost of a kilo").value == pytest.approx(whole / 5.5)
    assert answer.figure("left of a kilo").value == pytest.approx(12 - whole / 5.5)
    assert sum(row[1] for row in answer.table("lines").rows) == pytest.approx(whole)  # type: ignore[misc]
    assert "labour" in answer.headline and "each kilo left" in answer.headline


def test_without_labour_and_substrate_no_profit_is_claimed(farm: Farm, say: Say) -> None:
    say("receive", "2026-01-05", lot="G1", what="spawn", item="rye", weight="10kg", cost="34")
    for code in "ABC":
        say("make", "2026-03-02", batch=code, units="8", fill="2kg", spawn="G1:0.6kg")
        say("pick", "2026-04-01", batch=code, weight="4kg")
    say("dispatch", "2026-04-02", to="market", weight="5kg", price="12")
    answer = farm.ask("cost")
    assert answer.standing.word == "open" and "substrate and labour" in answer.standing.reason
    assert "in spawn alone" in answer.headline
    with pytest.raises(KeyError):
        answer.figure("left of a kilo")
    assert any("minutes" in hint for hint in answer.next)


def test_a_recipe_is_priced_by_its_parts_water_being_free(farm: Farm, say: Say) -> None:
    say("define", "2026-01-01", what="recipe", name="oak mix", parts="oak:30%,bran:10%,water:60%", moisture="62%")
    say("receive", "2026-01-05", lot="R1", what="ingredient", item="oak", weight="100kg", cost="20")
    say("receive", "2026-02-05", lot="R2", what="ingredient", item="oak", weight="100kg", cost="40")
    say("define", "2026-01-01", what="price", name="bran", amount="0.40", per="kg")
    say("make", "2026-03-02", batch="A", units="10", fill="2kg", recipe="oak mix")
    with farm.reader() as ledger:
        one = batch_costs(ledger, gather(ledger), PriceBook(ledger))[0]
    assert one.lines["substrate"] == round(100 * 20 * (0.3 * 0.30 + 0.1 * 0.40))
    assert "water" not in one.missing


def test_the_price_of_the_day_counts(farm: Farm, say: Say) -> None:
    say("define", "2026-01-01", what="price", name="oak mix", amount="0.10", per="kg")
    say("define", "2026-03-10", what="price", name="oak mix", amount="0.20", per="kg")
    for code, day in (("A", "2026-03-02"), ("B", "2026-03-12")):
        say("make", day, batch=code, units="10", fill="2kg", recipe="oak mix")
    with farm.reader() as ledger:
        costs = batch_costs(ledger, gather(ledger), PriceBook(ledger))
    assert [one.lines["substrate"] for one in costs] == [200, 400]


@given(st.integers(0, 10**7), st.lists(st.integers(1, 500), min_size=1, max_size=12))
def test_energy_shared_by_units_adds_up_to_the_cent(whole: int, units: list[int]) -> None:
    parts = share_out(whole, units)
    assert sum(parts) == whole
    assert all(abs(part - whole * one / sum(units)) < 1 for part, one in zip(parts, units, strict=True))
