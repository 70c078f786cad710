"""Is the other way really better, and does it pay?"""

from __future__ import annotations

from datetime import date

from pinset.ledger.read import Reader
from pinset.questions._compare import ArmResult, Compared, share_contaminated
from pinset.questions._measures import ArmDays, Measure, Times, all_times, by_flush, deciding, measures, word
from pinset.questions._money import Money, PriceBook
from pinset.questions._pictures import pictures
from pinset.questions._settle import CheaperArm, cheaper_arms, settling, trial_money
from pinset.questions._summary import summary_answer
from pinset.questions._trial import Flaw, Trial, find_trial, flaws
from pinset.questions._words import in_sentences, listed, several
from pinset.questions.answer import Answer, Basis, Cell, Column, Figure, Standing, Table
from pinset.questions.catalogue import question
from pinset.science.looks import confidence_for_looks
from pinset.science.proportions import clopper_pearson

ASKS = "is the other way really better, and does it pay?"
SOURCES = (
    "Dunnett 1955, J. Am. Stat. Assoc. 50:1096 (simultaneous intervals)",
    "Kuznetsova et al. 2017, J. Stat. Softw. 82(13) (degrees of freedom by Satterthwaite)",
    "Pocock 1977, Biometrika 64:191 (looking more than once; from memory)",
    "Raiffa & Schlaifer 1961, Applied Statistical Decision Theory (what more days would teach; from memory)",
    "Turnbull 1976, J. R. Stat. Soc. B 38:290; Fay & Shaw 2010, J. Stat. Softw. 36(2) (days between checks)",
    "Rao & Scott 1992, Biometrics 48:577 (shares of units that come in batches)",
)


class NotALook(ValueError):
    """A trial is looked at once or more, this time included."""


# A verdict is not called settled where dealing the arms out again within days gives a p above this (the usual level).
SURE = 0.05
LEAST_CHANCE = 0.001  # a chance is never shown as certain: the model it rests on is not


