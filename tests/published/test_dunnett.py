"""Comparisons with a control: Dunnett's own example and his tables, the exact ones and the earlier ones."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from pinset.science.anova import one_way
from pinset.science.contrasts import cell_means
from pinset.science.mixed import fit
from pinset.science.simultaneous import against_control, critical_value

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def equal_sizes(arms: int) -> np.ndarray:
    return np.full((arms, arms), 0.5) + 0.5 * np.eye(arms)


@pytest.mark.parametrize("row", rows("dunnett_comparisons.csv"), ids=lambda row: row["group"])
def test_blood_counts(row: dict[str, str]) -> None:
    data = rows("dunnett_counts.csv")
    names, design = cell_means([each["group"] for each in data])
    drugs = [place for place, name in enumerate(names) if name != "control"]
    model = fit([float(each["count"]) for each in data], design)
    compared = against_control(model, drugs, names.index("control"))
    found = compared[drugs.index(names.index(row["group"]))]
    assert (f"{found.t:.5f}", f"{found.p:.4f}") == (row["t"], row["p"])
    # The bound behind the printed intervals, 2.513625, came from a simulation: R itself gives it a probability
    # of 0.9500127. The exact one is 2.513483, and the intervals move by 0.0001.
    assert [found.low, found.high] == pytest.approx([float(row["low"]), float(row["high"])], abs=1.5e-4)


def test_overall_test_of_the_blood_counts() -> None:
    # F and its degrees of freedom by R's aov on the same counts.
    data = rows("dunnett_counts.csv")
    groups = [
        [float(each["count"]) for each in data if each["group"] == group] for group in ("control", "drug A", "drug B")
    ]
    result = one_way(groups)
    assert (f"{result.f:.3f}", result.numerator_df, result.denominator_df) == ("7.137", 2, 12)


@pytest.mark.parametrize("row", rows("dunnett_exact.csv"), ids=lambda row: f"{row['df']} df")
def test_exact_table(row: dict[str, str]) -> None:
    df, *printed = row.values()
    found = [critical_value(equal_sizes(arms), float(df)) for arms in range(1, 10)]
    assert [f"{value:.2f}" for value in found] == printed


@pytest.mark.parametrize("row", rows("dunnett_1955.csv"), ids=lambda row: " ".join(row.values()))
def test_table_of_1955(row: dict[str, str]) -> None:
    arms, df, confidence, printed = (float(value) for value in row.values())
    found = critical_value(equal_sizes(int(arms)), df, confidence=confidence)
    if arms <= 2:
        assert f"{found:.2f}" == row["printed"]
    else:
        # The table's own approximation for more than two arms is too large, by up to 0.12 here.
        assert 0.015 < printed - found < 0.125


def test_normal_limit_is_the_last_line_of_the_table() -> None:
    assert critical_value(equal_sizes(4), 1e7) == pytest.approx(critical_value(equal_sizes(4), math.inf), abs=1e-5)
