"""Intervals of shares and of what sets two of them apart come out as printed, and so do tests within strata."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pinset.science.proportions import (
    chi_square,
    clopper_pearson,
    design_effect,
    difference,
    fisher_exact,
    jeffreys,
    mantel_haenszel,
    odds_ratio,
    ratio,
    risk_ratio,
    wilson,
)

HERE = Path(__file__).parent
ONE: dict[str, Callable[..., tuple[float, float, float]]] = {
    "Clopper-Pearson": clopper_pearson,
    "Jeffreys": jeffreys,
    "Wilson": wilson,
}
TWO: dict[str, Callable[..., tuple[float, float, float]]] = {
    "difference": lambda a, n, c, m: difference(wilson(a, n), wilson(c, m)),
    "ratio on the logarithm": risk_ratio,
    "ratio by MOVER-R": lambda a, n, c, m: ratio(wilson(a, n), wilson(c, m)),
}


def rows(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", rows("proportion_intervals.csv"), ids=lambda row: " ".join(list(row.values())[:5]))
def test_interval_as_printed(row: dict[str, str]) -> None:
    method = row["method"].partition(" (")[0]
    counts = [int(row[name]) for name in ("first", "first_total", "second", "second_total") if row[name]]
    found = (TWO if method in TWO else ONE)[method](*counts)
    printed = [float(row[name]) for name in ("value", "low", "high")]
    # Four decimals are printed; the propint tests quote Newcombe to within 1e-4.
    assert list(found) == pytest.approx(printed, abs=1e-4 if "Newcombe" in row["method"] else 0.5001e-4)


def test_strata_of_smoking_as_printed() -> None:
    """Doll & Hill 1950, smoking and lung cancer by sex, as in the tests of contingencytables, chapter 10."""
    first, first_totals, second, second_totals = np.array(
        [[647.0, 41.0], [647.0 + 622.0, 41.0 + 28.0], [2.0, 19.0], [2.0 + 27.0, 19.0 + 32.0]]
    )
    found = mantel_haenszel(first, first_totals, second, second_totals)
    assert list(found.ratio) == pytest.approx([2.4751, 1.5831, 3.8698], abs=0.5e-4)
    assert f"{found.test.value:.3f}" == "24.920"


def test_small_tables_as_printed() -> None:
    """From the tests of contingencytables, chapter 4."""
    assert f"{fisher_exact(0, 16, 15, 72):.5f}" == "0.06287"
    assert [f"{each:.5f}" for each in chi_square(3, 4, 1, 4)] == ["2.00000", "0.15730"]
    assert [f"{each:.5f}" for each in chi_square(3, 4, 1, 4, corrected=True)] == ["0.50000", "0.47950"]
    assert f"{odds_ratio(9, 13, 4, 14).value:.4f}" == "5.6250"


def test_design_effects_of_litters_as_printed() -> None:
    """R package PF, help page of rsb: Weil's rats, Table 1 of Rao & Scott (1992)."""
    litters = rows("rat_litters.csv")
    for group, printed in (("control", "1.232495"), ("treated", "3.952861")):
        lived, alive = (
            np.array([float(row[name]) for row in litters if row["group"] == group]) for name in ("lived", "alive")
        )
        assert f"{design_effect(lived, alive):.6f}" == printed
