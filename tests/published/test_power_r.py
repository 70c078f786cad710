"""Powers and sizes come out as R prints them, to the last digit."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from pinset.science.power import (
    Design,
    GivenTo,
    VarianceParts,
    proportions_power,
    proportions_units,
    t_test_power,
    t_test_units,
    trial_power,
)

TABLE = Path(__file__).with_name("power_r.csv").read_text(encoding="utf-8").splitlines()[1:]
GROUPS = {
    "t power": t_test_power,
    "t units": t_test_units,
    "proportions power": proportions_power,
    "proportions units": proportions_units,
}


def found(row: dict[str, str]) -> float:
    first, second, third, confidence = (float(row[name]) for name in ("first", "second", "third", "confidence"))
    if blocked := re.match(r"(unit|batch): power of (\d+) blocks of (\d+) units", row["kind"]):
        given_to, blocks, units = blocked.groups()
        design = Design(2, int(blocks), int(units), GivenTo(given_to))
        # The spread between blocks must not matter, so it is set absurdly high.
        return trial_power(design, VarianceParts(9.0, second**2, first**2, "test"), third, confidence)
    return GROUPS[row["kind"].partition(" of ")[0]](first, second, third, confidence)


@pytest.mark.parametrize("row", list(csv.DictReader(TABLE)), ids=lambda row: " ".join(row.values()))
def test_as_r_prints_it(row: dict[str, str]) -> None:
    decimals = len(row["printed"].partition(".")[2])
    assert f"{found(row):.{decimals}f}" == row["printed"]
