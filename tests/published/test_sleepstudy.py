"""Reaction times after nights of little sleep: the mixed model, its doubt and its tests, as lmerTest gives them."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from pinset.science.contrasts import contrast, joint_test
from pinset.science.mixed import Grouping, MixedFit, fit

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@cache
def fitted(model: str, restricted: bool) -> MixedFit:
    data = rows("sleepstudy.csv")
    days = np.array([float(row["days"]) for row in data])
    subjects = Grouping("subject", [row["subject"] for row in data], days if model == "slope" else None)
    reaction = [float(row["reaction"]) for row in data]
    return fit(reaction, np.column_stack([np.ones(len(days)), days]), [subjects], restricted=restricted)


def quantities(model: MixedFit) -> dict[str, float]:
    intercept, days, both = contrast(model, [1, 0]), contrast(model, [0, 1]), joint_test(model, [[0, 1]])
    subject = model.components[0]
    return {
        "intercept": intercept.value,
        "intercept error": intercept.standard_error,
        "intercept df": intercept.df,
        "days": days.value,
        "days error": days.standard_error,
        "days df": days.df,
        "days t": days.t,
        "F": both.f,
        "F df": both.denominator_df,
        "variance of heights": subject.variance,
        "variance of slopes": float(subject.covariance[-1, -1]),
        "correlation": float(subject.correlations[0, -1]),
        "deviation of heights": float(subject.deviations[0]),
        "error variance": model.sigma**2,
        "error deviation": model.sigma,
        "criterion": model.criterion,
    }


@pytest.mark.parametrize("row", rows("sleepstudy_lmertest.csv"), ids=lambda row: " ".join(list(row.values())[:3]))
def test_fit_as_lmertest_prints_it(row: dict[str, str]) -> None:
    found = quantities(fitted(row["model"], row["restricted"] == "yes"))[row["quantity"]]
    decimals = len(row["printed"].partition(".")[2])
    assert f"{found:.{decimals}f}" == row["printed"]
