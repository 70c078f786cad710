"""Printed life tables agree with themselves, and the data that the program uses are the printed ones."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from pinset.reference.pests import pests
from pinset.science.pests import LifeTable, doubling_time, intrinsic_rate

LINES = Path(__file__).with_name("pest_lifetables.csv").read_text(encoding="utf-8").splitlines()[1:]
ROWS = list(csv.DictReader(LINES))


def decimals(printed: str) -> int:
    return len(printed.partition(".")[2])


@pytest.mark.parametrize("row", [row for row in ROWS if row["generation"]], ids=lambda row: " ".join(row.values()))
def test_rates_are_those_of_reproduction_and_generation(row: dict[str, str]) -> None:
    found = intrinsic_rate(float(row["net_reproduction"]), float(row["generation"]))
    assert f"{found:.{decimals(row['rate'])}f}" == row["rate"]


@pytest.mark.parametrize("row", [row for row in ROWS if row["doubling"]], ids=lambda row: " ".join(row.values()))
def test_doubling_times_are_those_of_the_rates(row: dict[str, str]) -> None:
    # Rates are printed to two or three decimals: the doubling time is that of some rate which rounds to the one
    # printed, within the rounding of the time itself.
    half = 0.5 * 10 ** -decimals(row["rate"])
    rounding = 0.5 * 10 ** -decimals(row["doubling"])
    slowest, fastest = (doubling_time(float(row["rate"]) + each) for each in (-half, half))
    assert fastest - rounding <= float(row["doubling"]) <= slowest + rounding


def test_the_reference_holds_the_printed_rates() -> None:
    held = {(pest.species, growth.temperature.low): growth for pest in pests() for growth in pest.growth}
    printed = [row for row in ROWS if row["source"] in ("G", "J")]
    assert len(printed) == 8
    for row in printed:
        growth = held[row["species"], float(row["temperature"])]
        assert growth.rate == (float(row["rate"]), float(row["rate"]))
        for name in ("net_reproduction", "generation", "doubling"):
            assert getattr(growth, name) == (float(row[name]) if row[name] else None)


def test_every_value_of_the_reference_names_its_source_and_is_possible() -> None:
    known = [*(each for pest in pests() for each in (*pest.growth, *pest.development))]
    assert len(known) > 20
    assert all(each.source for each in known)
    assert len({pest.species for pest in pests()}) == len(pests())
    for pest in pests():
        assert pest.growth or pest.development
        for growth in pest.growth:
            assert 0 <= growth.rate.low <= growth.rate.high < 1
            assert 0 < growth.temperature.low <= growth.temperature.high < 40
        for development in pest.development:
            assert 0 < development.days.low <= development.days.high


def test_rates_worked_out_here_follow_from_what_stands_beside_them() -> None:
    worked_out = [growth for pest in pests() for growth in pest.growth if growth.worked_out]
    assert len(worked_out) == 3
    for growth in worked_out:
        assert growth.net_reproduction is not None
        assert growth.generation is not None
        found = intrinsic_rate(growth.net_reproduction, growth.generation)
        assert growth.rate.high == pytest.approx(found, abs=0.005)


def test_every_pest_with_rates_makes_a_life_table() -> None:
    made = 0
    for pest in pests():
        for food in pest.foods():
            temperatures, rates = zip(*pest.rates(food), strict=True)
            slow, fast = np.array(rates).T
            threshold = pest.threshold.temperature if pest.threshold else None
            table = LifeTable(pest.species, np.array(temperatures), slow, fast, threshold)
            assert table.at(temperatures[0])[:2] == (slow[0], fast[0])
            made += 1
    assert made == 9
