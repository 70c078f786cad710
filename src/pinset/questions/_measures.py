"""What the arms of a trial are compared by: yield, what went in, contamination, money, flushes and times."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import numpy as np

from pinset.ledger.read import Reader
from pinset.questions._batches import BatchRecord, UnitRecord
from pinset.questions._compare import ArmResult, Compared, Measured, compare, per_batch, per_unit
from pinset.questions._money import CostOfBatch, PriceBook, batch_costs
from pinset.questions._trial import GivenTo, Trial
from pinset.science.arrays import Floats
from pinset.science.intervals import TimeEstimate, estimate, time_difference, time_estimate
from pinset.science.logrank import compare_times
from pinset.science.permutation import ArmsNeverMeet, NothingToShuffle

# A batch's flushes are compared where they hold all but this part of its weight.
FLUSH_UNNOTED = 0.02


@dataclass(frozen=True, slots=True)
class Measure:
    """One thing the arms are compared by."""

    name: str
    unit: str
    more: str
    """What the arm does when it lies above the control, in words."""
    less: str
    how: str
    compared: Compared
    scale: float = 1.0


def measures(ledger: Reader, trial: Trial, confidence: float) -> list[Measure]:
    """Everything that the notes let the arms be compared by, yield first; nothing where there is no yield."""
    fair = fair_days(trial)
    kilos = _compared(
        trial,
        lambda batch: batch.picked_kg / batch.batch.units if fair(batch) else None,
        lambda batch, unit: unit.picked_kg if fair(batch) and batch.level == "unit" else None,
        confidence,
    )
    if kilos is None:
        return []
    how = "kg picked per unit made; units that gave nothing count as zero"
    found = [Measure("yield", "kg a unit", "gave more", "gave less", how, kilos)]
    return [
        *found, *_per_kilo_in(trial, fair, confidence), *_contamination(trial, confidence),
        *_money(ledger, trial, fair, confidence),
    ]  # fmt: skip


def word(measure: Measure, result: ArmResult) -> str:
    """The word of the verdict on an arm by a measure."""
    if result.difference is None:
        return "the control"
    words = ("pays", "does not pay") if measure.name == "money" else (measure.more, measure.less)
    return {1: words[0], -1: words[1], 0: "not settled"}[result.lies]


def deciding(trial: Trial, found: list[Measure]) -> Measure:
    """What decides: what the trial names, else money where it can be counted, else yield."""
    by_name = {measure.name: measure for measure in found}
    return by_name.get(trial.decides or "money", by_name.get("money", by_name["yield"]))


def fair_days(trial: Trial) -> Callable[[BatchRecord], bool]:
    """Days on which some batch was picked together with others tell nothing of the arms' weights, and are left out."""
    spoiled = {trial.block(batch) for batch in trial.batches if batch.shared_kg > 0}
    return lambda batch: _judged(batch) and trial.block(batch) not in spoiled


def _judged(batch: BatchRecord) -> bool:
    """Whether a batch's weight can be given to its arm: weighed for itself, or lost altogether."""
    lost = batch.culled >= batch.batch.units or batch.contaminated >= batch.batch.units
    return batch.shared_kg == 0 and (batch.level != "none" or lost)


def _compared(
    trial: Trial,
    of_batch: Callable[[BatchRecord], float | None],
    of_unit: Callable[[BatchRecord, UnitRecord], float | None],
    confidence: float,
) -> Compared | None:
    measured = per_batch(trial, of_batch) if trial.given_to == "batch" else per_unit(trial, of_unit)
    return compare(measured, trial.arms, trial.given_to, confidence)


def _per_kilo_in(trial: Trial, fair: Callable[[BatchRecord], bool], confidence: float) -> list[Measure]:
    """Spawn is feed too: an arm must not win by being fed more without saying so."""

    def into(batch: BatchRecord) -> float | None:
        return None if batch.wet_kg is None or not batch.spawn_kg else batch.wet_kg + batch.spawn_kg

    if any(into(batch) is None for batch in trial.batches) or trial.given_to == "unit":
        return []
    measured = per_batch(trial, lambda batch: batch.picked_kg / (into(batch) or 1.0) if fair(batch) else None)
    found = compare(measured, trial.arms, confidence=confidence)
    how = "kg picked per kg of substrate and spawn that went in"
    name = "yield of all that went in"
    return [] if found is None else [Measure(name, "%", "gave more", "gave less", how, found, 100)]


def _contamination(trial: Trial, confidence: float) -> list[Measure]:
    found = _compared(
        trial,
        lambda batch: batch.contaminated / batch.batch.units,
        lambda batch, unit: float(unit.contaminated),
        confidence,
    )
    how = "units with a sign of mould or rot, or culled for it, over units made"
    if found is None:
        return []
    return [Measure("contamination", "%", "was contaminated more", "was contaminated less", how, found, 100)]


