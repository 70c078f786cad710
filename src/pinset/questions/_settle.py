"""What would settle a verdict, and whether that is worth its cost; and whether a cheaper arm is no worse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import mean

from pinset.ledger.read import Reader
from pinset.questions._batches import DAY, BatchRecord
from pinset.questions._compare import ArmResult
from pinset.questions._measures import Measure, comparable_costs
from pinset.questions._money import CostOfBatch, PriceBook
from pinset.questions._trial import Trial
from pinset.questions._words import number, several
from pinset.science.confidence import Confidence
from pinset.science.decisions import (
    NoWorse,
    TooFewToForesee,
    blocks_to_settle,
    chance_to_settle,
    margin_from_money,
    no_worse_than,
    worth_of_blocks,
)

# A choice is taken to stand for a year; a record shorter than a month is no measure of a year.
YEAR, MONTH = 365.0, 30.0
MOST_DAYS = 60
"""More days than this nobody makes for one trial: where they would not do, that is said."""


@dataclass(frozen=True, slots=True)
class TrialMoney:
    """What a trial costs to carry on: in minor units, means over its batches."""

    costs: dict[str, CostOfBatch]
    book: PriceBook
    trial: Trial
    shelf_days_a_year: float

    @property
    def day_cost(self) -> float:
        """What one more day of the trial, a batch of each arm, costs to make."""
        return sum(self.of_arm(arm) for arm in self.trial.arms)

    @property
    def day_worth(self) -> float:
        """What the picks of one more day of the trial are worth."""
        arms = [self.trial.of(arm) for arm in self.trial.arms]
        return sum(mean(self.book.worth(batch) or 0.0 for batch in some) for some in arms)

    def of_arm(self, arm: str) -> float:
        """The mean cost of an arm's batch."""
        return mean(self.costs[batch.code].total for batch in self.trial.of(arm))

    def per_unit(self, arm: str) -> float:
        """The cost of a unit made of an arm."""
        some = self.trial.of(arm)
        return sum(self.costs[batch.code].total for batch in some) / sum(batch.batch.units for batch in some)

    def said(self, minor: float) -> str:
        """An amount in words, in whole units of the currency."""
        return f"{number(self.book.money.shown(minor), 0)} {self.book.money.currency}"


def trial_money(ledger: Reader, trial: Trial) -> TrialMoney | None:
    """The money of a trial, where every batch has the same costs on record and there is a sale price."""
    book = PriceBook(ledger)
    costs = comparable_costs(ledger, trial, book)
    if not costs or book.kilo_sold() is None:
        return None
    return TrialMoney(costs, book, trial, _shelf_days_a_year(trial))


def _shelf_days_a_year(trial: Trial) -> float:
    """The shelf-days that batches of the trial's strains take in a year, at the pace of the record."""
    strains = {batch.batch.strain for batch in trial.batches}
    alike: list[BatchRecord] = [batch for batch in trial.gathered.whole if batch.batch.strain in strains]
    first = min(batch.batch.at for batch in alike)
    long = max(MONTH, (trial.gathered.last_noted - first) / DAY)
    return sum(batch.shelf_days for batch in alike) * YEAR / long


def settling(measure: Measure, unsettled: Sequence[ArmResult], money: TrialMoney | None) -> list[str]:
    """What would settle each open arm: how many more days, the chance that they do, and what knowing is worth."""
    said = [words for result in unsettled if (words := _settles(measure, result, money))]
    if said and money is not None:
        said.append(
            f"One more day of the trial costs {money.said(money.day_cost)} to make; its picks bring about "
            f"{money.said(money.day_worth)}, as those of any batch do."
        )
    return said


def _settles(measure: Measure, result: ArmResult, money: TrialMoney | None) -> str | None:
    gain, per_day = result.gain, measure.compared.df_per_block
    days = _days_together(measure, result.arm)
    if gain is None or days < 1:
        return None
    control = measure.compared.arms[0].arm
    more = blocks_to_settle(gain, days, per_day, confidence=result.confidence, most=MOST_DAYS)
    if more is None:
        return (
            f"If the difference between {result.arm} and {control} stays as it is, not even {MOST_DAYS} more days "
            "would tell them apart: choose by something else."
        )
    chance = chance_to_settle(gain, days, more, per_day, confidence=result.confidence)
    words = (
        f"About {several(more, 'more day')} would settle {result.arm} against {control} if the difference stays as it "
        f"is; the chance that they do is {number(100 * chance, 0)} %."
    )
    return f"{words}{_worth(measure, gain, days, more, money)}"


def _days_together(measure: Measure, arm: str) -> int:
    """The days on which an arm and the control were both measured: only these tell how well more of them would do."""
    control = measure.compared.arms[0].arm
    of = {name: {one.block for one in measure.compared.measured if one.arm == name} for name in (arm, control)}
    return len(of[arm] & of[control])


def _worth(measure: Measure, gain: Confidence, days: int, more: int, money: TrialMoney | None) -> str:
    """Whether it pays to carry on: what knowing better is worth over a year, against what the days lose."""
    if measure.name != "money" or money is None:
        return ""
    try:
        worth = worth_of_blocks(gain, days, more, money.shelf_days_a_year)
    except TooFewToForesee:
        return ""
    lost = more * max(0.0, money.day_cost - money.day_worth)
    verb = "is worth its while" if worth > lost else "is not worth its while"
    return (
        f" Over a year at the record's pace ({number(money.shelf_days_a_year, 0)} shelf-days) what they teach is worth "
        f"about {money.said(worth)}, and they lose {money.said(lost)} that their picks do not bring back: it {verb}."
    )


# no worse than ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CheaperArm:
    """An arm that costs less than the control, and whether it yields so little less that the money stays."""

    arm: str
    saving: float
    """Minor units a unit made."""
    found: NoWorse
    """In kg a unit."""

    @property
    def word(self) -> str:
        """The word of the verdict on the margin."""
        return "no worse than its saving" if self.found.holds else "not shown to be no worse"


def cheaper_arms(kilos: Measure, money: TrialMoney | None) -> list[CheaperArm]:
    """Each arm that costs less a unit than the control, against the margin that its saving sets."""
    if money is None:
        return []
    trial, price = money.trial, money.book.kilo_sold(money.trial.batches[0].batch.strain)
    base, found = money.per_unit(trial.control), []
    for result in kilos.compared.arms[1:]:
        saving = base - money.per_unit(result.arm)
        if saving > 0 and price and result.gain is not None:
            margin = margin_from_money(saving, price)
            found.append(CheaperArm(result.arm, saving, no_worse_than(result.gain, margin, result.confidence)))
    return found
