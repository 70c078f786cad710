"""Bounds for repeated looks come out as they are printed."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pinset.science.looks import constant_bound, obrien_fleming_bounds, spending_bounds

TABLE = Path(__file__).with_name("look_bounds.csv").read_text(encoding="utf-8").splitlines()[1:]
POCOCK = [
    (float(row["confidence"]), int(looks), printed)
    for row in csv.DictReader(TABLE)
    for looks, printed in list(row.items())[1:]
]


@pytest.mark.parametrize(("confidence", "looks", "printed"), POCOCK)
def test_pocock_as_printed(confidence: float, looks: int, printed: str) -> None:
    # Half a unit of the third decimal, and a little for two entries that lie just past the half (2.2895, 2.4855).
    assert constant_bound(looks, confidence) == pytest.approx(float(printed), abs=0.0006)


def test_late_spending_at_quarters() -> None:
    # Printed in the README of SeqBounds.jl for one side at 0.05: 3.74955, 2.53993, 2.01604, 1.72014. Two sides at 0.10
    # differ by the chance of passing both, below 1e-4 in z.
    assert spending_bounds(4, confidence=0.90).tolist() == pytest.approx([3.74955, 2.53993, 2.01604, 1.72014], abs=1e-4)


def test_five_looks() -> None:
    # From memory: Lan & DeMets' bounds of O'Brien-Fleming kind, and O'Brien & Fleming's own, for five looks at 0.05.
    assert spending_bounds(5).round(4).tolist() == [4.8769, 3.357, 2.6803, 2.2898, 2.031]
    assert obrien_fleming_bounds(5).round(2).tolist() == [4.56, 3.23, 2.63, 2.28, 2.04]
