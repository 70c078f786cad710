"""How often to pass a line on: the trade's rule of thumb as an invented record, and what the notes cannot carry."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from pinset.farm import Farm
from pinset.questions.catalogue import NoSuchOption
from tests.questions.conftest import Say

# Common practice in the trade: fresh grain spawn gives about 25 % of wet substrate and colonises in 12 to 14 days;
# colonised substrate as spawn at a fifth colonises as fast at first, takes 18 to 19 days by the fourth round and gives
# roughly 11 %. Invented: the way there, and all money.
YIELDS = (0.25, 0.22, 0.15, 0.12, 0.11)
RUNS = (13, 13, 15, 17, 18)
CHANCE = "0,0.01,0.02,0.05,0.4"
CROPPING = 10


def _prices(say: Say) -> None:
    say("define", "2026-01-01", what="price", name="labour", amount="24", per="hour")
    say("define", "2026-01-01", what="price", name="straw", amount="0.20", per="kg")
    say("receive", "2026-01-01", lot="FRESH", what="spawn", item="rye", passage="1", weight="100kg", cost="600")


def _batch(say: Say, code: str, day: date, spawn: str, units: int, each: float, run: int) -> None:
    """Units of 1 kg with 0.40 of labour each, picked once when they have run and cropped."""
    say("make", day.isoformat(), batch=code, units=str(units), fill="1kg", recipe="straw", spawn=spawn,
        minutes=str(units))  # fmt: skip
    picked = (day + timedelta(days=run + CROPPING)).isoformat()
    say("pick", picked, batch=code, weight=f"{12 * each * 1000:.0f}g")


def _chain(say: Say, name: str, start: date, better: float, controls: bool = True) -> None:
    """A line passed on four times, with fresh spawn beside it each time; every yield is ``better`` than usual."""
    day, spawn = start, "FRESH:1.5kg"
    for times, (each, run) in enumerate(zip(YIELDS, RUNS, strict=True)):
        code = f"{name}{times}"
        _batch(say, code, day, spawn, 15, each * better, run)
        if times and controls:
            _batch(say, f"{code}F", day, "FRESH:1.2kg", 12, YIELDS[0] * better, RUNS[0])
        day += timedelta(days=run)
        given_up = [f"{code}-{unit}" for unit in (13, 14, 15)]
        say("cull", day.isoformat(), unit=",".join(given_up), reason="drawn from")
        say("draw", day.isoformat(), lot=f"{code}S", parents=",".join(f"{unit}:1kg" for unit in given_up),
            carrier="substrate", weight="3kg", cost="0.75")  # fmt: skip
        spawn = f"{code}S:3kg"


def _rule_of_thumb(say: Say, controls: bool = True) -> None:
    _prices(say)
    _chain(say, "A", date(2026, 2, 2), 1.02, controls)
    _chain(say, "B", date(2026, 6, 1), 0.98, controls)
    say("dispatch", "2026-03-01", to="market", weight="10kg", price="8")
    say("make", "2026-12-01", batch="LATER", units="1", fill="1kg")


def test_once_at_most_for_a_hobby_not_at_all_for_a_farm_short_of_shelves(farm: Farm, say: Say) -> None:
    _rule_of_thumb(say)
    answer = farm.ask("passage", chance=CHANCE, loss="15")
    assert "short of shelves, do not pass it on at all" in answer.headline
    assert "as with a hobby, pass it on once at most" in answer.headline
    switch = answer.figure("shelf price at which it changes").value
    assert switch is not None and f"{switch:.3f} EUR" in answer.headline


def test_the_price_of_the_shelf_at_which_it_changes_is_what_one_works_out_by_hand(farm: Farm, say: Say) -> None:
    _rule_of_thumb(say)
    answer = farm.ask("passage", chance=CHANCE, loss="15")
    rounds = answer.table("rounds").rows
    # Three of 15 units are given up, each with 0.20 of straw, 0.40 of labour and 0.60 of spawn, after 13 days of shelf:
    # a fifth of a unit goes into each of 15 new ones, with 0.05 of drawing.
    assert rounds[0][4] == pytest.approx(0.60)
    assert rounds[1][4] == pytest.approx((3 * 1.20 + 0.75) / 15)
    assert rounds[1][7] == pytest.approx(23 + 0.2 * 13)
    charge = 0.01 * 15 / (answer.basis.counts["units"] / answer.basis.counts["batches"])
    gain = 0.60 - 0.29 - 8 * 0.03 - charge
    assert answer.figure("shelf price at which it changes").value == pytest.approx(gain / 2.6)


def test_the_yield_falls_and_the_choice_is_sure_where_batches_agree(farm: Farm, say: Say) -> None:
    _rule_of_thumb(say)
    answer = farm.ask("passage", chance=CHANCE, loss="15")
    assert answer.standing.word == "settled"
    assert any("Kg a unit made: falls from passage" in caution for caution in answer.cautions)
    shapes = {row[1] for row in answer.table("decline").rows}
    assert {"a straight line", "a fall of any shape", "a rise, then a fall, of any shape"} <= shapes
    assert sum(row[4] for row in answer.table("curve").rows) == pytest.approx(100)  # type: ignore[misc]


def test_without_fresh_spawn_beside_it_season_and_passage_cannot_be_told_apart(farm: Farm, say: Say) -> None:
    _prices(say)
    _chain(say, "A", date(2026, 2, 2), 1.0, controls=False)
    say("dispatch", "2026-03-01", to="market", weight="10kg", price="8")
    say("make", "2026-12-01", batch="LATER", units="1", fill="1kg")
    answer = farm.ask("passage")
    assert answer.standing.word == "open" and "season" in answer.standing.reason
    assert "cannot be told apart" in answer.headline
    assert any("fresh spawn beside" in hint for hint in answer.next)


STATED = {
    "yields": "0.25,0.22,0.15,0.12,0.11", "days": "23,25.6,27.6,30,31.9", "chance": CHANCE, "loss": "300",
    "batch": "200", "price": "8", "spawn": "0.40", "draw": "0.09", "cost": "0.60",
}  # fmt: skip


def test_stated_numbers_answer_a_farm_without_a_record_and_are_never_settled(farm: Farm) -> None:
    answer = farm.ask("passage", **STATED)
    assert answer.figure("times to pass on, shelves full").value == 0
    assert answer.figure("times to pass on, shelves free").value == 1
    # by hand: passing on once gains 0.055 a unit more than fresh spawn and takes 2.6 shelf-days more
    assert answer.figure("shelf price at which it changes").value == pytest.approx(0.055 / 2.6)
    assert answer.standing.word == "open" and "stated" in answer.standing.reason


def test_where_the_answer_flips_the_other_choice_is_best_just_beyond(farm: Farm) -> None:
    flip = farm.ask("passage", **STATED).figure("spawn price at which it changes")
    assert flip.value is not None and flip.value > 0.40
    beyond = farm.ask("passage", **{**STATED, "spawn": f"{flip.value * 1.01:.6f}"})
    before = farm.ask("passage", **{**STATED, "spawn": f"{flip.value * 0.99:.6f}"})
    assert before.figure("times to pass on, shelves full").value == 0
    assert (beyond.figure("times to pass on, shelves full").value or 0) >= 1


def test_nothing_on_record_says_what_to_note(farm: Farm, say: Say) -> None:
    assert "no finished batch" in farm.ask("passage").headline
    _prices(say)
    _batch(say, "A", date(2026, 2, 2), "FRESH:1.2kg", 12, 0.25, 13)
    say("make", "2026-12-01", batch="LATER", units="1", fill="1kg")
    answer = farm.ask("passage")
    assert "every finished batch of FRESH" in answer.headline and answer.standing.word == "open"


@pytest.mark.parametrize("given", [{"yields": "a lot"}, {**STATED, "chance": "2"}, {**STATED, "days": "0,0"}])
def test_numbers_that_cannot_be_are_said(farm: Farm, given: dict[str, str]) -> None:
    with pytest.raises(NoSuchOption):
        farm.ask("passage", **given)