@question("verdict", ASKS)
def verdict(
    ledger: Reader, *, trial: str | None = None, since: date | None = None, until: date | None = None, looks: int = 1,
    summary: str | None = None,
) -> Answer:  # fmt: skip
    """Each arm of a trial against its control: yield, days, contamination, money.

    trial: the name of the trial; needed where there are several
    since: only batches made on or after this day
    until: only batches made on or before this day
    looks: how often this verdict was looked at to decide whether to go on, this time included; it widens the intervals
    summary: a published table instead of a trial: a CSV file with arm, mean, sd, n, and measure, letters, p if printed
    """
    if summary:
        return summary_answer(ASKS, summary)
    if looks < 1:
        raise NotALook(f"needed how often the trial was looked at, 1 or more; came {looks}")
    found = find_trial(ledger, trial, since, until)
    named = flaws(found)
    confidence = confidence_for_looks(looks)
    compared = measures(ledger, found, confidence)
    if not compared:
        return _nothing_to_compare(found, named)
    decides, times = deciding(found, compared), all_times(found, confidence)
    money = trial_money(ledger, found)
    cheaper = cheaper_arms(compared[0], money)
    unsettled = [result for result in decides.compared.arms[1:] if word(decides, result) == "not settled"]
    return Answer(
        question="verdict", asks=ASKS, headline=_headline(found, decides, named),
        standing=_standing(found, decides, named), figures=tuple(_figures(compared, times, looks)),
        basis=_basis(found, decides, looks),
        tables=(
            *_tables(found, compared), *_flush_tables(by_flush(found, confidence)), *_days_tables(times),
            *_cheaper_tables(cheaper, PriceBook(ledger).money),
        ),
        charts=tuple(pictures(found, compared[0], decides, times)),
        cautions=tuple(_cautions(found, named, compared)),
        next=(*_mend(found, named), *settling(decides, unsettled, money)),
        options={"trial": found.name} | ({"looks": str(looks)} if looks > 1 else {}),
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


# what is said -------------------------------------------------------------------------------------------------------


def _headline(trial: Trial, measure: Measure, named: list[Flaw]) -> str:
    others = measure.compared.arms[1:]
    unsettled = [result.arm for result in others if word(measure, result) == "not settled"]
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


def _standing(trial: Trial, measure: Measure, named: list[Flaw]) -> Standing:
    if named and named[0].lowers_to == "open":
        return Standing("open", named[0].words)
    words = {word(measure, result) for result in measure.compared.arms[1:]}
    if words == {"not settled"}:
        return Standing("open", "every interval of the differences holds both more and less")
    if named:
        return Standing("leaning", named[0].words)
    if "not settled" in words:
        return Standing("leaning", "some arms can be told from the control, others not yet")
    going = sum(trial.gathered.still_going(batch) for batch in trial.batches)
    if going:
        return Standing("leaning", f"{several(going, 'batch', 'batches')} may still give more")
    if any(one.permutation_p is None or one.permutation_p > SURE for one in measure.compared.arms[1:]):
        return Standing("leaning", "dealing the arms out again within their days does not bear it out; few days cannot")
    return Standing(
        "settled", f"every arm can be told from the control, over {several(measure.compared.blocks, 'day')}"
    )


def _figures(compared: list[Measure], times: list[Times], looks: int) -> list[Figure]:
    figures = [_difference(measure, result, looks) for measure in compared for result in measure.compared.arms[1:]]
    money = [measure for measure in compared if measure.name == "money"]
    figures += [_chance(result) for measure in money for result in measure.compared.arms[1:]]
    for kind in times:
        for arm in kind.arms:
            if arm.later is not None:
                one, name = arm.later, f"{kind.name}: {arm.arm} less control"
                figures.append(Figure(name, one.value, "days", one.low, one.high, one.count, f"{kind.what}: {one.how}"))
    return figures


def _difference(measure: Measure, result: ArmResult, looks: int) -> Figure:
    assert result.difference is not None, "a difference of the control from itself"
    one = result.difference
    low, value, high = (measure.scale * each for each in (one.low, one.value, one.high))
    how = f"{measure.how}; 95 % for all arms{_and_looks(looks)} at once"
    return Figure(f"{measure.name}: {result.arm} less control", value, measure.unit, low, high, result.count, how)


def _and_looks(looks: int) -> str:
    return "" if looks == 1 else f" and {looks} looks"


def _chance(result: ArmResult) -> Figure:
    assert result.gain is not None, "a difference of the control from itself"
    how = "the chance that it leaves more money than the control, if nothing is known beforehand; 0.1 to 99.9 at most"
    chance = 100 * min(max(result.gain.chance_above(0.0), LEAST_CHANCE), 1 - LEAST_CHANCE)
    return Figure(f"chance that {result.arm} pays", chance, "%", count=result.count, how=how)


def _basis(trial: Trial, decides: Measure, looks: int) -> Basis:
    days = [trial.gathered.day(batch.batch.at) for batch in trial.batches]
    units = {f"units of {arm}": len(trial.units(arm)) for arm in trial.arms}
    level = {
        "batch": "the batch is the experimental unit, because each batch had one arm; its units are parts of it",
        "unit": "the unit is the experimental unit, because units of one batch had different arms",
    }[trial.given_to]
    model = {
        "batch": "batches are compared within their days (least squares, fixed days)",
        "unit": "day and batch are random effects (REML, degrees of freedom by Satterthwaite)",
    }[trial.given_to]
    method = (
        f"decided by {decides.name}; {level}; {model}; differences from the control hold together at 95 % for all arms"
        f"{_and_looks(looks)} (Dunnett{'; Pocock' if looks > 1 else ''}); p by permuting arms within days stands beside"
    )
    counts = {"batches": len(trial.batches), "days": len(set(days)), **units}
    return Basis(counts, level, min(days), max(days), method, SOURCES)


def _tables(trial: Trial, compared: list[Measure]) -> list[Table]:
    return [_arms_table(trial, compared[0]), *(_measure_table(measure) for measure in compared)]


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
        return (result.arm, mean, None, None, None, None, None, None, word(measure, result))
    scaled = [measure.scale * each for each in (difference.value, difference.low, difference.high)]
    return (result.arm, mean, *scaled, difference.p, result.permutation_p, difference.df, word(measure, result))


def _flush_tables(flushes: dict[int, Compared]) -> list[Table]:
    if not flushes:
        return []
    columns = (
        Column("flush"), Column("arm"), Column("mean", "kg a unit", 3), Column("difference", "kg a unit", 3),
        Column("from", "kg a unit", 3), Column("to", "kg a unit", 3),
    )  # fmt: skip
    rows = tuple(_flush_row(flush, result) for flush, compared in flushes.items() for result in compared.arms)
    title = "Flush by flush, per unit made; the intervals hold for the arms of one flush together, not for all flushes"
    return [Table("flushes", title, columns, rows)]


def _flush_row(flush: int, result: ArmResult) -> tuple[Cell, ...]:
    one = result.difference
    return (flush, result.arm, result.mean.value, *((None,) * 3 if one is None else (one.value, one.low, one.high)))


def _days_tables(times: list[Times]) -> list[Table]:
    columns = (
        Column("arm"), Column("units"), Column("median", "days", 1), Column("from", "days", 1), Column("to", "days", 1),
        Column("later than control", "days", 1), Column("from", "days", 1), Column("to", "days", 1),
    )  # fmt: skip
    return [Table(one.name, _days_title(one), columns, tuple(map(_days_row, one.arms))) for one in times]


def _days_title(times: Times) -> str:
    behind = "" if times.p is None else f"; any difference at all: p {times.p:.4f} by permuting within days"
    return f"{times.what.capitalize()}, known only to lie between two checks{behind}"


def _days_row(arm: ArmDays) -> tuple[Cell, ...]:
    later = (arm.later.value, arm.later.low, arm.later.high) if arm.later else (None, None, None)
    return (arm.arm, arm.units, arm.median.value, arm.median.low, arm.median.high, *later)


def _cheaper_tables(cheaper: list[CheaperArm], money: Money) -> list[Table]:
    if not cheaper:
        return []
    columns = (
        Column("arm"), Column("saves a unit", money.currency, 2), Column("may yield less", "kg a unit", 3),
        Column("worst left open", "kg a unit", 3), Column("p", "", 4), Column("verdict"),
    )  # fmt: skip
    rows = tuple(
        (one.arm, money.shown(one.saving), one.found.margin, one.found.lowest, one.found.p, one.word) for one in cheaper
    )
    title = "Arms that cost less: how much less they may yield before their saving is lost, and the worst left open"
    return [Table("no worse", title, columns, rows)]


def _told(named: list[Flaw]) -> tuple[str, ...]:
    return tuple(f"{flaw.name[:1].upper()}{flaw.name[1:]}: {flaw.words}." for flaw in named)


def _cautions(trial: Trial, named: list[Flaw], compared: list[Measure]) -> list[str]:
    said = [*_told(named)]
    going = [batch.code for batch in trial.batches if trial.gathered.still_going(batch)]
    if going:
        said.append(f"{several(len(going), 'batch', 'batches')} may still give more: {listed(going)}.")
    if "money" not in {measure.name for measure in compared}:
        said.append(
            "Whether it pays is not judged: that needs a sale price, and for every batch the same costs on record, of "
            "substrate and spawn at least."
        )
    said.append("The verdict holds for this farm, these rooms and this season; another farm may differ.")
    return said


def _mend(trial: Trial, named: list[Flaw]) -> list[str]:
    """What to make otherwise, so that the trial can carry more."""
    said = []
    names = {flaw.name for flaw in named}
    if names & {"no same-day control", "days without control", "arms missing on days"}:
        said.append(f"Make a batch of {trial.control} on every day on which another arm is made.")
    if "one spawn lot per arm" in names:
        said.append("Make each arm from two or more spawn lots: then the way can be told from the lot.")
    if "position tied to arm" in names:
        said.append("Let the arms change places on the shelves from day to day; the question trial draws them.")
    return said
