"""Is the other way really better, and does it pay?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np

from pinset.ledger.read import Reader
from pinset.questions._batches import BatchRecord, UnitRecord, run_interval
from pinset.questions._compare import ArmResult, Compared, compare, per_batch, per_unit, share_contaminated
from pinset.questions._money import CostOfBatch, PriceBook, batch_costs
from pinset.questions._trial import Flaw, Trial, find_trial, flaws
from pinset.questions._words import in_sentences, listed, several, span
from pinset.questions.answer import Answer, Basis, Cell, Chart, Column, Figure, Standing, Table
from pinset.questions.catalogue import question
from pinset.science.intervals import TimeEstimate, time_difference, time_estimate
from pinset.science.logrank import compare_times
from pinset.science.proportions import clopper_pearson

ASKS = "is the other way really better, and does it pay?"
SOURCES = (
    "Dunnett 1955, J. Am. Stat. Assoc. 50:1096 (simultaneous intervals)",
    "Kuznetsova et al. 2017, J. Stat. Softw. 82(13) (degrees of freedom by Satterthwaite)",
    "Turnbull 1976, J. R. Stat. Soc. B 38:290; Fay & Shaw 2010, J. Stat. Softw. 36(2) (days between checks)",
    "Rao & Scott 1992, Biometrics 48:577 (shares of units that come in batches)",
)


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


@question("verdict", ASKS)
def verdict(
    ledger: Reader, *, trial: str | None = None, since: date | None = None, until: date | None = None
) -> Answer:
    """Each arm of a trial against its control: yield, days, contamination, money.

    trial: the name of the trial; needed where there are several
    since: only batches made on or after this day
    until: only batches made on or before this day
    """
    found = find_trial(ledger, trial, since, until)
    named = flaws(found)
    measures = _measures(ledger, found)
    if not measures:
        return _nothing_to_compare(found, named)
    deciding = _deciding(found, measures)
    days = _days(found)
    return Answer(
        question="verdict", asks=ASKS, headline=_headline(found, deciding, named),
        standing=_standing(deciding, named), figures=tuple(_figures(measures, days)),
        basis=_basis(found, deciding), tables=tuple(_tables(found, measures, days)),
        charts=tuple(_charts(found, measures[0], deciding)), cautions=tuple(_cautions(found, named, measures)),
        next=tuple(_next(found, deciding, named)), options={"trial": found.name},
    )  # fmt: skip


def _nothing_to_compare(trial: Trial, named: list[Flaw]) -> Answer:
    words = f"The trial {trial.name} cannot be judged yet: no weights of {trial.control} and of another arm to compare."
    reason = named[0].words if named else "no weights of the control beside another arm"
    counts = {"batches": len(trial.batches), "units": sum(batch.batch.units for batch in trial.batches)}
    return Answer(
        "verdict", ASKS, words, Standing("open", reason), (), Basis(counts, "none", None, None, "", SOURCES),
        cautions=_told(named), options={"trial": trial.name},
        next=(f"Weigh what the batches of {trial.control} and of the other arms give, made on the same days.",),
    )  # fmt: skip


# what is measured ---------------------------------------------------------------------------------------------------


def _judged(batch: BatchRecord) -> bool:
    """Whether a batch's weight can be given to its arm: weighed for itself, or lost altogether."""
    lost = batch.culled >= batch.batch.units or batch.contaminated >= batch.batch.units
    return batch.shared_kg == 0 and (batch.level != "none" or lost)


def _measures(ledger: Reader, trial: Trial) -> list[Measure]:
    fair = _fair_days(trial)
    kilos = _compared(
        trial,
        lambda batch: batch.picked_kg / batch.batch.units if fair(batch) else None,
        lambda batch, unit: unit.picked_kg if fair(batch) and batch.level == "unit" else None,
    )
    if kilos is None:
        return []
    how = "kg picked per unit made; units that gave nothing count as zero"
    measures = [Measure("yield", "kg a unit", "gave more", "gave less", how, kilos)]
    return [*measures, *_per_kilo_in(trial, fair), *_contamination(trial), *_money(ledger, trial, fair)]


def _fair_days(trial: Trial) -> Callable[[BatchRecord], bool]:
    """Days on which some batch was picked together with others tell nothing of the arms' weights, and are left out."""
    spoiled = {trial.block(batch) for batch in trial.batches if batch.shared_kg > 0}
    return lambda batch: _judged(batch) and trial.block(batch) not in spoiled


