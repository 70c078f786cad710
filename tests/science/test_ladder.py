from __future__ import annotations

from math import ceil, comb, inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.ladder import (
    CultureStore,
    Ladder,
    LimitTooLow,
    Need,
    RevivalTooPoor,
    Start,
    Step,
    StepsDoNotFit,
    StepUnknown,
    Stock,
    cultures_to_store,
    plan,
)

UNITS = Step("units", gives=1, takes=0.125, days=0, loss=0.05)
SPAWN = Step("spawn", gives=2.5, takes=0.1, days=14, keeps=21, loss=0.02)
MASTER = Step("master", gives=1.0, takes=0.5, days=12, keeps=30, loss=0.1)
PLATES = Step("plates", gives=1.0, takes=0.0, days=10, keeps=40, loss=0.1, transfers=0)
FARM = [UNITS, SPAWN, MASTER, PLATES]

numbers = st.floats(0.05, 20.0).map(lambda number: round(number, 2))


@st.composite
def farms(draw: st.DrawFn) -> tuple[list[Step], list[Need], list[Stock]]:
    count = draw(st.integers(1, 4))
    steps = [
        Step(
            f"step {place}",
            gives=draw(numbers),
            takes=0.0 if place == count - 1 else draw(numbers),
            days=draw(st.integers(0, 20)),
            keeps=draw(st.integers(0, 40)),
            loss=draw(st.floats(0.0, 0.6)),
            transfers=draw(st.integers(0, 2)),
        )
        for place in range(count)
    ]
    needs = draw(st.lists(st.builds(Need, st.integers(0, 60), numbers), max_size=6))
    lots = draw(
        st.lists(st.tuples(st.integers(0, count - 1), numbers, st.integers(0, 6), st.integers(-40, 40)), max_size=5)
    )
    stock = [
        Stock(f"step {step}", f"lot {place}", amount, passage, ready, ready + 30)
        for place, (step, amount, passage, ready) in enumerate(lots)
    ]
    return steps, needs, stock


def starts_of(found: Ladder, step: str) -> list[Start]:
    return [start for start in found.starts if start.step == step]


@settings(deadline=None)
@given(farms())
def test_mass_balances_at_every_step(farm: tuple[list[Step], list[Need], list[Stock]]) -> None:
    steps, needs, stock = farm
    found = plan(steps, needs, stock)
    wanted = sum(need.amount for need in needs)
    for step, balance in zip(steps, found.balances, strict=True):
        begun = starts_of(found, step.name)
        assert balance.stock + balance.made == pytest.approx(balance.lost + balance.used + balance.left, abs=1e-6)
        assert balance.used == pytest.approx(wanted, abs=1e-9)
        assert balance.made == pytest.approx(sum(start.made for start in begun))
        assert balance.lost == pytest.approx(sum(start.lost for start in begun))
        assert balance.left >= -1e-9
        wanted = sum(start.takes for start in begun)
    assert wanted == 0


@settings(deadline=None)
@given(farms())
def test_everything_drawn_is_there_on_the_day_and_no_lot_gives_more_than_it_holds(
    farm: tuple[list[Step], list[Need], list[Stock]],
) -> None:
    steps, needs, stock = farm
    found = plan(steps, needs, stock)
    keeps = {step.name: step.keeps for step in steps}
    lots = {lot.label: (lot.ready, lot.until, lot.amount) for lot in stock}
    starts = {
        place: (start.ready, start.ready + keeps[start.step], start.made - start.lost)
        for place, start in enumerate(found.starts)
    }
    given_out = dict.fromkeys([*lots, *starts], 0.0)
    for start in found.starts:
        taken = sum(draw.amount for draw in start.drawn)
        assert taken == pytest.approx(start.takes, abs=1e-6)
        for draw in start.drawn:
            ready, until, _ = (lots | starts)[draw.source]
            assert ready <= start.day <= until
            given_out[draw.source] += draw.amount
    for source, amount in given_out.items():
        assert amount <= (lots | starts)[source][2] + 1e-6


@settings(deadline=None)
@given(farms())
def test_passages_add_up_from_what_was_drawn(farm: tuple[list[Step], list[Need], list[Stock]]) -> None:
    steps, needs, stock = farm
    found = plan(steps, needs, stock, passage=2)
    passages = {lot.label: lot.passage for lot in stock} | {
        place: start.passage for place, start in enumerate(found.starts)
    }
    transfers = {step.name: step.transfers for step in steps}
    for start in found.starts:
        above = max((passages[draw.source] for draw in start.drawn), default=2)
        assert start.passage == above + transfers[start.step]


@settings(deadline=None)
@given(farms())
def test_no_vessel_is_started_for_nothing(farm: tuple[list[Step], list[Need], list[Stock]]) -> None:
    steps, needs, stock = farm
    found = plan(steps, needs, stock)
    for step in steps:
        for start in starts_of(found, step.name):
            assert start.vessels >= 1
            assert start.made == pytest.approx(start.vessels * step.gives)
            assert start.ready - start.day == pytest.approx(step.days)


