"""What there is to find can be found with nothing but paired days and Student's t, and is as the story says."""

from __future__ import annotations

from pathlib import Path
from statistics import fmean, median, stdev

import numpy as np
import pytest
from scipy.special import stdtrit

from pinset.demo import story
from pinset.demo.money import expected_kg, making_cost, pays
from pinset.demo.season import Year, live
from pinset.demo.story import Way
from pinset.demo.truth import Truth

KILO = story.PRICE[story.KING] - story.PICKING_MINUTES / 60 * story.WAGE


def by_day(year: Year, way: Way) -> dict[int, float]:
    """Kilos for each bag made, by make day."""
    given: dict[int, list[float]] = {}
    for bag in year.bags:
        if bag.batch.way is way:
            given.setdefault(bag.batch.block, []).append(sum(pick.grams for pick in bag.picks) / 1000)
    return {block: fmean(bags) for block, bags in given.items()}


def against_house(year: Year, way: Way) -> tuple[float, float, float]:
    """The mean same-day difference from the house way and its interval; 0.05 is shared among the three ways."""
    house, other = by_day(year, story.HOUSE), by_day(year, way)
    apart = [other[block] - house[block] for block in other]
    reach = float(stdtrit(len(apart) - 1, 1 - 0.025 / 3)) * stdev(apart) / len(apart) ** 0.5
    return fmean(apart), fmean(apart) - reach, fmean(apart) + reach


def money(way: Way, kilos: float) -> float:
    return kilos * KILO - (making_cost(way) - making_cost(story.HOUSE))


def test_soy_hulls_yield_more_and_pay(year: Year, truth: Truth) -> None:
    _, low, high = against_house(year, story.HULLS)
    assert low > 0 and money(story.HULLS, low) > 0
    assert money(story.HULLS, low) < truth.way("soy hulls").pays < money(story.HULLS, high)


def test_okara_yields_more_and_does_not_pay(year: Year, truth: Truth) -> None:
    _, low, high = against_house(year, story.OKARA)
    assert low > 0 and money(story.OKARA, high) < 0
    assert money(story.OKARA, low) < truth.way("okara").pays < money(story.OKARA, high)


def test_the_notes_cannot_settle_coffee_chaff(year: Year, truth: Truth) -> None:
    _, low, high = against_house(year, story.CHAFF)
    assert truth.way("coffee chaff").days == 3
    assert money(story.CHAFF, low) < -1 < 1 < money(story.CHAFF, high)


def test_pays_agrees_with_many_drawn_bags() -> None:
    """The expectation against a mean over draws of contamination and flushes; four standard errors allowed."""
    day, chance, draws = story.MAKE_DAYS[9], np.random.default_rng(5), 40_000
    lot = next(lot for lot in story.SPAWN if lot.lot == day.spawn)
    bad = 0.03 * story.OKARA.contamination * lot.contamination * day.season.contamination
    whole = 1.6 * 0.38 * 0.64 * story.OKARA.yields * lot.yields * day.season.yields
    given = whole * (0.74 + 0.26 * (chance.random(draws) < 0.93)) * (chance.random(draws) >= bad)
    error = given.std(ddof=1) / draws**0.5
    assert abs(expected_kg(story.OKARA, day, 10) - given.mean()) < 4 * error
    assert pays(story.HOUSE) == 0


def test_ways_are_counted_as_they_were_made(year: Year, truth: Truth) -> None:
    assert {way.name: (way.days, way.batches, way.bags) for way in truth.ways} == {
        "house": (13, 13, 91), "soy hulls": (13, 13, 91), "okara": (13, 13, 91), "coffee chaff": (3, 3, 21),
    }  # fmt: skip
    for way, told in zip(story.WAYS, truth.ways, strict=True):
        assert told.picked_kg == pytest.approx(7 * sum(by_day(year, way).values()))


def test_passage_three_has_fresher_spawn_beside_it_and_passage_four_has_none(truth: Truth) -> None:
    lots = {lot.lot: lot for lot in truth.spawn}
    assert lots["KE-S3"].beside == ("KE-S2",) and lots["KE-S3"].passage == 3
    assert lots["KE-S4"].beside == () and lots["KE-S4"].passage == 4
    seasons = {day.season for day in story.MAKE_DAYS if day.spawn == "KE-S4"}
    assert seasons == {story.HOT}
    assert all(day.season == story.EVEN for day in story.MAKE_DAYS if day.spawn != "KE-S4")


