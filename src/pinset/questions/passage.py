"""How many times may this line be passed on?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from pinset.ledger.read import Reader
from pinset.questions._rounds import Made, Recorded, Stated, recorded, rounds_recorded, rounds_stated
from pinset.questions._words import in_sentences, listed, number, several
from pinset.questions.answer import Answer, Basis, Cell, Chart, Column, Figure, Standing, Table
from pinset.questions.catalogue import NoSuchOption, question
from pinset.science.decline import CannotTell, Decline, Season, decline, season
from pinset.science.renewal import (
    Flip,
    HowOften,
    PassageMissing,
    Rounds,
    RoundsDoNotFit,
    best_passages,
    curve,
    flip,
    full_shelf_price,
    how_often_best,
    shelf_price_switches,
    with_spawn_price,
    with_yield_loss,
)

ASKS = "how many times may this line be passed on?"
METHOD = (
    "long-run money of a cycle of fresh spawn and so many passings-on (renewal reward): revenue less all cost and a "
    "charge for the chance of an infestation, over the cycle's shelf-days where shelves are full, per unit made where "
    "they are free; later passages made good for the day by fresh spawn of the same day and mix; bootstrap over whole "
    "batches within their passage; decline by passage as several shapes side by side, never a straight line alone"
)
SOURCES = (
    "Ross 1996, Stochastic Processes, chapter 3 (from memory)",
    "Rao & Wu 1988, J. Am. Stat. Assoc. 83:231",
    "Barlow et al. 1972, Statistical Inference under Order Restrictions (from memory)",
)
# A choice that is best in so many of a hundred resamples is settled, or leant to: common practice.
SURE, LIKELY = 0.9, 0.6
# How far a number is moved, in times of what it is, to look for where the answer flips.
FAR = 5.0


@dataclass(frozen=True, slots=True)
class Weighed:
    """The rounds and what follows from them; from the record, how sure it is, else nothing of that."""

    rounds: Rounds
    currency: str
    record: Recorded | None
    full: HowOften | None
    free: HowOften | None
    declines: dict[str, Decline]
    season: Season | None

    @property
    def best_full(self) -> int:
        """How many times to pass on where shelves are full."""
        return best_passages(self.rounds)

    @property
    def best_free(self) -> int:
        """How many times to pass on where shelves are free."""
        return best_passages(self.rounds, shelf_price=0.0)

    @property
    def last(self) -> int:
        """The most passings-on that are known of."""
        return len(self.rounds.revenue) - 1

    @property
    def told_apart(self) -> bool:
        """Whether passage can be told from season, or nothing was measured that a season could change."""
        return self.season is None or self.season.told_apart


@question("passage", ASKS)
def passage(
    ledger: Reader,
    *,
    line: str | None = None,
    since: date | None = None,
    until: date | None = None,
    yields: str = "",
    days: str = "",
    chance: str = "",
    price: float | None = None,
    spawn: float | None = None,
    draw: float | None = None,
    cost: float | None = None,
    loss: float = 0.0,
    batch: float = 1.0,
) -> Answer:
    """After how many passings-on to go back to fresh spawn, by the money that a line earns in the long run.

    line: the culture or bought lot that the line goes back to; needed where there are several
    since: only batches made on or after this day
    until: only batches made on or before this day
    yields: kg picked a unit made, from fresh spawn on, as 0.25,0.22,0.15; instead of the record
    days: shelf-days a unit takes, likewise, as 23,26,28; instead of the record
    chance: the chance that a batch brings in a pest, likewise, as 0,0.01,0.02; instead of the pests on record
    price: what a kg sells for; instead of the record
    spawn: what fresh spawn costs a unit; instead of the record
    draw: what spawn passed on costs a unit; instead of the record
    cost: what else a unit costs, shelf left out; instead of the record
    loss: what one infestation costs the house
    batch: units in a batch, where nothing is on record
    """
    stated = Stated(
        _list("yields", yields), _list("days", days), _list("chance", chance), price, spawn, draw, cost, loss, batch
    )
    record = None if stated.whole else recorded(ledger, line, since, until)
    weighed = _weighed(ledger.farm.currency, record, stated)
    if weighed is None or weighed.last < 1:
        return _nothing_to_weigh(record, stated)
    return Answer(
        question="passage", asks=ASKS, headline=in_sentences(_sentences(weighed)), standing=_standing(weighed),
        figures=tuple(_figures(weighed)), basis=_basis(weighed),
        tables=(_curve_table(weighed), _rounds_table(weighed), *_decline_tables(weighed)), charts=(_chart(weighed),),
        cautions=tuple(_cautions(weighed)), next=tuple(_next(weighed)),
        options={} if record is None else {"line": record.line},
    )  # fmt: skip


def _list(name: str, said: str) -> tuple[float, ...]:
    try:
        return tuple(float(one) for one in said.replace(" ", "").split(",") if one)
    except ValueError as fault:
        raise NoSuchOption(f"{name}: needed numbers in a row, as 0.25,0.22,0.15; came {said!r}") from fault


def _nothing_to_weigh(record: Recorded | None, stated: Stated) -> Answer:
    counts = {"batches": 0 if record is None else len(record.made)}
    if record is None:
        lacks = "no finished batch says which spawn of known passage it was made with"
    elif record.last < 1:
        lacks = f"every finished batch of {record.line} was made with spawn of passage {record.fresh}"
    else:
        lacks = "no delivery says what a kg sold for"
    return Answer(
        "passage", ASKS, f"It cannot be weighed yet how often to pass a line on: {lacks}.", Standing("open", lacks), (),
        Basis(counts, "none", None, None, METHOD, SOURCES), next=(
            "Make a batch from spawn passed on beside one from fresh spawn, on the same day and of the same mix.",
            "Or weigh stated numbers: pinset ask passage --yields 0.25,0.22 --days 23,26 --price 8 --spawn 0.4",
        ),
    )  # fmt: skip


def _weighed(currency: str, record: Recorded | None, stated: Stated) -> Weighed | None:
    try:
        if stated.whole:
            return Weighed(rounds_stated(stated), currency, None, None, None, {}, None)
        rounds = None if record is None else rounds_recorded(record, stated)
    except RoundsDoNotFit as fault:
        raise NoSuchOption(str(fault)) from fault
    if record is None or rounds is None or record.last < 1:
        return None
    full, free = (None, None) if stated.yields or stated.days else _how_often(record, rounds, stated.price)
    return Weighed(rounds, currency, record, full, free, _declines(record), season(*_when(record)))


def _how_often(record: Recorded, rounds: Rounds, price: float | None) -> tuple[HowOften | None, HowOften | None]:
    """How often each choice is best over resamples of batches, shelves full and free; None from single batches."""
    units = [one.batch.batch.units for one in record.made]
    times = np.array([one.passage - record.fresh for one in record.made])
    # Batches differ by what they gave; what else a round costs is taken at its mean.
    worth = (record.sold or 0.0) if price is None else price
    more = np.array([record.fair_kilos(one) for one in record.made]) * worth - rounds.revenue[times]
    gains = np.repeat(rounds.gains[times] + more, units)
    days = np.repeat([one.shelf_days for one in record.made], units)
    passages, batches = np.repeat(times, units), np.repeat(np.arange(len(units)), units)
    try:
        full, free = (how_often_best(passages, batches, gains, days, shelf_price=each) for each in (None, 0.0))
    except PassageMissing:
        return None, None
    return full, free


def _when(record: Recorded) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    later = [one for one in record.made if one.passage > record.fresh]
    controlled = [record.control(one) is not None for one in later]
    fresh = record.passed(0)
    passages = np.array([one.passage for one in [*fresh, *later]])
    day = np.array([one.batch.batch.at / 86_400 for one in [*fresh, *later]])
    return passages, day, np.array([True] * len(fresh) + controlled)


def _declines(record: Recorded) -> dict[str, Decline]:
    """What falls with passage, against fresh spawn of the same day, lower being worse."""
    measures: dict[str, Callable[[Made], float]] = {
        "kg a unit made": lambda one: one.kilos,
        "share not contaminated": lambda one: 1 - one.batch.contaminated / one.batch.batch.units,
    }
    found = {name: _decline(record, measure) for name, measure in measures.items()}
    return {name: one for name, one in found.items() if one is not None}


def _decline(record: Recorded, measure: Callable[[Made], float]) -> Decline | None:
    beside = {
        block: float(np.mean([measure(one) for one in record.passed(0) if one.block == block]))
        for block in {one.block for one in record.passed(0)}
    }
    later = [one for one in record.made if one.passage > record.fresh and one.block in beside]
    response = np.array([measure(one) - beside[one.block] for one in later])
    passages = np.array([one.passage for one in later], dtype=np.intp)
    weight = np.array([float(one.batch.batch.units) for one in later])
    try:
        return decline(passages, response, weight, control=record.fresh)
    except CannotTell:
        return None


def _times(count: int, last: int) -> str:
    if count == 0:
        return "do not pass it on at all: use fresh spawn each time"
    often = "once" if count == 1 else f"{count} times"
    if count == last:
        return f"pass it on {often} at least: no later passage is known"
    return f"pass it on {often} at most, then go back to fresh spawn"


def _passing(count: int) -> str:
    """The choice in a few words.

    >>> _passing(0), _passing(1), _passing(3)
    ('fresh spawn each time', 'passing on once', 'passing on 3 times')
    """
    if count == 0:
        return "fresh spawn each time"
    return "passing on once" if count == 1 else f"passing on {count} times"


def _sentences(weighed: Weighed) -> list[str]:
    whose = "" if weighed.record is None else f"{weighed.record.line}: "
    said = []
    if weighed.best_free == weighed.best_full:
        said.append(f"{whose}{_times(weighed.best_full, weighed.last)}, whether shelves are full or free")
    else:
        said.append(f"{whose}on a farm that is short of shelves, {_times(weighed.best_full, weighed.last)}")
        said.append(f"Where shelves stand free, as with a hobby, {_times(weighed.best_free, weighed.last)}")
        prices = [_money(one.price) for one in shelf_price_switches(weighed.rounds)]
        said.append(f"The change comes where a shelf-day is worth {listed(prices)} {weighed.currency}")
    if not weighed.told_apart:
        said.append("But season and passage cannot be told apart")
    return said


def _money(amount: float) -> str:
    return number(amount, 3 if abs(amount) < 1 else 2)


def _standing(weighed: Weighed) -> Standing:
    if weighed.record is None:
        return Standing("open", "it follows from the numbers stated, and from no note")
    if not weighed.told_apart and weighed.season is not None:
        return Standing("open", f"season and passage cannot be told apart: {weighed.season.telling}")
    share = None if weighed.full is None else float(weighed.full.best[weighed.best_full])
    if share is None:
        return Standing(
            "open", "a passage has one batch only, or its numbers were stated: how sure it is cannot be told"
        )
    words = f"it is the best choice in {number(100 * share, 0)} of 100 resamples of the batches, where shelves are full"
    if share >= SURE:
        return Standing("settled", words)
    return Standing("leaning" if share >= LIKELY else "open", words)


def _figures(weighed: Weighed) -> list[Figure]:
    unit, rounds = weighed.currency, weighed.rounds
    figures = [
        Figure("times to pass on, shelves full", weighed.best_full, "times", how="most money per shelf-day"),
        Figure("times to pass on, shelves free", weighed.best_free, "times", how="most money per unit made"),
        _full_figure(weighed),
    ]
    for switch in shelf_price_switches(rounds):
        how = f"below it {_passing(switch.below)} is best, above it {_passing(switch.above)}"
        figures.append(Figure("shelf price at which it changes", switch.price, f"{unit} a shelf-day", how=how))
    return figures + _flips(weighed)


def _full_figure(weighed: Weighed) -> Figure:
    """What a shelf-day earns at best, with its interval where batches give one."""
    best, how = weighed.best_full, "what a shelf-day earns where shelves are full and all is done best"
    count = None if weighed.record is None else len(weighed.record.made)
    low, high = (None, None) if weighed.full is None else _ends(weighed.full, best)
    value = full_shelf_price(weighed.rounds)
    return Figure("worth of a full shelf-day", value, f"{weighed.currency} a shelf-day", low, high, count, how)


def _ends(how: HowOften, k: int) -> tuple[float, float]:
    return float(how.low[k]), float(how.high[k])


def _flips(weighed: Weighed) -> list[Figure]:
    """Where each number would have to be for another choice, shelves full."""
    rounds, unit = weighed.rounds, weighed.currency
    now = float(rounds.spawn[0])
    found = [
        ("spawn price", f"{unit} a unit", _either(lambda value: with_spawn_price(rounds, value), now, 0, FAR * now)),
        ("yield lost", "times as now", _either(lambda value: with_yield_loss(rounds, value), 1, 0, FAR)),
    ]
    if rounds.loss:
        found.append(("chance added", "a batch passed on", _either(lambda value: _riskier(rounds, value), 0, -1, 1)))
    return [
        Figure(
            f"{name} at which it changes",
            one.value,
            measure,
            how=f"then {_passing(one.passages)} is best, shelves full",
        )
        for name, measure, one in found
        if one is not None
    ]


def _either(change: Callable[[float], Rounds], now: float, low: float, high: float) -> Flip | None:
    """The nearest of the flips to both sides."""
    both = [one for end in (low, high) if end != now and (one := flip(change, now, end)) is not None]
    return min(both, key=lambda one: abs(one.value - now), default=None)


def _riskier(rounds: Rounds, added: float) -> Rounds:
    """The same rounds with a chance of infestation added to every passing-on."""
    later = np.clip(rounds.infestation[1:] + added, 0, 1)
    return replace(rounds, infestation=np.append(rounds.infestation[0], later))


def _basis(weighed: Weighed) -> Basis:
    if weighed.record is None:
        return Basis({"batches": 0, "passages": weighed.last + 1}, "stated numbers", None, None, METHOD, SOURCES)
    made = weighed.record.made
    days = [weighed.record.gathered.day(one.batch.batch.at) for one in made]
    counts = {"batches": len(made), "units": sum(one.batch.batch.units for one in made), "passages": weighed.last + 1}
    level = "by batch, because spawn is given to a batch"
    return Basis(counts, level, min(days), max(days), METHOD, SOURCES)


def _curve_table(weighed: Weighed) -> Table:
    unit = weighed.currency
    columns = (
        Column("times passed on"), Column("per 100 shelf-days", unit, 2), Column("from", unit, 2),
        Column("to", unit, 2), Column("best, shelves full", "%"), Column("per unit made, shelves free", unit, 3),
        Column("from", unit, 3), Column("to", unit, 3), Column("best, shelves free", "%"),
    )  # fmt: skip
    full, free = curve(weighed.rounds), curve(weighed.rounds, shelf_price=0.0)
    rows = tuple(
        (k, 100 * float(full[k]), *_doubt(weighed.full, k, 100), float(free[k]), *_doubt(weighed.free, k, 1))
        for k in range(weighed.last + 1)
    )
    return Table("curve", "What each choice earns in the long run, and how often it is the best", columns, rows)


def _doubt(how: HowOften | None, k: int, scale: float) -> tuple[Cell, Cell, Cell]:
    if how is None:
        return (None, None, None)
    return (scale * float(how.low[k]), scale * float(how.high[k]), 100 * float(how.best[k]))


def _rounds_table(weighed: Weighed) -> Table:
    unit, rounds = weighed.currency, weighed.rounds
    columns = (
        Column("times passed on"), Column("batches"), Column("picked for", unit, 3), Column("other cost", unit, 3),
        Column("spawn", unit, 3), Column("infestation", "%", 1), Column("left", unit, 3), Column("shelf-days", "", 1),
    )  # fmt: skip
    rows = tuple(
        (
            k, None if weighed.record is None else len(weighed.record.passed(k)), float(rounds.revenue[k]),
            float(rounds.cost[k]), float(rounds.spawn[k]), 100 * float(rounds.infestation[k]),
            float(rounds.gains[k]), float(rounds.shelf_days[k]),
        )
        for k in range(weighed.last + 1)
    )  # fmt: skip
    return Table("rounds", "What a unit made gives and takes in each round", columns, rows)


def _decline_tables(weighed: Weighed) -> list[Table]:
    if not weighed.declines:
        return []
    columns = (
        Column("measure"), Column("shape"), Column("at the last passage", "", 3), Column("from", "", 3),
        Column("to", "", 3), Column("AICc", "", 1), Column("error of a batch left out", "", 3), Column("finding"),
    )  # fmt: skip
    rows = tuple(
        (
            name, str(shape), float(fit.values[-1]), float(fit.low[-1]), float(fit.high[-1]),
            float(fit.aicc) if np.isfinite(fit.aicc) else None, fit.error, str(one),
        )
        for name, one in weighed.declines.items()
        for shape, fit in one.fits.items()
    )  # fmt: skip
    title = "Shapes through the batches, less fresh spawn of the same day; the lowest error foretells best"
    return [Table("decline", title, columns, rows)]


def _chart(weighed: Weighed) -> Chart:
    full = curve(weighed.rounds)
    values = [{"times passed on": k, "money": round(100 * float(one), 4)} for k, one in enumerate(full)]
    for k, value in enumerate(values if weighed.full is not None else []):
        assert weighed.full is not None, "ends without resamples"
        value |= {"low": 100 * float(weighed.full.low[k]), "high": 100 * float(weighed.full.high[k])}
    x = {"field": "times passed on", "type": "ordinal", "title": "times passed on before fresh spawn"}
    title = f"{weighed.currency} per 100 shelf-days"
    layers: list[dict[str, object]] = [
        {"mark": {"type": "line", "point": True},
         "encoding": {"x": x, "y": {"field": "money", "type": "quantitative", "title": title}}},
    ]  # fmt: skip
    if weighed.full is not None:
        ends = {"y": {"field": "low", "type": "quantitative", "title": title}, "y2": {"field": "high"}}
        layers.insert(0, {"mark": {"type": "rule"}, "encoding": {"x": x, **ends}})
    told = ", ".join(f"{k} times {100 * float(one):.2f}" for k, one in enumerate(full))
    alt = f"A curve of {weighed.currency} per 100 shelf-days by how often spawn is passed on: {told}."
    return Chart("curve", "What passing on earns per shelf-day", alt, {"data": {"values": values}, "layer": layers})


def _cautions(weighed: Weighed) -> list[str]:
    said = [
        f"{name.capitalize()}: {one} against fresh spawn of the same day." for name, one in weighed.declines.items()
    ]
    if weighed.season is not None and not weighed.told_apart:
        said.append(f"Season and passage cannot be told apart: {weighed.season.telling}. The loss may be the season's.")
    if not weighed.rounds.loss:
        said.append(
            "No infestation is charged for; say what one costs the house: --loss 300, and --chance 0,0.01,0.02."
        )
    if weighed.record is not None:
        said += _of_record(weighed.record)
    said.append(
        "Spawn drawn from open units carries mites, flies and mould from round to round that are seen late (common "
        "practice): look at enough units before drawing, pinset ask look."
    )
    return said


def _of_record(record: Recorded) -> list[str]:
    said = []
    unpriced = sorted({lot for one in record.made for lot in one.unpriced})
    if unpriced:
        said.append(f"Nothing of what {listed(unpriced)} cost is on record: counted as free.")
    if record.others:
        said.append(f"Other lines on record: {listed(list(record.others))}; ask for each by name.")
    return said


def _next(weighed: Weighed) -> list[str]:
    if weighed.record is None:
        return ["Note which spawn each batch was made with, and weigh its picks: then your own numbers answer."]
    if not weighed.told_apart:
        return ["On the next make day, make a batch from fresh spawn beside the one passed on: it tells them apart."]
    single = [k for k in range(weighed.last + 1) if len(weighed.record.passed(k)) < 2]
    if single:
        numbers = listed([f"{several(k, 'time')} passed on" for k in single])
        return [f"Make another batch of spawn {numbers}: one batch does not show how far batches differ."]
    return []
