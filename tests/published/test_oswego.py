"""The church supper of Oswego: who ate the vanilla ice cream fell ill."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from pinset.science.proportions import chi_square, fisher_exact, mantel_haenszel, odds_ratio, risk_ratio

LINES = (Path(__file__).parent / "oswego_counts.csv").read_text(encoding="utf-8").splitlines()
COUNTS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))


def counts(food: str) -> list[list[int]]:
    """Ill and all who ate it, ill and all who did not, a row for each sex on record."""
    return [[int(value) for value in list(row.values())[2:]] for row in COUNTS if row["food"] == food]


def together(food: str) -> list[int]:
    return np.sum(counts(food), axis=0).tolist()


def test_vanilla_ice_cream() -> None:
    """Shares as printed in the case study; the rest computed by R 4.2.2 from the line list."""
    ill, ate, not_ill, did_not = vanilla = together("vanilla ice cream")
    assert (ill, ate, not_ill, did_not) == (43, 54, 3, 21)
    assert (f"{100 * ill / ate:.1f}", f"{100 * not_ill / did_not:.1f}") == ("79.6", "14.3")
    assert [f"{each:.2f}" for each in risk_ratio(*vanilla)] == ["5.57", "1.94", "16.03"]
    assert f"{odds_ratio(*vanilla).value:.2f}" == "23.45"
    assert chi_square(*vanilla).value == pytest.approx(27.22254944, abs=1e-8)
    assert chi_square(*vanilla, corrected=True).value == pytest.approx(24.53695027, abs=1e-8)
    assert fisher_exact(*vanilla) == pytest.approx(2.597450692e-07, rel=1e-9)


def test_chocolate_ice_cream() -> None:
    """Fisher's p by R 4.2.2's fisher.test."""
    chocolate = together("chocolate ice cream")
    assert f"{risk_ratio(*chocolate).value:.2f}" == "0.72"
    assert fisher_exact(*chocolate) == pytest.approx(0.0890692186, rel=1e-8)


def test_vanilla_within_sexes() -> None:
    """Chi-square by R 4.2.2's mantelhaen.test without correction; nobody without vanilla fell ill among the men."""
    found = mantel_haenszel(*np.array(counts("vanilla ice cream"), dtype=float).T)
    assert found.test.value == pytest.approx(28.009849, abs=1e-6)
    assert found.test.p == pytest.approx(1.206995e-07, rel=1e-6)
    assert found.ratio.low > 1
