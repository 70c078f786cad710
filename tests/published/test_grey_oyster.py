"""The grey-oyster trial: its least significant differences follow from its means and coefficients of variation.

The paper does not print the design. Three complete blocks of four rates (six degrees of freedom for error) are
inferred: they give back all five differences to 0.01, while three replicates without blocks (eight) give none.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pinset.science.anova import least_significant_difference, mean_square

TABLE = Path(__file__).with_name("grey_oyster_counts.csv")
RATES, BLOCKS = 4, 3
IN_BLOCKS = (RATES - 1) * (BLOCKS - 1)
WITHOUT_BLOCKS = RATES * (BLOCKS - 1)


def rows() -> list[dict[str, str]]:
    lines = TABLE.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def difference(row: dict[str, str], error_df: int) -> float:
    error = mean_square(float(row["variation_percent"]), float(row["mean"]))
    return least_significant_difference(error, BLOCKS, error_df)


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["flush"])
def test_difference_as_printed(row: dict[str, str]) -> None:
    # Means and percentages are printed to 0.01, which leaves 0.01 of the difference open.
    assert difference(row, IN_BLOCKS) == pytest.approx(float(row["printed_lsd"]), abs=0.0101)


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["flush"])
def test_it_was_laid_out_in_blocks(row: dict[str, str]) -> None:
    assert difference(row, WITHOUT_BLOCKS) < float(row["printed_lsd"]) - 0.05
