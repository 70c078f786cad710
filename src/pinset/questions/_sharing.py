"""A trial as a small open file that a farm can give away: effects and their variances, no raw rows, no names.

The file is JSON. It says what the arm was against what control only in the words that the farm chooses to share. What
is in it, and nothing else is:

    pinset_trial   the version of this form, 1
    question       what was compared, in words that every farm of a pool must share
    given_to       batch or unit
    days, batches  how many make days and batches stand behind it
    effects        per measure: unit, value (arm less control), means of both, a variance of each, degrees of freedom
    flaws          the names of what keeps the trial from carrying a claim
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pinset.ledger.read import Reader
from pinset.questions._compare import ArmResult
from pinset.questions._measures import Measure, measures
from pinset.questions._trial import Flaw, Trial, find_trial, flaws
from pinset.science.pooling import Effect, log_response_ratio

VERSION = 1
LARGEST = 100_000
"""Bytes: a shared trial is a few hundred; what is larger is something else."""
# What depends on one farm's prices is no effect of the way of growing, and its currency is not another farm's.
NOT_SHARED = frozenset({"money"})
# Digits that a number keeps: enough for pooling, too few to find single weights in.
DIGITS = 4


class NotASharedTrial(ValueError):
    """A file is not a trial as farms share it."""


class ArmNotNamed(LookupError):
    """A trial with several arms is shared one arm at a time, against its control."""


@dataclass(frozen=True, slots=True)
class SharedEffect:
    """What one farm's trial found by one measure."""

    measure: str
    unit: str
    difference: Effect
    df: float
    control: Effect
    """The mean of the control, with its variance."""
    arm: Effect

    @property
    def log_ratio(self) -> Effect | None:
        """The logarithm of arm over control, which does not hang on the size of a farm's units; None without yields.

        What the two means share, the days, is what the difference is surer of than they are by themselves.
        """
        if min(self.arm.value, self.control.value) <= 0:
            return None
        shared = (self.arm.variance + self.control.variance - self.difference.variance) / 2
        return log_response_ratio(self.arm.value, self.control.value, self.arm.variance, self.control.variance, shared)


@dataclass(frozen=True, slots=True)
class SharedTrial:
    """One farm's trial, read back."""

    question: str
    given_to: str
    days: int
    batches: int
    effects: Mapping[str, SharedEffect]
    flaws: tuple[str, ...]


def shared(ledger: Reader, name: str, arm: str | None, question: str | None) -> dict[str, Any]:
    """The plain values of the file of a trial on record: `shared_values` of what its verdict stands on."""
    trial = find_trial(ledger, name, None, None)
    found = measures(ledger, trial, confidence=0.95)
    return shared_values(trial, found, flaws(trial), arm, question)


def shared_values(
    trial: Trial, found: list[Measure], named: list[Flaw], arm: str | None = None, question: str | None = None
) -> dict[str, Any]:
    """The plain values of the file: of one arm against the control, by every measure that is not one farm's money."""
    way = _arm(trial, arm)
    effects = {
        measure.name: _effect(measure, result)
        for measure in found
        if measure.name not in NOT_SHARED
        for result in measure.compared.arms
        if result.arm == way and result.difference is not None and result.difference.standard_error > 0
    }
    return {
        "pinset_trial": VERSION, "question": question or f"{way} against {trial.control}",
        "given_to": trial.given_to,
        "days": max((measure.compared.blocks for measure in found), default=0),
        "batches": len({batch.code for batch in [*trial.of(way), *trial.of(trial.control)]}),
        "effects": effects, "flaws": sorted(flaw.name for flaw in named),
    }  # fmt: skip


def text(plain: Mapping[str, Any]) -> str:
    """The exact text of the file.

    >>> text({"pinset_trial": 1})
    '{\\n  "pinset_trial": 1\\n}\\n'
    """
    return json.dumps(plain, ensure_ascii=False, indent=2) + "\n"


def read_shared(content: str) -> SharedTrial:
    """A shared trial from the text of its file; `NotASharedTrial` says what is wrong with it, without quoting it."""
    try:
        plain = json.loads(content)
    except ValueError as fault:
        raise NotASharedTrial("needed JSON") from fault
    if not isinstance(plain, dict) or plain.get("pinset_trial") != VERSION:
        raise NotASharedTrial(f"needed a trial shared in form {VERSION}")
    try:
        effects = {str(name): _read_effect(str(name), one) for name, one in plain["effects"].items()}
        return SharedTrial(
            str(plain["question"]), str(plain["given_to"]), int(plain["days"]), int(plain["batches"]), effects,
            tuple(map(str, plain["flaws"])),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, AttributeError) as fault:
        raise NotASharedTrial(
            "needed every field of a shared trial, its numbers finite and variances above 0"
        ) from fault


def _read_effect(name: str, plain: Mapping[str, Any]) -> SharedEffect:
    keys = ("value", "variance", "control_mean", "control_variance", "arm_mean", "arm_variance", "degrees_of_freedom")
    numbers = [float(plain[key]) for key in keys]
    if not all(map(math.isfinite, numbers)) or min(numbers[1::2] + numbers[6:]) <= 0:
        raise ValueError
    difference, control, arm = (Effect(*numbers[place : place + 2]) for place in (0, 2, 4))
    return SharedEffect(name, str(plain["unit"]), difference, numbers[6], control, arm)


def _arm(trial: Trial, arm: str | None) -> str:
    others = trial.arms[1:]
    if arm is None and len(others) == 1:
        return others[0]
    if arm not in others:
        raise ArmNotNamed(f"needed one of the arms {', '.join(others)}; came {arm!r}")
    return arm


def _effect(measure: Measure, result: ArmResult) -> dict[str, Any]:
    assert result.difference is not None, "the control has no effect"
    one, arm, control = result.difference, result.mean, measure.compared.arms[0].mean
    found = {"value": one, "control_mean": control, "arm_mean": arm}
    variances = {"value": "variance", "control_mean": "control_variance", "arm_mean": "arm_variance"}
    numbers = {name: measure.scale * each.value for name, each in found.items()}
    numbers |= {variances[name]: (measure.scale * each.standard_error) ** 2 for name, each in found.items()}
    numbers["degrees_of_freedom"] = one.df
    return {"unit": measure.unit, **{name: float(f"{each:.{DIGITS}g}") for name, each in numbers.items()}}
