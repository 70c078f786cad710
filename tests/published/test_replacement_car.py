"""When to replace a car: the textbook problem behind "how often to pass spawn on", with its printed costs."""

from __future__ import annotations

import csv
from itertools import product
from pathlib import Path

import numpy as np

from pinset.science.renewal import Rounds, best_passages, best_season, curve

PRICE = 12.0
LINES = Path(__file__).with_name("replacement_car.csv").read_text(encoding="utf-8").splitlines()[1:]
UPKEEP, TRADE_IN, ARC_COST = np.array(
    [[float(row[name]) for name in ("upkeep", "trade_in", "arc_cost")] for row in csv.DictReader(LINES)]
).T


def car() -> Rounds:
    """A year is a round of one shelf-day: the new car is the first year's spawn, and what it loses is cost."""
    lost = -np.diff(TRADE_IN, prepend=PRICE)
    bought = np.zeros(5)
    return Rounds(np.zeros(5), UPKEEP + lost, bought, np.ones(5), np.zeros(5))


def test_costs_of_keeping_are_the_printed_ones() -> None:
    assert (-car().gains.cumsum()).tolist() == ARC_COST.tolist()


def test_cheapest_average_is_six_thousand_a_year_at_two_years() -> None:
    # Computed from the printed arcs: 7, 6, 7, 7.75 and 8.8 thousand a year.
    assert best_passages(car()) + 1 == 2
    assert (-curve(car())).tolist() == [7.0, 6.0, 7.0, 7.75, 8.8]


def test_five_years_cost_thirty_one_thousand() -> None:
    # Computed from the printed arcs as the shortest path; here also by going through every plan.
    season = best_season(car().gains, rounds=5)
    plans = (plan for cars in range(1, 6) for plan in product(range(1, 6), repeat=cars) if sum(plan) == 5)
    assert min(sum(ARC_COST[year - 1] for year in plan) for plan in plans) == 31
    assert -season.money == 31
    assert sum(season.cycles) == 5
    assert sum(ARC_COST[year - 1] for year in season.cycles) == 31