def _money(ledger: Reader, trial: Trial, fair: Callable[[BatchRecord], bool], confidence: float) -> list[Measure]:
    book = PriceBook(ledger)
    costs = comparable_costs(ledger, trial, book)
    if book.kilo_sold() is None or not costs:
        return []

    def left(batch: BatchRecord) -> float | None:
        if not fair(batch) or batch.shelf_days <= 0:
            return None
        return ((book.worth(batch) or 0.0) - costs[batch.code].total) / batch.shelf_days

    found = compare(per_batch(trial, left), trial.arms, confidence=confidence)
    how = "picks at the average price of the mushroom, less cost, over the days that the units stood"
    unit = f"{ledger.farm.currency} per 100 shelf-days"
    scale = book.money.shown(100)
    return [] if found is None else [Measure("money", unit, "left more", "left less", how, found, scale)]


def comparable_costs(ledger: Reader, trial: Trial, book: PriceBook) -> dict[str, CostOfBatch]:
    """The costs of the trial's batches, where every one counts the same lines; else nothing: it would compare notes."""
    costs = {cost.batch.code: cost for cost in batch_costs(ledger, trial.gathered, book)}
    lines = {tuple(sorted(cost.lines)) for cost in costs.values()}
    alike = len(lines) == 1 and {"substrate", "spawn"} <= set(next(iter(lines)))
    return costs if alike and trial.given_to == "batch" else {}


# flush by flush -----------------------------------------------------------------------------------------------------


def by_flush(trial: Trial, confidence: float) -> dict[int, Compared]:
    """The arms compared by kg per unit made in each flush, where flushes were noted."""
    fair = fair_days(trial)

    def noted(batch: BatchRecord) -> bool:
        return fair(batch) and sum(batch.by_flush.values()) >= (1 - FLUSH_UNNOTED) * batch.picked_kg

    flushes = sorted({flush for batch in trial.batches for flush in batch.by_flush})
    found = ((flush, _one_flush(trial, flush, noted, confidence)) for flush in flushes)
    return {flush: compared for flush, compared in found if compared is not None}


def _one_flush(trial: Trial, flush: int, noted: Callable[[BatchRecord], bool], confidence: float) -> Compared | None:
    return _compared(
        trial,
        lambda batch: batch.by_flush.get(flush, 0.0) / batch.batch.units if noted(batch) else None,
        lambda batch, unit: unit.by_flush.get(flush, 0.0) if noted(batch) and batch.level == "unit" else None,
        confidence,
    )


# times that lie between two looks -----------------------------------------------------------------------------------


class Timed(NamedTuple):
    """A unit, or a batch noted as one, and between which days it got there; without end where it never did."""

    arm: str
    block: str
    dealt: str
    """What was dealt among the arms: the batch, or the unit."""
    left: float
    right: float


@dataclass(frozen=True, slots=True)
class Later:
    """How many days later than the control an arm is, with its interval, over ``count`` batches or days."""

    value: float
    low: float
    high: float
    count: int
    how: str


@dataclass(frozen=True, slots=True)
class ArmDays:
    """An arm's median days to something, and how much later than the control's."""

    arm: str
    units: int
    median: TimeEstimate
    later: Later | None


@dataclass(frozen=True, slots=True)
class Times:
    """Days until something, by arm; ``p`` is that of any difference, by permuting what was dealt within days."""

    name: str
    what: str
    arms: tuple[ArmDays, ...]
    p: float | None
    timed: tuple[Timed, ...]


def all_times(trial: Trial, confidence: float) -> list[Times]:
    """Days to full colonisation and to the first pick, each where the notes tell it of every arm."""
    kinds = (
        ("days", "days to full colonisation", _runs(trial)),
        ("first pick", "days to the first pick", _firsts(trial)),
    )
    found = (_times(trial, name, what, timed, confidence) for name, what, timed in kinds)
    return [one for one in found if one is not None]


def _runs(trial: Trial) -> list[Timed]:
    """Between which looks the spawn run of each unit was completed: never the day of a look."""
    return [
        _timed(trial, arm, batch, unit.code, unit.run_after, unit.run_by)
        for arm in trial.arms
        for batch, unit in trial.units(arm)
        if unit.looked_at
    ]


def _firsts(trial: Trial) -> list[Timed]:
    """Between which rounds of picking on the farm each unit was ready; of batches weighed as a whole, each batch."""
    rounds = sorted({day for batch in trial.gathered.whole for day in batch.by_day})
    return [one for batch in trial.batches for one in _first_of(trial, batch, rounds)]


def _first_of(trial: Trial, batch: BatchRecord, rounds: list[date]) -> Iterator[Timed]:
    made = trial.gathered.day(batch.batch.at)
    for arm, code, first, end in _first_picks(trial, batch, made):
        if first is None:
            yield _timed(trial, arm, batch, code, end, None)
        else:
            before = [float((day - made).days) for day in rounds if 0 < (day - made).days < first]
            yield _timed(trial, arm, batch, code, max(before, default=0.0), first)