def _compared(
    trial: Trial,
    of_batch: Callable[[BatchRecord], float | None],
    of_unit: Callable[[BatchRecord, UnitRecord], float | None],
) -> Compared | None:
    measured = per_batch(trial, of_batch) if trial.given_to == "batch" else per_unit(trial, of_unit)
    return compare(measured, trial.arms, trial.given_to)


def _per_kilo_in(trial: Trial, fair: Callable[[BatchRecord], bool]) -> list[Measure]:
    """Spawn is feed too: an arm must not win by being fed more without saying so."""

    def into(batch: BatchRecord) -> float | None:
        return None if batch.wet_kg is None or not batch.spawn_kg else batch.wet_kg + batch.spawn_kg

    if any(into(batch) is None for batch in trial.batches) or trial.given_to == "unit":
        return []
    measured = per_batch(trial, lambda batch: batch.picked_kg / (into(batch) or 1.0) if fair(batch) else None)
    found = compare(measured, trial.arms)
    how = "kg picked per kg of substrate and spawn that went in"
    return (
        [] if found is None else [Measure("yield of all that went in", "%", "gave more", "gave less", how, found, 100)]
    )


def _contamination(trial: Trial) -> list[Measure]:
    found = _compared(
        trial,
        lambda batch: batch.contaminated / batch.batch.units,
        lambda batch, unit: float(unit.contaminated),
    )
    how = "units with a sign of mould or rot, or culled for it, over units made"
    if found is None:
        return []
    return [Measure("contamination", "%", "was contaminated more", "was contaminated less", how, found, 100)]


def _money(ledger: Reader, trial: Trial, fair: Callable[[BatchRecord], bool]) -> list[Measure]:
    book = PriceBook(ledger)
    sold = book.kilo_sold()
    costs = {cost.batch.code: cost for cost in batch_costs(ledger, trial.gathered, book)}
    if sold is None or trial.given_to == "unit" or not _alike(list(costs.values())):
        return []

    def left(batch: BatchRecord) -> float | None:
        if not fair(batch) or batch.shelf_days <= 0:
            return None
        return ((book.worth(batch) or 0.0) - costs[batch.code].total) / batch.shelf_days

    found = compare(per_batch(trial, left), trial.arms)
    how = "picks at the average price of the mushroom, less cost, over the days that the units stood"
    unit = f"{ledger.farm.currency} per 100 shelf-days"
    return (
        [] if found is None else [Measure("money", unit, "left more", "left less", how, found, book.money.shown(100))]
    )


def _alike(costs: list[CostOfBatch]) -> bool:
    """Whether every batch's cost counts the same lines, substrate and spawn among them: else it compares notes."""
    lines = {tuple(sorted(cost.lines)) for cost in costs}
    return len(lines) == 1 and {"substrate", "spawn"} <= set(next(iter(lines)))


def _deciding(trial: Trial, measures: list[Measure]) -> Measure:
    """What decides: what the trial names, else money where it can be counted, else yield."""
    by_name = {measure.name: measure for measure in measures}
    return by_name.get(trial.decides or "money", by_name.get("money", by_name["yield"]))


# days to full colonisation ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ArmDays:
    """An arm's days to full colonisation, and how much later than the control's."""

    arm: str
    units: int
    median: TimeEstimate
    later: TimeEstimate | None


def _days(trial: Trial) -> tuple[list[ArmDays], float | None]:
    """Each arm's median days, and the p of any difference by permuting batches within days."""
    looked = {arm: [(batch, unit) for batch, unit in trial.units(arm) if unit.looked_at] for arm in trial.arms}
    if any(len({batch.code for batch, _ in looked[arm]}) < 2 for arm in trial.arms):
        return [], None
    control = looked[trial.control]
    found = [_arm_days(trial, arm, looked[arm], control) for arm in trial.arms]
    everyone = [(arm, batch, unit) for arm in trial.arms for batch, unit in looked[arm]]
    left, right = run_interval([unit for _, _, unit in everyone])
    comparison = compare_times(
        left, right, np.array([arm for arm, _, _ in everyone]), trial.control,
        blocks=np.array([trial.block(batch) for _, batch, _ in everyone]),
        clusters=_dealt(trial, [(batch, unit) for _, batch, unit in everyone]),
    )  # fmt: skip
    return found, comparison.shuffled.p


