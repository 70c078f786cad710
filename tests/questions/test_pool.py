"""Sharing a trial and pooling several: effects alone leave the farm, and few farms claim nothing general."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pinset.farm import Farm
from pinset.questions._sharing import ArmNotNamed, NotASharedTrial, read_shared, shared, text
from pinset.questions.pool import NoSharedTrials
from pinset.science.pooling import Effect, pool
from tests.questions.growing import Grown

TWO = {"old way": 0.50, "new way": 0.60}


def _given(control: float, arm: float, variance: float = 0.0001, **more: Any) -> dict[str, Any]:
    """A shared trial of invented numbers; the two means vary apart from one another."""
    effect = {
        "unit": "kg a unit", "value": arm - control, "variance": 2 * variance, "control_mean": control,
        "control_variance": variance, "arm_mean": arm, "arm_variance": variance, "degrees_of_freedom": 5,
    }  # fmt: skip
    return {
        "pinset_trial": 1, "question": "hulls against none", "given_to": "batch", "days": 6, "batches": 12,
        "effects": {"yield": effect}, "flaws": [], **more,
    }  # fmt: skip


def _written(folder: Path, *trials: dict[str, Any]) -> str:
    for n, each in enumerate(trials):
        (folder / f"{n}.json").write_text(text(each), encoding="utf-8")
    return str(folder)


@pytest.fixture
def given(tmp_path: Path) -> Path:
    folder = tmp_path / "given"
    folder.mkdir()
    return folder


def test_a_shared_trial_holds_effects_and_no_names_codes_or_weights(farm: Farm) -> None:
    Grown(TWO).note(farm, "secret name")
    verdict = farm.ask("verdict")
    with farm.reader() as ledger:
        plain = shared(ledger, "secret name", None, "hulls against none")
    content = text(plain)
    for private in ("secret name", "Trial farm", "oldway", "newway", "2026", "old way", "new way"):
        assert private not in content
    read = read_shared(content)
    assert read.effects["yield"].difference.value == pytest.approx(
        verdict.figure("yield: new way less control").value, rel=1e-3
    )
    assert read.days == 6 and read.batches == 12 and read.flaws == ()


def test_of_several_arms_one_is_shared(farm: Farm) -> None:
    Grown({**TWO, "third": 0.55}).note(farm)
    with farm.reader() as ledger:
        with pytest.raises(ArmNotNamed, match="new way, third"):
            shared(ledger, "t", None, None)
        plain = shared(ledger, "t", "third", None)
    assert plain["question"] == "third against old way"
    assert plain["effects"]["yield"]["value"] == pytest.approx(0.05, abs=0.05)


def test_units_of_another_size_do_not_change_what_is_pooled() -> None:
    small = read_shared(text(_given(0.5, 0.6, 0.0001))).effects["yield"].log_ratio
    large = read_shared(text(_given(5.0, 6.0, 0.01))).effects["yield"].log_ratio
    assert small is not None and large is not None and small == pytest.approx(large)
    # log(0.6 / 0.5), and 0.0001 / 0.25 + 0.0001 / 0.36 (worked by hand)
    assert small == pytest.approx(Effect(0.182322, 0.000677778), rel=1e-4)


def test_five_farms_are_pooled_and_a_forest_is_drawn(farm: Farm, given: Path) -> None:
    arms = (0.55, 0.58, 0.60, 0.57, 0.63)
    answer = farm.ask("pool", files=_written(given, *(_given(0.5, arm) for arm in arms)))
    effects = [Effect(float(np.log(arm / 0.5)), 0.0001 / arm**2 + 0.0001 / 0.25) for arm in arms]
    truth = pool(effects)
    mean = answer.figure("yield: mean over farms")
    assert mean.value == pytest.approx(100 * np.expm1(truth.mean), rel=1e-3)
    assert mean.low == pytest.approx(100 * np.expm1(truth.interval.low), rel=1e-2)
    assert answer.standing.word == "settled" and "5 farms" in answer.headline
    assert len(answer.table("without each").rows) == 5
    drawn = [row["farm"] for row in answer.charts[0].spec["data"]["values"]]
    assert drawn == [*(f"farm {n}" for n in range(1, 6)), "mean", "another farm"]


def test_few_farms_are_shown_each_and_claim_nothing(farm: Farm, given: Path) -> None:
    answer = farm.ask("pool", files=_written(given, *(_given(0.5, 0.6) for _ in range(4))))
    assert answer.standing.word == "open" and answer.figures == ()
    assert "claim nothing general" in answer.headline and len(answer.table("farms").rows) == 4
    assert "1 more farm" in answer.next[0]


def test_one_farm_that_carries_most_of_the_weight_is_not_farms_in_general(farm: Farm, given: Path) -> None:
    farms = [_given(0.5, 0.55 + 0.01 * n, 0.01) for n in range(4)]
    answer = farm.ask("pool", files=_written(given, *farms, _given(0.5, 0.6, 1e-6)))
    assert answer.standing.word == "open" and "one farm carries more than half" in answer.standing.reason


def test_flaws_travel_with_the_trial(farm: Farm, given: Path) -> None:
    farms = [_given(0.5, 0.6 + 0.001 * n) for n in range(5)]
    farms[2]["flaws"] = ["few days"]
    answer = farm.ask("pool", files=_written(given, *farms))
    assert answer.standing.word == "leaning"
    assert any("1 trial has" in caution for caution in answer.cautions)
    assert answer.table("farms").rows[2][-1] == "few days"


def test_trials_of_different_questions_are_not_mixed(farm: Farm, given: Path) -> None:
    with pytest.raises(NoSharedTrials, match="one question"):
        farm.ask("pool", files=_written(given, _given(0.5, 0.6), _given(0.5, 0.6, question="other")))


@pytest.mark.parametrize("broken", [
    "not json", "[]", "{}", '{"pinset_trial": 2}', '{"pinset_trial": 1}',
    json.dumps(_given(0.5, 0.6, -1.0)), json.dumps(_given(0.5, float("inf"))),
    json.dumps(_given(0.5, 0.6, effects={"yield": 3})),
])  # fmt: skip
def test_what_is_no_shared_trial_is_refused_without_quoting_it(farm: Farm, given: Path, broken: str) -> None:
    with pytest.raises(NotASharedTrial):
        read_shared(broken)
    (given / "x.json").write_text(broken, encoding="utf-8")
    with pytest.raises(NoSharedTrials, match=r"x\.json: needed"):
        farm.ask("pool", files=str(given))


def test_nothing_named_and_nothing_there_are_told(farm: Farm, given: Path) -> None:
    assert farm.ask("pool").standing.word == "open"
    with pytest.raises(NoSharedTrials, match="found none"):
        farm.ask("pool", files=str(given))
    with pytest.raises(NoSharedTrials, match="needed a file of text"):
        farm.ask("pool", files=str(given / "missing.json"))
    with pytest.raises(NoSharedTrials, match="without it"):
        farm.ask("pool", files=_written(given, _given(0.5, 0.6)), measure="contamination")
