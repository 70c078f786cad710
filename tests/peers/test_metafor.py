"""Pools of random farms agree with R's metafor, the field's reference, run as a program."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np

from pinset.science.pooling import Effect, Spread, Width, pool
from tests import needs

SPREADS = {"REML": Spread.RESTRICTED, "ML": Spread.LIKELIHOOD, "DL": Spread.MOMENTS, "EE": Spread.NONE}
WIDTHS = {"z": Width.NORMAL, "knha": Width.KNAPP_HARTUNG, "adhoc": Width.MODIFIED}


def farms(seed: int) -> list[Effect]:
    numbers = np.random.default_rng(seed)
    count = int(numbers.integers(3, 15))
    variances = numbers.gamma(2.0, 0.01, count)
    values = numbers.normal(0.1, np.sqrt(variances + numbers.choice([0.0, 0.01, 0.1])))
    return [Effect(float(value), float(variance)) for value, variance in zip(values, variances, strict=True)]


def test_pools_agree_with_metafor(tmp_path: Path) -> None:
    rscript = needs.r("metafor")
    sets = {f"{seed:02}": farms(seed) for seed in range(25)}
    for name, effects in sets.items():
        lines = ["value,variance", *(f"{effect.value!r},{effect.variance!r}" for effect in effects)]
        (tmp_path / f"{name}.csv").write_text("\n".join(lines), encoding="ascii")
    script = Path(__file__).with_name("pool_farms.R")
    answer = subprocess.run([rscript, script, tmp_path], capture_output=True, text=True, check=True)
    compared = 0
    for line in answer.stdout.splitlines():
        name, method, test, *numbers = line.split()
        found = pool(sets[name], spread=SPREADS[method], width=WIDTHS[test])
        between = (0.0, 0.0) if method == "EE" else found.between_interval
        ours = [found.mean, found.standard_error, *found.interval, found.p, found.between, *between]
        ours += [found.heterogeneity, found.inconsistency, *found.prediction]
        theirs = np.array([float(number) for number in numbers])
        if method == "EE":  # metafor's I-squared of equal effects is another quantity, from Q
            ours[9] = theirs[9]
        # metafor stops when its steps fall below its threshold; eight digits are left of that.
        np.testing.assert_allclose(ours, theirs, rtol=1e-7, atol=1e-9, err_msg=line)
        compared += 1
    assert compared == len(sets) * len(SPREADS) * len(WIDTHS)