def _dealt(trial: Trial, some: list[tuple[BatchRecord, UnitRecord]]) -> np.ndarray:
    """What was dealt among the arms: the batch, or the unit."""
    return np.array([batch.code if trial.given_to == "batch" else unit.code for batch, unit in some])


def _arm_days(
    trial: Trial,
    arm: str,
    some: list[tuple[BatchRecord, UnitRecord]],
    control: list[tuple[BatchRecord, UnitRecord]],
) -> ArmDays:
    left, right = run_interval([unit for _, unit in some])
    median = time_estimate(left, right, clusters=_dealt(trial, some))
    if arm == trial.control:
        return ArmDays(arm, len(some), median, None)
    both = [*control, *some]
    left, right = run_interval([unit for _, unit in both])
    sides = np.array([0] * len(control) + [1] * len(some))
    blocks = np.array([trial.block(batch) for batch, _ in both])
    shared = {trial.block(batch) for batch, _ in some} == {trial.block(batch) for batch, _ in control}
    later = time_difference(left, right, sides, clusters=blocks if shared else _dealt(trial, both))
    return ArmDays(arm, len(some), median, later)


# what is said -------------------------------------------------------------------------------------------------------


def _word(measure: Measure, result: ArmResult) -> str:
    if result.difference is None:
        return "the control"
    words = ("pays", "does not pay") if measure.name == "money" else (measure.more, measure.less)
    return {1: words[0], -1: words[1], 0: "not settled"}[result.lies]


def _headline(trial: Trial, measure: Measure, named: list[Flaw]) -> str:
    others = measure.compared.arms[1:]
    unsettled = [result.arm for result in others if _word(measure, result) == "not settled"]
    told = [result for result in others if result.arm not in unsettled]
    better = [result for result in told if _is_better(measure, result)]
    worse = [result for result in told if result not in better]
    sentences = [_sentence(trial, measure, some) for some in (better, worse) if some]
    if unsettled:
        sentences.append(f"{listed(unsettled)} cannot be told from {trial.control} yet")
    if named and named[0].lowers_to == "open":
        sentences.append(f"But this trial cannot carry a claim: {named[0].words}")
    return in_sentences(sentences)


def _is_better(measure: Measure, result: ArmResult) -> bool:
    return (result.lies > 0) == (measure.name != "contamination")


def _sentence(trial: Trial, measure: Measure, some: list[ArmResult]) -> str:
    """What the arms on one side of the control did, the largest difference first, and what follows."""
    some = sorted(some, key=lambda result: -abs(result.difference.value if result.difference else 0.0))
    first, *rest = some
    verb, _, direction = (measure.more if first.lies > 0 else measure.less).rpartition(" ")
    size = first.size(measure.unit, measure.scale)
    words = f"{first.arm} {verb} {size} {direction} than {trial.control} made on the same days"
    words += "".join(f", {result.arm} {result.size(measure.unit, measure.scale)}" for result in rest)
    return f"{words}: {_advice(trial, measure, first)}"


def _advice(trial: Trial, measure: Measure, result: ArmResult) -> str:
    if measure.name == "money":
        return f"it pays, take {result.arm}" if _is_better(measure, result) else f"stay with {trial.control}"
    return f"{result.arm} is the better way" if _is_better(measure, result) else f"stay with {trial.control}"


def _standing(measure: Measure, named: list[Flaw]) -> Standing:
    if named and named[0].lowers_to == "open":
        return Standing("open", named[0].words)
    words = {_word(measure, result) for result in measure.compared.arms[1:]}
    if words == {"not settled"}:
        return Standing("open", "every interval of the differences holds both more and less")
    if named:
        return Standing("leaning", named[0].words)
    if "not settled" in words:
        return Standing("leaning", "some arms can be told from the control, others not yet")
    return Standing(
        "settled", f"every arm can be told from the control, over {several(measure.compared.blocks, 'day')}"
    )


def _figures(measures: list[Measure], days: tuple[list[ArmDays], float | None]) -> list[Figure]:
    figures = [_difference(measure, result) for measure in measures for result in measure.compared.arms[1:]]
    how = "median days to full colonisation; bootstrap over batches or days; the run ends between two checks"
    for arm in days[0]:
        if arm.later is not None:
            later, name = arm.later, f"days: {arm.arm} less control"
            figures.append(Figure(name, later.value, "days", later.low, later.high, later.count, how))
    return figures


