"""The pool of thirteen BCG trials comes out as it is printed, to the last digit."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from pinset.science.pooling import Effect, Pooled, Spread, Width, as_ratio, log_odds_ratio, log_risk_ratio, pool

HERE = Path(__file__).parent
MEASURES = {"log risk ratio": log_risk_ratio, "log odds ratio": log_odds_ratio}


def rows(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def effects(measure: str) -> list[Effect]:
    found = []
    for row in rows("bcg_trials.csv"):
        cases, others, control_cases, control_others = (int(value) for value in list(row.values())[1:])
        found.append(MEASURES[measure](cases, cases + others, control_cases, control_cases + control_others))
    return found


def quantities(pooled: Pooled) -> dict[str, float]:
    ratio, prediction = as_ratio(pooled.interval), as_ratio(pooled.prediction)
    return {
        "mean": pooled.mean,
        "standard error": pooled.standard_error,
        "between": pooled.between,
        "between low": pooled.between_interval.low,
        "between high": pooled.between_interval.high,
        "heterogeneity": pooled.heterogeneity,
        "inconsistency percent": 100 * pooled.inconsistency,
        "ratio": float(np.exp(pooled.mean)),
        "ratio low": ratio.low,
        "ratio high": ratio.high,
        "prediction low": prediction.low,
        "prediction high": prediction.high,
    }


@pytest.mark.parametrize("row", rows("bcg_results.csv"), ids=lambda row: " ".join(list(row.values())[:-1]))
def test_pool_as_printed(row: dict[str, str]) -> None:
    pooled = pool(effects(row["measure"]), spread=Spread(row["spread"]), width=Width(row["width"]))
    decimals = len(row["printed"].partition(".")[2])
    assert f"{quantities(pooled)[row['quantity']]:.{decimals}f}" == row["printed"]