def test_passage_three_runs_slower_on_the_same_days(year: Year) -> None:
    behind = []
    for day in (day for day in story.MAKE_DAYS if day.beside):
        house = [bag for bag in year.bags if bag.batch.day == day.day and bag.batch.mix == story.HOUSE.mix]
        older, fresher = (
            median(bag.run_days for bag in house if bag.batch.spawn.lot == lot) for lot in (day.spawn, day.beside)
        )
        behind.append(older - fresher)
    assert len(behind) == 4 and fmean(behind) == pytest.approx(0.11 * 27, abs=1.5)


def test_passage_four_is_slower_and_goes_bad_more_often(year: Year, truth: Truth) -> None:
    def runs(lot: str) -> float:
        return median(bag.run_days for bag in year.bags if bag.batch.spawn.lot == lot and bag.batch.way is story.HOUSE)

    assert runs("KE-S2") < runs("KE-S3") < runs("KE-S4")
    lots = {lot.lot: lot for lot in truth.spawn}
    in_bad_load = truth.bad_load_contaminated
    early = (lots["KE-S2"].contaminated - in_bad_load) / (lots["KE-S2"].bags - truth.bad_load_bags)
    assert lots["KE-S4"].contaminated / lots["KE-S4"].bags > 1.5 * early


def test_one_load_went_bad(truth: Truth) -> None:
    others = sum(lot.contaminated for lot in truth.spawn) - truth.bad_load_contaminated
    assert truth.bad_load == "ST05" and truth.bad_load_bags == 21
    assert truth.bad_load_contaminated / 21 > 5 * others / (truth.units - 21)


def test_one_batch_failed(year: Year, truth: Truth) -> None:
    given = {batch.code: sum(p.grams for b in year.bags_of(batch) for p in b.picks) for batch in year.batches}
    sound = {
        batch.code: given[batch.code] / sound
        for batch in year.batches
        if (sound := sum(bag.bad_on is None for bag in year.bags_of(batch)))
    }
    lowest, next_lowest = sorted(sound.values())[:2]
    assert sound[truth.failed_batch] == lowest < next_lowest / 3


def test_bags_of_lions_mane_weigh_about_twice_as_much(year: Year) -> None:
    def mean(species: str) -> float:
        return fmean(
            sum(pick.grams for pick in bag.picks) for bag in year.bags if bag.batch.species == species and bag.picks
        )

    assert 1.3 < mean(story.LION) / mean(story.KING) < 2.2


def test_labour_is_where_the_money_goes(truth: Truth) -> None:
    assert set(truth.spent) == {"labour", "ingredients", "spawn", "power", "places"}
    assert truth.spent["labour"] > 0.5 * sum(truth.spent.values())
    assert sum(truth.spent.values()) < 18.5 * truth.sold_mg / 1e6


def test_the_page_about_the_farm_tells_the_same_truth(truth: Truth) -> None:
    page = (Path(__file__).parents[2] / "docs/explanation/demo-farm.md").read_text(encoding="utf-8")
    rows = [
        f"| {way.name} | × {way.yields:.2f} | × {way.contamination:.1f} | × {way.run:.2f} | {way.minutes} min"
        f" | {way.pays:+.2f} |"
        for way in truth.ways
    ]
    rows += [
        f"| {lot.lot}, passage {lot.passage} | × {lot.yields:.2f} | × {lot.contamination:.1f} | × {lot.run:.2f} |"
        for lot in truth.spawn
        if lot.batches and lot.lot.startswith("KE")
    ]
    hot = story.HOT
    rows.append(f"| the hot weeks, all of KE-S4 | × {hot.yields:.2f} | × {hot.contamination:.1f} | × {hot.run:.2f} |")
    assert len(rows) == 8 and [row for row in rows if row not in page] == []
    assert f"{truth.batches} batches, {truth.units} bags" in page


def test_with_another_seed_the_notes_may_not_settle_what_is_true() -> None:
    _, low, high = against_house(live(15), story.HULLS)
    assert money(story.HULLS, low) < 0 < money(story.HULLS, high)