def _difference(measure: Measure, result: ArmResult) -> Figure:
    assert result.difference is not None, "a difference of the control from itself"
    one = result.difference
    low, value, high = (measure.scale * each for each in (one.low, one.value, one.high))
    how = f"{measure.how}; 95 % for all arms at once"
    return Figure(f"{measure.name}: {result.arm} less control", value, measure.unit, low, high, result.count, how)


def _basis(trial: Trial, deciding: Measure) -> Basis:
    days = [trial.gathered.day(batch.batch.at) for batch in trial.batches]
    units = {f"units of {arm}": len(trial.units(arm)) for arm in trial.arms}
    level = {
        "batch": "the batch is the experimental unit, because each batch had one arm; its units are parts of it",
        "unit": "the unit is the experimental unit, because units of one batch had different arms",
    }[trial.given_to]
    method = (
        f"decided by {deciding.name}; {level}; the day of making is a random effect (REML, degrees of freedom by "
        "Satterthwaite); differences from the control hold together at 95 % (Dunnett); p by permuting arms within days "
        "stands beside"
    )
    counts = {"batches": len(trial.batches), "days": len(set(days)), **units}
    return Basis(counts, level, min(days), max(days), method, SOURCES)


def _tables(trial: Trial, measures: list[Measure], days: tuple[list[ArmDays], float | None]) -> list[Table]:
    return [_arms_table(trial, measures[0]), *(_measure_table(measure) for measure in measures), *_days_table(days)]


def _arms_table(trial: Trial, kilos: Measure) -> Table:
    columns = (
        Column("arm"), Column("batches"), Column("units"), Column("contaminated"), Column("share contaminated", "%", 1),
        Column("from", "%", 1), Column("to", "%", 1), Column("picked", "kg", 2), Column("per unit made", "kg", 4),
        Column("per unit fruited", "kg", 4), Column("yield", "%", 2),
    )  # fmt: skip
    rows = tuple(_arm_row(trial, arm) for arm in trial.arms)
    return Table(
        "arms",
        "The arms as they were made; shares with 95 % intervals that count what the arm was given to",
        columns,
        rows,
    )


def _arm_row(trial: Trial, arm: str) -> tuple[Cell, ...]:
    units = trial.units(arm)
    batches = trial.of(arm)
    if trial.given_to == "batch":
        bad, picked = sum(batch.contaminated for batch in batches), sum(batch.picked_kg for batch in batches)
    else:
        bad, picked = sum(unit.contaminated for _, unit in units), sum(unit.picked_kg for _, unit in units)
    fruited = sum(unit.picked_kg > 0 for _, unit in units)
    share = share_contaminated(batches) if trial.given_to == "batch" else clopper_pearson(bad, len(units))
    wet = sum((batch.batch.fill_mg or 0) / 1e6 for batch, _ in units)
    return (
        arm, len(batches), len(units), bad, 100 * share.value, 100 * share.low, 100 * share.high, picked,
        picked / len(units), picked / fruited if fruited else None, 100 * picked / wet if wet else None,
    )  # fmt: skip


def _measure_table(measure: Measure) -> Table:
    columns = (
        Column("arm"), Column("mean", measure.unit, 3), Column("difference", measure.unit, 3),
        Column("from", measure.unit, 3), Column("to", measure.unit, 3),
        Column("p, all arms at once", "", 4), Column("p by permutation, alone", "", 4),
        Column("degrees of freedom", "", 1), Column("verdict"),
    )  # fmt: skip
    rows = tuple(_measure_row(measure, result) for result in measure.compared.arms)
    return Table(measure.name, f"{measure.name.capitalize()}: {measure.how}", columns, rows)


def _measure_row(measure: Measure, result: ArmResult) -> tuple[Cell, ...]:
    mean, difference = result.mean.value * measure.scale, result.difference
    if difference is None:
        return (result.arm, mean, None, None, None, None, None, None, _word(measure, result))
    scaled = [measure.scale * each for each in (difference.value, difference.low, difference.high)]
    return (result.arm, mean, *scaled, difference.p, result.permutation_p, difference.df, _word(measure, result))


