"""Invented trials with a known truth, noted entry by entry, for the questions to answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np

from pinset.farm import Farm
from pinset.journal.entry import Entry
from pinset.journal.said import noon

START = date(2026, 3, 2)


@dataclass
class Grown:
    """How an invented trial is made; every field is a truth that an answer can be held against."""

    arms: Mapping[str, float]
    """kg per unit that each arm truly gives; the first is the control."""
    days: int = 6
    units: int = 6
    day_sd: float = 0.05
    batch_sd: float = 0.02
    unit_sd: float = 0.05
    seed: int = 1
    skip: Sequence[tuple[str, int]] = ()
    """(arm, day) that were not made."""
    shift: Mapping[str, int] = field(default_factory=dict)
    """Days by which an arm was made later than the control."""
    lots: Mapping[str, str] = field(default_factory=dict)
    """The one spawn lot of an arm; else both arms use the lot of the day."""
    weigh: str = "unit"
    run: Mapping[str, float] = field(default_factory=dict)
    bad: Mapping[str, float] = field(default_factory=dict)
    extra: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """More to say of an arm's batches."""

    def note(self, farm: Farm, trial: str = "t") -> None:
        """Note the whole trial."""
        chance = np.random.default_rng(self.seed)
        body = {"what": "trial", "name": trial, "arms": list(self.arms), "control": next(iter(self.arms))}
        entries = [farm.entry("define", body, START.isoformat())]
        for n in range(self.days):
            of_day = chance.normal(0, self.day_sd)
            for arm, mean in self.arms.items():
                of_batch = chance.normal(0, self.batch_sd)
                weights = mean + of_day + of_batch + chance.normal(0, self.unit_sd, self.units)
                if (arm, n) not in self.skip:
                    entries += self._batch(
                        farm, trial, arm, n, weights.clip(0.01), np.random.default_rng((self.seed, n))
                    )
        assert {outcome.word for outcome in farm.keep(entries)} == {"kept"}

    def _batch(
        self, farm: Farm, trial: str, arm: str, n: int, weights: np.ndarray, chance: np.random.Generator
    ) -> list[Entry]:
        day = START + timedelta(days=7 * n + self.shift.get(arm, 0))
        code = f"{arm.replace(' ', '')}{n:02d}"
        body = {
            "batch": code, "units": self.units, "fill_mg": 2_000_000, "trial": trial, "arm": arm,
            "spawn": [{"lot": self.lots.get(arm, f"L{n}"), "weight_mg": 600_000}], **self.extra.get(arm, {}),
        }  # fmt: skip
        made = [farm.entry("make", body, day.isoformat())]
        units = [f"{code}-{k + 1:02d}" for k in range(self.units)]
        picked = (day + timedelta(days=30)).isoformat()
        if self.weigh == "batch":
            return [*made, farm.entry("pick", {"batch": code, "weight_mg": round(weights.sum() * 1e6)}, picked)]
        for unit, weight in zip(units, weights, strict=True):
            made += self._unit(farm, arm, unit, day, weight, chance, picked)
        return made

    def _unit(
        self, farm: Farm, arm: str, unit: str, day: date, weight: float, chance: np.random.Generator, picked: str
    ) -> list[Entry]:
        if chance.random() < self.bad.get(arm, 0.0):
            look = (day + timedelta(days=7)).isoformat()
            return [farm.entry("check", {"units": [unit], "run": 0.3, "signs": ["green"]}, look)]
        noted = [farm.entry("pick", {"units": [unit], "weight_mg": round(weight * 1e6), "flush": 1}, picked)]
        if arm in self.run:
            done = self.run[arm] * chance.lognormal(0, 0.06)
            noted += [
                farm.entry(
                    "check", {"units": [unit], "run": 1.0 if days >= done else days / done}, _at(farm, day, days)
                )
                for days in range(7, 29, 3)
            ]
        return noted


def _at(farm: Farm, day: date, days: int) -> str:
    return noon(day + timedelta(days=days), farm.settings.zone)
