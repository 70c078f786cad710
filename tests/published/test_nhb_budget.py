"""Two printed budgets: one whose rounded subtotals do not add up to its total, and one that ties to the rupee."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from pinset.science.costs import BatchCost, CostKind, break_even_price, break_even_weight, money_per_shelf_day, priced
from pinset.science.yields import DryBasis, biological_efficiency

LINES = (Path(__file__).parent / "budgets.csv").read_text(encoding="utf-8").splitlines()
ROWS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
PAISA = 100  # a rupee has a hundred


def budget(name: str) -> BatchCost:
    return BatchCost(
        tuple(
            priced(CostKind(row["kind"]), row["line"], float(row["quantity"]), PAISA * float(row["rate"]))
            for row in ROWS
            if row["budget"] == name
        )
    )


def test_oyster_lines_as_printed() -> None:
    """The rate of spawn is not legible (0.0); 8 is what its amount asks for."""
    printed = [float(row["printed"]) for row in ROWS if row["budget"] == "oyster"]
    thousands = [line.minor / PAISA / 1000 for line in budget("oyster").lines]
    # Amounts are printed to 0.01 thousand; 0.125 and 0.105 are printed rounded up.
    np.testing.assert_allclose(thousands, printed, atol=0.005 + 1e-9)


def test_oyster_total_is_right_and_its_subtotals_are_rounded() -> None:
    """Printed subtotals 2.88, 0.21, 3.20, 0.30, 0.25 add up to 6.84; the printed total 6.83 is that of the lines."""
    assert round(2.88 + 0.21 + 3.20 + 0.30 + 0.25, 2) == 6.84
    assert budget("oyster").total == 6_830 * PAISA


def test_oyster_cost_of_a_kilogram_and_margin() -> None:
    cost = budget("oyster")
    assert f"{cost.per(400) / PAISA:.3f}" == "17.075"
    assert break_even_price(cost.total, 400) == cost.per(400)
    assert break_even_weight(cost.total, 40 * PAISA) == pytest.approx(170.75)
    assert 400 * 40 * PAISA - cost.total == 9_170 * PAISA


def test_oyster_efficiency_depends_on_what_is_counted() -> None:
    """400 kg from 500 kg of straw, or of straw and 50 kg of bran; neither is the 70 % that is printed."""
    straw = biological_efficiency([400.0], [500.0], basis=DryBasis.SUBSTRATE)
    mix = biological_efficiency([400.0], [500.0 + 50.0], basis=DryBasis.SUBSTRATE)
    assert (f"{100 * straw.value[0]:.1f}", f"{100 * mix.value[0]:.1f}") == ("80.0", "72.7")


def test_oyster_labour_share() -> None:
    by_kind = budget("oyster").by_kind()
    assert by_kind[CostKind.LABOUR] == 3_200 * PAISA
    assert by_kind[CostKind.MATERIAL] == (2_875 + 205) * PAISA
    assert sum(budget("oyster").shares()) == pytest.approx(1.0)


def test_button_budget_ties() -> None:
    """9,000 kg at 70 and spent compost for 20,000; total cost 387,750, total income 650,000, net 262,250."""
    cost = budget("button")
    income = (9_000 * 70 + 20_000) * PAISA
    assert cost.total == 387_750 * PAISA
    assert income == 650_000 * PAISA
    assert income - cost.total == 262_250 * PAISA
    net = money_per_shelf_day(np.array([float(income)]), np.array([float(cost.total)]), np.array([1.0]))
    assert net.value == 262_250 * PAISA
    assert np.isnan(net.low)