def _days_table(days: tuple[list[ArmDays], float | None]) -> list[Table]:
    arms, p = days
    if not arms:
        return []
    columns = (
        Column("arm"), Column("units"), Column("median", "days", 1), Column("from", "days", 1), Column("to", "days", 1),
        Column("later than control", "days", 1), Column("from", "days", 1), Column("to", "days", 1),
    )  # fmt: skip
    rows = tuple(
        (arm.arm, arm.units, arm.median.value, arm.median.low, arm.median.high,
         *((arm.later.value, arm.later.low, arm.later.high) if arm.later else (None, None, None)))
        for arm in arms
    )  # fmt: skip
    behind = "" if p is None else f"; any difference at all: p {p:.4f} by permuting within days"
    return [Table("days", f"Days to full colonisation, known only to lie between two checks{behind}", columns, rows)]


def _charts(trial: Trial, kilos: Measure, deciding: Measure) -> list[Chart]:
    charts = [_differences(trial, kilos)]
    if deciding is not kilos:
        charts.insert(0, _differences(trial, deciding))
    return charts


def _differences(trial: Trial, measure: Measure) -> Chart:
    values = [
        {"arm": result.arm, "difference": measure.scale * result.difference.value,
         "low": measure.scale * result.difference.low, "high": measure.scale * result.difference.high,
         "verdict": _word(measure, result)}
        for result in measure.compared.arms if result.difference is not None
    ]  # fmt: skip
    axis = {"type": "quantitative", "title": f"{measure.name}: less or more than {trial.control}, {measure.unit}"}
    arm = {"field": "arm", "type": "nominal", "title": None}
    spec = {
        "data": {"values": values},
        "layer": [
            {"mark": {"type": "rule", "strokeDash": [4, 4]}, "encoding": {"x": {"datum": 0}}},
            {"mark": {"type": "rule", "size": 2},
             "encoding": {"y": arm, "x": {"field": "low", **axis}, "x2": {"field": "high"}}},
            {"mark": {"type": "point", "filled": True, "size": 110},
             "encoding": {"y": arm, "x": {"field": "difference", **axis},
                          "shape": {"field": "verdict", "type": "nominal", "title": "verdict"}}},
        ],
    }  # fmt: skip
    figures = [(result.arm, _difference(measure, result)) for result in measure.compared.arms[1:]]
    told = "; ".join(f"{arm} {span(one.value or 0.0, one.low, one.high, one.unit)}" for arm, one in figures)
    title = f"Each arm less {trial.control}, with 95 % intervals that hold together"
    return Chart(f"{measure.name}-differences", title, f"{title}: {told}.", spec)


def _told(named: list[Flaw]) -> tuple[str, ...]:
    return tuple(f"{flaw.name[:1].upper()}{flaw.name[1:]}: {flaw.words}." for flaw in named)


def _cautions(trial: Trial, named: list[Flaw], measures: list[Measure]) -> list[str]:
    said = [*_told(named)]
    going = [batch.code for batch in trial.batches if trial.gathered.still_going(batch)]
    if going:
        said.append(f"{several(len(going), 'batch', 'batches')} may still give more: {listed(going)}.")
    if "money" not in {measure.name for measure in measures}:
        said.append(
            "Whether it pays is not judged: that needs a sale price, and for every batch the same costs on record, of "
            "substrate and spawn at least."
        )
    said.append("The verdict holds for this farm, these rooms and this season; another farm may differ.")
    return said


def _next(trial: Trial, deciding: Measure, named: list[Flaw]) -> list[str]:
    said = []
    names = {flaw.name for flaw in named}
    if names & {"no same-day control", "days without control", "arms missing on days"}:
        said.append(f"Make a batch of {trial.control} on every day on which another arm is made.")
    if "one spawn lot per arm" in names:
        said.append("Make each arm from two or more spawn lots: then the way can be told from the lot.")
    unsettled = [result for result in deciding.compared.arms[1:] if _word(deciding, result) == "not settled"]
    if unsettled:
        days = deciding.compared.blocks
        more = max(_days_to_halve(result, days) for result in unsettled)
        said.append(
            f"To halve the doubt about {listed([result.arm for result in unsettled])}, make the arms on about "
            f"{more} more days; if the difference that is left open would not change what you do, stop here."
        )
    return said


def _days_to_halve(result: ArmResult, days: int) -> int:
    """The standard error falls with the square root of the days: half of it takes four times as many."""
    return 3 * max(days, 1) if result.difference is not None else 0
