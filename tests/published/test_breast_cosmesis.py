"""The breast cosmesis trial, the textbook case of times between two checks, comes out as it is printed."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from pinset.science.intervals import estimate
from pinset.science.logrank import Scores, compare_times
from pinset.science.weibull import fit_weibull

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


TIMES = rows("cosmesis_times.csv")
ARM = np.array([row["arm"] for row in TIMES])
LEFT = np.array([float(row["left"]) for row in TIMES])
RIGHT = np.array([float(row["right"] or "inf") for row in TIMES])


@pytest.mark.parametrize("arm", ["Rad", "RadChem"])
def test_masses_as_printed(arm: str) -> None:
    spread = estimate(LEFT[arm == ARM], RIGHT[arm == ARM])
    printed = [row for row in rows("cosmesis_masses.csv") if row["arm"] == arm]
    found = [(f"{low:.0f}", f"{high:.0f}") for low, high in zip(spread.lower, spread.upper, strict=True)]
    assert found == [(row["left"], row["right"]) for row in printed]
    # Four decimals are printed.
    np.testing.assert_allclose(spread.masses, [float(row["mass"]) for row in printed], atol=0.5e-4)
    assert spread.gap < 1e-6


@pytest.mark.parametrize("row", rows("cosmesis_tests.csv"), ids=lambda row: row["scores"])
def test_tests_as_printed(row: dict[str, str]) -> None:
    found = compare_times(LEFT, RIGHT, ARM, "Rad", kind=Scores(row["scores"]), draws=999)
    assert found.arms == ("Rad", "RadChem")
    assert f"{found.z:.4f}" == row["z"]
    # Four significant digits are printed.
    assert found.p_asymptotic == pytest.approx(float(row["p"]), rel=0.5e-3)
    assert found.shuffled.p == pytest.approx(found.p_asymptotic, abs=0.01)


def test_for_two_arms_the_chi_square_is_the_square_of_z() -> None:
    found = compare_times(LEFT, RIGHT, ARM, "Rad", draws=99)
    assert found.freedom == 1
    assert found.chi_square == pytest.approx(found.z**2)
    assert found.units == (46, 48)


def test_weibull_as_survreg_finds_it() -> None:
    design = np.column_stack([np.ones(len(ARM)), ARM == "RadChem"]).astype(float)
    fitted = fit_weibull(LEFT, RIGHT, design)
    errors = np.sqrt(np.diag(fitted.covariance))
    medians = {"Rad": fitted.log_time(np.array([1.0, 0.0])), "RadChem": fitted.log_time(np.array([1.0, 1.0]))}
    found = {
        "intercept": fitted.coefficients[0],
        "intercept error": errors[0],
        "RadChem": fitted.coefficient(1).value,
        "RadChem error": fitted.coefficient(1).standard_error,
        "log scale": np.log(fitted.scale),
        "log scale error": errors[2],
        "log-likelihood": fitted.log_likelihood,
    }
    for arm, median in medians.items():
        found[f"{arm} median"] = np.exp(median.value)
        found[f"{arm} median error"] = np.exp(median.value) * median.standard_error
    printed = {row["quantity"]: float(row["value"]) for row in rows("cosmesis_weibull.csv")}
    assert found.keys() == printed.keys()
    # survreg stops when its log-likelihood moves by less than 1e-9 of itself: six digits hold.
    for quantity, value in printed.items():
        assert found[quantity] == pytest.approx(value, rel=1e-6), quantity