def _first_picks(trial: Trial, batch: BatchRecord, made: date) -> Iterator[tuple[str, str, float | None, float]]:
    """Arm, code, day of the first pick, and the day until which there could have been one."""
    if batch.level == "unit":
        for unit in batch.units:
            if unit.arm is not None:
                first = None if unit.first_pick is None else float(round(unit.first_pick))
                yield unit.arm, unit.code, first, batch.last_day if unit.culled is None else unit.culled
    elif trial.given_to == "batch" and batch.level == "batch" and batch.units[0].arm is not None:
        days = [float((day - made).days) for day in batch.by_day]
        yield batch.units[0].arm, batch.code, min(days, default=None), batch.last_day


def _timed(trial: Trial, arm: str, batch: BatchRecord, unit: str, left: float, right: float | None) -> Timed:
    dealt = batch.code if trial.given_to == "batch" else unit
    return Timed(arm, trial.block(batch), dealt, left, np.inf if right is None else right)


def _times(trial: Trial, name: str, what: str, timed: list[Timed], confidence: float) -> Times | None:
    by_arm = {arm: [one for one in timed if one.arm == arm] for arm in trial.arms}
    if any(len({one.dealt for one in some}) < 2 or not _seen(some) for some in by_arm.values()):
        return None
    later = differences_in_time(timed, trial.arms, trial.given_to, confidence)
    arms = tuple(_arm_days(arm, some, later.get(arm)) for arm, some in by_arm.items())
    return Times(name, what, arms, _any_difference(timed, trial.control), tuple(timed))


def _any_difference(timed: list[Timed], control: str) -> float | None:
    left, right = ends(timed)
    arms, blocks, dealt = (
        np.array(each) for each in zip(*((one.arm, one.block, one.dealt) for one in timed), strict=True)
    )
    try:
        return compare_times(left, right, arms, control, blocks=blocks, clusters=dealt).shuffled.p
    except (ArmsNeverMeet, NothingToShuffle):
        return None


def _seen(some: list[Timed]) -> bool:
    return any(np.isfinite(one.right) for one in some)


def ends(timed: Sequence[Timed]) -> tuple[Floats, Floats]:
    """The last moment before, and the first after, of each."""
    return np.array([one.left for one in timed]), np.array([one.right for one in timed])


def _arm_days(arm: str, some: list[Timed], later: Later | None) -> ArmDays:
    median = time_estimate(*ends(some), clusters=np.array([one.dealt for one in some]))
    return ArmDays(arm, len(some), median, later)


def differences_in_time(
    timed: Sequence[Timed], arms: Sequence[str], given_to: GivenTo, confidence: float
) -> dict[str, Later]:
    """How much later each arm is than the control, the first of ``arms``.

    The median of each batch (of each arm in a day, where the arm was given to the unit) is compared within its day like
    any other measure. Where less than half of some batch got there it has no median; then batches are resampled.
    """
    compared = compare(_medians(timed, given_to), arms, confidence=confidence)
    if compared is not None and len(compared.arms) == len(arms):
        how = "medians of batches between two checks, compared within their days"
        return {
            one.arm: Later(one.difference.value, one.difference.low, one.difference.high, one.count, how)
            for one in compared.arms
            if one.difference is not None
        }
    resampled = {arm: _resampled(timed, arms[0], arm, confidence) for arm in arms[1:]}
    # resamples that are all alike say that they are too few for an interval, not that nothing is in doubt
    alike = {arm for arm, later in resampled.items() if math.isfinite(later.low) and later.low >= later.high}
    return {arm: later for arm, later in resampled.items() if arm not in alike}


def _medians(timed: Sequence[Timed], given_to: GivenTo) -> list[Measured]:
    """The median of each batch, or of each arm in a day; nothing where one of them has none."""
    cells: dict[tuple[str, str, str], list[Timed]] = defaultdict(list)
    for one in timed:
        cells[one.arm, one.block, one.dealt if given_to == "batch" else one.block].append(one)
    found = [Measured(*cell, estimate(*ends(some)).quantile().value) for cell, some in cells.items()]
    return found if all(np.isfinite(one.value) for one in found) else []


def _resampled(timed: Sequence[Timed], control: str, arm: str, confidence: float) -> Later:
    both = [one for one in timed if one.arm in (control, arm)]
    blocks = [{one.block for one in both if one.arm == each} for each in (control, arm)]
    clusters = np.array([one.block if blocks[0] == blocks[1] else one.dealt for one in both])
    sides = np.array([int(one.arm == arm) for one in both])
    later = time_difference(*ends(both), sides, clusters=clusters, confidence=confidence)
    how = "medians between two checks, batches or days resampled"
    return Later(later.value, later.low, later.high, later.count, how)