def test_one_week_by_hand() -> None:
    found = plan(FARM, [Need(60, 100)])
    units, spawn, master, plates = found.starts
    # 100 / 0.95 = 105.3 units take 106 x 0.125 = 13.25 kg; 13.25 / 2.45 = 5.4 bags take 0.6 kg; 0.6 / 0.9 is one
    # master of half a plate, of which one at 0.9 is enough.
    assert [start.vessels for start in found.starts] == [ceil(100 / 0.95), 6, 1, 1]
    assert [start.day for start in found.starts] == [60, 46, 34, 24]
    assert spawn.takes == pytest.approx(0.6)
    assert units.drawn == ((13.25, 1),)
    assert (found.passage, units.passage, spawn.passage, master.passage, plates.passage) == (3, 3, 2, 1, 0)
    assert found.balances[1].left == pytest.approx(6 * 2.45 - 13.25)


def test_what_is_left_over_serves_later_weeks_while_it_keeps() -> None:
    weeks = [Need(60 + 7 * week, 10) for week in range(4)]
    found = plan([UNITS, SPAWN], weeks)
    # 11 units a week take 1.375 kg: the bag of the first week, 2.45 kg, serves part of the second.
    assert [start.day for start in starts_of(found, "spawn")] == [46, 53, 67]
    fresh_each_week = plan([UNITS, Step("spawn", 2.5, 0.1, 14, keeps=3, loss=0.02)], weeks)
    assert len(starts_of(fresh_each_week, "spawn")) == 4


def test_stock_is_used_first_and_the_oldest_of_it() -> None:
    stock = [
        Stock("spawn", "late", 50, passage=2, until=200),
        Stock("spawn", "soon", 8, passage=5, until=70),
        Stock("spawn", "gone", 99, passage=9, until=10),
        Stock("spawn", "unripe", 99, passage=9, ready=80),
    ]
    found = plan(FARM, [Need(60, 100)], stock)
    (units,) = found.starts
    assert units.drawn == ((8, "soon"), (5.25, "late"))
    assert units.passage == 6
    assert found.balances[1].left == pytest.approx(44.75 + 99 + 99)


def test_a_need_met_from_stock_alone_starts_nothing() -> None:
    found = plan([UNITS], [Need(5, 3)], [Stock("units", "shelf", 4, passage=4)])
    assert found.starts == ()
    assert found.passage == 4
    assert plan([UNITS], []).passage == 0


def test_what_should_have_been_started_is_late() -> None:
    found = plan(FARM, [Need(30, 100)], today=0)
    assert [start.step for start in found.late] == ["plates"]
    assert found.behind == 6
    assert plan(FARM, [Need(36, 100)], today=0).behind == 0.0
    assert plan(FARM, [Need(36, 100)], today=1).behind == 1.0


def test_multiplication_is_what_comes_out_for_what_goes_in() -> None:
    assert SPAWN.multiplication == pytest.approx(24.5)
    assert PLATES.multiplication == inf
    found = plan([SPAWN, PLATES], [Need(50, 24.5 * 2)])
    assert found.balances[0].used / found.balances[1].used == pytest.approx(SPAWN.multiplication)


@settings(deadline=None)
@given(st.floats(0.1, 20), st.integers(0, 8), st.integers(0, 8), st.floats(5, 200))
def test_stored_cultures_carry_through_the_years_and_one_fewer_does_not(
    years: float, downstream: int, spare: int, keeps: float
) -> None:
    store = cultures_to_store(years, downstream + spare, downstream, keeps)
    assert store.days == (spare + 1) * keeps
    assert store.stored == store.needed
    assert store.needed * store.days >= years * 365.25 - 1e-3
    assert (store.needed - 1) * store.days < years * 365.25


@settings(deadline=None)
@given(st.integers(1, 12), st.floats(0.3, 0.99), st.sampled_from([0.8, 0.95, 0.99]))
def test_enough_of_the_stored_cultures_revive(needed: int, revived: float, confidence: float) -> None:
    def enough(stored: int) -> float:
        ways = (comb(stored, alive) * revived**alive * (1 - revived) ** (stored - alive) for alive in range(needed))
        return 1 - sum(ways)

    store = cultures_to_store(needed * 90 / 365.25, 4, 3, 45, revived=revived, confidence=confidence)
    assert store.needed == needed
    assert enough(store.stored) >= confidence - 1e-6
    assert enough(store.stored - 1) < confidence + 1e-6


def test_for_no_time_no_culture_is_stored() -> None:
    assert cultures_to_store(0, 4, 3, 45, revived=0.5) == CultureStore(0, 0, 90)


def test_refusals() -> None:
    with pytest.raises(LimitTooLow):
        cultures_to_store(5, limit=2, downstream=3, keeps=45)
    with pytest.raises(RevivalTooPoor):
        cultures_to_store(5, limit=4, downstream=3, keeps=45, revived=1e-9)
    with pytest.raises(StepUnknown):
        plan([UNITS], [Need(1, 1)], [Stock("spawn", "lot", 1)])
    for gives, takes, days, loss in ((0, 1, 1, 0), (1, -1, 1, 0), (1, 1, -1, 0), (1, 1, 1, 1), (1, 1, 1, -0.1)):
        with pytest.raises(StepsDoNotFit):
            Step("wrong", gives, takes, days, loss=loss)


def test_a_long_plan_keeps_its_books() -> None:
    weeks = [
        Need(60 + 7 * week, float(amount)) for week, amount in enumerate(np.random.default_rng(1).integers(50, 400, 52))
    ]
    found = plan(FARM, weeks)
    for balance in found.balances:
        assert balance.made == pytest.approx(balance.lost + balance.used + balance.left)
    assert found.passage == 3
