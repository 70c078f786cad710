"""Fits of random unbalanced trials agree with R's lme4 and lmerTest, the field's reference, run as one program."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from pinset.science.arrays import Floats
from pinset.science.contrasts import contrast, joint_test
from pinset.science.mixed import Grouping, MixedFit, crossed, fit
from tests import needs

SEEDS = range(15)
FORMULAS = (
    "arm + (1 | block)",
    "arm + load + (1 | block) + (1 | batch)",
    "arm + load + (1 | block) + (1 | room)",
    "arm + load + (load | block)",
    "arm + load + (1 | batch) + (load | block) + (1 | room)",
)


@dataclass(frozen=True)
class Trial:
    """An invented trial with lost cells and uneven cells, and the model it is fitted by."""

    seed: int
    columns: dict[str, Floats]

    @property
    def formula(self) -> str:
        return FORMULAS[self.seed % len(FORMULAS)]

    @property
    def restricted(self) -> bool:
        return self.seed % 4 != 3

    @property
    def design(self) -> Floats:
        columns = np.eye(int(self.columns["arm"].max()) + 1)[self.columns["arm"].astype(int)]
        columns[:, 0] = 1.0
        return np.column_stack([columns, self.columns["load"]]) if "load +" in self.formula else columns

    @property
    def groupings(self) -> list[Grouping]:
        found = [
            Grouping(name, self.columns[name]) for name in ("block", "batch", "room") if f"1 | {name}" in self.formula
        ]
        if "(load | block)" in self.formula:
            found.append(Grouping("block", self.columns["block"], self.columns["load"]))
        return found

    def fitted(self) -> MixedFit:
        return fit(self.columns["response"], self.design, self.groupings, restricted=self.restricted)


def random_trial(seed: int) -> Trial:
    numbers = np.random.default_rng(seed)
    arms, blocks = int(numbers.integers(2, 6)), int(numbers.integers(5, 12))
    cells = [(arm, block) for arm in range(arms) for block in range(blocks) if numbers.random() > 0.15]
    arm, block = np.repeat(np.array(cells), numbers.integers(1, 7, len(cells)), axis=0).T
    batch, room, load = crossed(arm, block), numbers.integers(0, 4, len(arm)), numbers.normal(size=len(arm))
    spread = numbers.choice([0.0, 0.3, 1.0, 3.0], 4)
    response = 10.0 + 0.5 * arm + numbers.normal(size=len(arm)) + 0.5 * load
    response += spread[0] * numbers.normal(size=blocks)[block] + spread[1] * numbers.normal(size=batch.max() + 1)[batch]
    response += spread[2] * numbers.normal(size=4)[room] + spread[3] * load * numbers.normal(size=blocks)[block]
    return Trial(seed, {"arm": arm, "block": block, "batch": batch, "room": room, "load": load, "response": response})


@pytest.fixture(scope="module")
def by_lme4(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[int, str], Floats]:
    """What lme4 and lmerTest say, by seed and quantity."""
    rscript = needs.r("lme4", "lmerTest")
    folder = tmp_path_factory.mktemp("trials")
    trials = [random_trial(seed) for seed in SEEDS]
    for trial in trials:
        table = np.column_stack(list(trial.columns.values()))
        np.savetxt(folder / f"{trial.seed}.csv", table, "%.17g", ",", header=",".join(trial.columns), comments="")
    lines = [f"{trial.seed};{str(trial.restricted).upper()};response ~ {trial.formula}\n" for trial in trials]
    (folder / "formulas.txt").write_text("".join(lines), encoding="ascii")
    script = Path(__file__).with_name("fit_trials.R")
    answer = subprocess.run([rscript, script, folder], capture_output=True, text=True, check=True)
    parts = [line.split(";") for line in answer.stdout.splitlines()]
    return {(int(seed), quantity): np.array(values.split(), dtype=float) for seed, quantity, values in parts}


def by_coefficient(quantity: Callable[[MixedFit, Floats], float]) -> Callable[[MixedFit], list[float]]:
    return lambda model: [quantity(model, row) for row in np.eye(len(model.coefficients))]


QUANTITIES: dict[str, Callable[[MixedFit], list[float]]] = {
    "coefficients": lambda model: model.coefficients.tolist(),
    "covariance": lambda model: model.covariance.ravel().tolist(),
    "sigma": lambda model: [model.sigma],
    "df": by_coefficient(lambda model, row: contrast(model, row).df),
    "p": by_coefficient(lambda model, row: contrast(model, row).p),
}
# Estimates to a millionth, as lme4's own search leaves its last digits; what lmerTest differentiates numerically
# to a ten-thousandth.
TOLERANCES = {"coefficients": 1e-6, "covariance": 1e-6, "sigma": 1e-6, "df": 1e-4, "p": 1e-4}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_estimates(by_lme4: dict[tuple[int, str], Floats], seed: int, quantity: str) -> None:
    theirs = by_lme4[seed, quantity]
    ours = QUANTITIES[quantity](random_trial(seed).fitted())
    scale = np.abs(theirs).max() if quantity == "covariance" else np.abs(theirs)
    assert np.max(np.abs(np.array(ours) - theirs) / scale) < TOLERANCES[quantity]


@pytest.mark.parametrize("seed", SEEDS)
def test_components(by_lme4: dict[tuple[int, str], Floats], seed: int) -> None:
    model = random_trial(seed).fitted()
    for component in model.components:
        theirs = by_lme4[seed, f"component {component.name}"]
        # Off by a share of all variance, since a component that is nothing has no relative error.
        assert np.max(np.abs(component.covariance.ravel() - theirs)) < 1e-6 * (theirs.max() + model.sigma**2)


@pytest.mark.parametrize("seed", SEEDS)
def test_criterion(by_lme4: dict[tuple[int, str], Floats], seed: int) -> None:
    assert random_trial(seed).fitted().criterion == pytest.approx(by_lme4[seed, "criterion"][0], rel=1e-10)


@pytest.mark.parametrize("seed", SEEDS)
def test_all_arms_at_once(by_lme4: dict[tuple[int, str], Floats], seed: int) -> None:
    model = random_trial(seed).fitted()
    arms = int(random_trial(seed).columns["arm"].max())
    found = joint_test(model, np.eye(len(model.coefficients))[1 : arms + 1])
    f, numerator, denominator = by_lme4[seed, "overall"]
    assert found.numerator_df == numerator
    assert (found.f, found.denominator_df) == pytest.approx((f, denominator), rel=1e-4)
