"""How many units must I look at before I trust the rest?"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date

from pinset.journal.kinds import CONTAMINATED, PESTS
from pinset.ledger.read import Reader
from pinset.ledger.tables import Batch, Lot, Seen, SignSeen, Unit
from pinset.questions._batches import day_in
from pinset.questions._pests import life_tables, measured, sources
from pinset.questions._words import in_sentences, number, several
from pinset.questions.answer import Answer, Basis, Cell, Chart, Column, Figure, Standing, Table
from pinset.questions.catalogue import NoSuchOption, question
from pinset.science.looking import (
    BadUnits,
    Eye,
    bad_share,
    bad_units,
    chance_seen,
    days_between_looks,
    looks_needed,
    most_bad_share,
    most_bad_units,
)
from pinset.science.pests import Outlook, Range, Setting, bought, over_all

ASKS = "how many units must I look at before I trust the rest?"
METHOD = (
    "units drawn at random: the number called bad is exact (hypergeometric from a lot, binomial from one without end), "
    "with an eye that finds each bad unit with its sensitivity and calls no good one bad; the interval is Clopper and "
    "Pearson's, for a lot the same without putting back; pests grow as N(0) exp(r t) at printed rates, interpolated "
    "between measured temperatures and never beyond them, as a range from the slowest to the fastest species"
)
SOURCES = (
    "Cannon & Roe 1982, Livestock Disease Surveys (the question; here answered exactly)",
    "Clopper & Pearson 1934, Biometrika 26:404 (from memory)",
)
SHARES = (0.01, 0.02, 0.05, 0.1, 0.2)
EYES = (1.0, 0.9, 0.7, 0.5)
# How much colder a room, and how much shorter a run, the pest clock is asked about.
COLDER = 4.0
SHORTER = 2 / 3


@dataclass(frozen=True, slots=True)
class Asked:
    """What is looked for, in what, and with what eye."""

    what: str
    lot: int | None
    """Units in all; None where there is no end of them."""
    share: float
    confidence: float
    eye: Eye

    @property
    def needed(self) -> int | None:
        """How many to look at; None where all would not do."""
        return looks_needed(self.share, self.confidence, self.lot, self.eye)

    @property
    def percent(self) -> str:
        """The share looked for, in words."""
        return f"{number(100 * self.share, 0 if self.share >= 0.01 else 1)} %"

    @property
    def sure(self) -> str:
        """The confidence, in words."""
        return f"{number(100 * self.confidence, 0)} % confidence"


@dataclass(frozen=True, slots=True)
class Looks:
    """How many units were looked at and how many of them were bad; when last, where that is on record."""

    bad: int
    looked: int
    last: date | None = None


@question("look", ASKS)
def look(
    ledger: Reader,
    *,
    batch: str | None = None,
    lot: str | None = None,
    units: int | None = None,
    share: float = 0.05,
    confidence: float = 0.95,
    sensitivity: float = 1.0,
    seen: int | None = None,
    of: int | None = None,
    temperature: float = 24.0,
    run: float = 14.0,
    carried: float = 0.1,
    animals: float = 300.0,
) -> Answer:
    """How many units to look at, what can be said after looking, and how soon pests may show.

    batch: the batch to look at; its looks on record are counted
    lot: the lot to look at; its vessels are counted
    units: how many units there are, where neither is on record
    share: the share of bad units that must not go unseen, as 0.05
    confidence: how sure to be, as 0.95
    sensitivity: how many of the bad units your eye finds, as 0.8; 1 finds all
    seen: bad units seen, instead of what is on record
    of: units looked at, instead of what is on record
    temperature: of the room, in degrees Celsius, for the pests' growth
    run: days from one passing-on of spawn to the next
    carried: the share of a unit that goes on to a new one as spawn, as 0.1
    animals: how many animals a unit must hold before a look finds it
    """
    _within(share=share, confidence=confidence, sensitivity=sensitivity, carried=carried)
    _above(units=units, run=run, animals=animals)
    asked = Asked(*_subject(ledger, batch, lot, units), share, confidence, Eye(sensitivity))
    looks = _given(seen, of, asked) or _on_record(ledger, batch)
    setting = Setting(temperature, run, carried, animals, few=1.0, many=min(10.0, animals))
    pests = measured(setting)
    return Answer(
        question="look", asks=ASKS, headline=in_sentences(_sentences(asked, looks, pests, setting)),
        standing=_standing(asked, looks), figures=tuple(_figures(asked, looks, pests)), basis=_basis(asked, looks),
        tables=(_needed_table(asked), *_pest_tables(pests, setting)), charts=(_chart(asked),),
        cautions=tuple(_cautions(asked, looks, pests, setting)), next=tuple(_next(asked, looks, batch)),
        options={"share": f"{share:g}", "confidence": f"{confidence:g}", "sensitivity": f"{sensitivity:g}"},
    )  # fmt: skip


def _within(**given: float) -> None:
    for name, value in given.items():
        if not 0 < value <= 1 or (name == "confidence" and value == 1):
            raise NoSuchOption(f"{name}: needed a share between 0 and 1, as 0.05; came {value:g}")


def _above(**given: float | None) -> None:
    for name, value in given.items():
        if value is not None and value < 1:
            raise NoSuchOption(f"{name}: needed at least 1; came {value:g}")


def _subject(ledger: Reader, batch: str | None, lot: str | None, units: int | None) -> tuple[str, int | None]:
    """What is looked at, and how many units it has."""
    if batch is not None:
        batches = ledger.of(Batch, "code", [batch])
        if not batches:
            raise NoSuchOption(f"batch: needed one on record; came {batch!r}")
        return f"batch {batch}", units or batches[0].units
    if lot is not None:
        lots = ledger.of(Lot, "code", [lot])
        if not lots:
            raise NoSuchOption(f"lot: needed one on record; came {lot!r}")
        return f"lot {lot}", units or lots[0].number
    return (f"{units} units", units) if units else ("a lot without end", None)


def _given(seen: int | None, of: int | None, asked: Asked) -> Looks | None:
    """The looks that were given as options."""
    if seen is None and of is None:
        return None
    if of is None or not 0 <= (seen or 0) <= of or of < 1 or (asked.lot is not None and of > asked.lot):
        raise NoSuchOption(f"of: needed the units looked at, no fewer than those bad and no more than all; came {of}")
    return Looks(seen or 0, of)


def _on_record(ledger: Reader, batch: str | None) -> Looks | None:
    """The looks at a batch: its units by themselves, or the look at most of them together, whichever covers more."""
    if batch is None:
        return None
    codes = [unit.code for unit in ledger.of(Unit, "batch", [batch])]
    looks = ledger.of(Seen, "subject", [*codes, batch])
    signs = [sign for sign in ledger.of(SignSeen, "subject", [*codes, batch]) if sign.sign in CONTAMINATED | PESTS]
    found = [_by_unit(looks, signs, batch), *(_together(one, signs) for one in looks if one.looked_at)]
    most = max(found, key=lambda each: each.looked)
    if not most.looked:
        return None
    return replace(most, last=day_in(ledger.farm.zone, max(one.at for one in looks)))


def _by_unit(looks: list[Seen], signs: list[SignSeen], batch: str) -> Looks:
    looked = {one.subject for one in looks} - {batch}
    return Looks(len(looked & {sign.subject for sign in signs}), len(looked))


def _together(one: Seen, signs: list[SignSeen]) -> Looks:
    affected = [sign.affected or 1 for sign in signs if sign.entry == one.entry]
    looked = one.looked_at or 0
    return Looks(min(looked, max(affected, default=0)), looked)


def _sentences(asked: Asked, looks: Looks | None, pests: list[Outlook], setting: Setting) -> list[str]:
    said = [_plan(asked)] if looks is None else [_after(asked, looks)]
    if pests:
        days = _days_between(asked, pests)
        rounds = over_all(pests)
        often = f"look again every {_range(*days)} {'day' if days == (1, 1) else 'days'}; " if days else ""
        warm = f"At {number(setting.temperature, 0)} °C"
        said.append(f"{warm} {often}a pest that came in with spawn passed on {_first_seen(rounds)}")
    return said


def _plan(asked: Asked) -> str:
    if asked.needed is None:
        return (
            f"Not even looking at all of {asked.what} shows {asked.percent} bad units with {asked.sure}, if the eye "
            f"finds {number(100 * asked.eye.sensitivity, 0)} of 100: look twice, or by another pair of eyes"
        )
    whole = "" if asked.lot is None else f" of {asked.lot}"
    return (
        f"Look at {asked.needed}{whole} units, taken at random: were {asked.percent} or more bad, at least one would "
        f"be seen with {asked.sure}"
    )


def _after(asked: Asked, looks: Looks) -> str:
    most = _most(asked, looks)
    whole = "" if asked.lot is None else f" of {asked.lot}"
    were = "was" if looks.bad < 2 else "were"
    found = f"{looks.bad or 'none'} of {several(looks.looked, 'unit')} looked at{whole} {were} bad"
    if looks.bad == 0:
        verdict = "the rest can be trusted" if most <= asked.share else _more(asked, looks)
        return f"{found}: with {asked.sure} no more than {_share(asked, most)} are bad, {verdict}"
    bad = _interval(asked, looks)
    low, high = _share(asked, bad[1]), _share(asked, bad[2])
    return f"{found}: with {asked.sure} between {low} and {high} are, so do not trust the rest unseen"


def _more(asked: Asked, looks: Looks) -> str:
    if asked.needed is None or asked.needed <= looks.looked:
        return f"and no number of looks will show {asked.percent}"
    return f"so look at {asked.needed - looks.looked} more before you trust the rest to {asked.percent}"


def _share(asked: Asked, share: float) -> str:
    percent = f"{number(100 * share, 1)} %"
    return percent if asked.lot is None else f"{round(share * asked.lot)} ({percent})"


def _most(asked: Asked, looks: Looks) -> float:
    """The largest share that may be bad, to one side."""
    if asked.lot is None:
        return most_bad_share(looks.bad, looks.looked, asked.eye, asked.confidence)
    return most_bad_units(looks.bad, looks.looked, asked.lot, asked.eye, asked.confidence) / asked.lot


def _interval(asked: Asked, looks: Looks) -> tuple[float, float, float]:
    """The share that is bad, and between what shares it lies."""
    if asked.lot is None:
        share = bad_share(looks.bad, looks.looked, asked.eye, asked.confidence)
        return (share.value, share.low, share.high)
    found: BadUnits = bad_units(looks.bad, looks.looked, asked.lot, asked.eye, asked.confidence)
    return (found.value / asked.lot, found.low / asked.lot, found.high / asked.lot)


def _days_between(asked: Asked, pests: list[Outlook]) -> tuple[int, int] | None:
    """The days between looks for the fastest and the slowest pest that grows, at least one; None without a lot."""
    doublings = [days for one in pests for days in one.doubling if 0 < days < math.inf]
    if asked.lot is None or asked.needed is None or not doublings:
        return None
    return _every(asked, min(doublings)) or 1, _every(asked, max(doublings)) or 1


def _every(asked: Asked, doubling: float) -> int | None:
    """The days between looks that are seldom enough for a pest; None where looking daily may miss it."""
    assert asked.lot is not None and asked.needed is not None, "a lot without end is not infested unit by unit"
    return days_between_looks(asked.needed, asked.share, asked.lot, doubling, asked.confidence, asked.eye)


def _range(low: float, high: float) -> str:
    return number(low, 0) if low == high else f"{number(low, 0)} to {number(high, 0)}"


def _first_seen(rounds: Range) -> str:
    if math.isinf(rounds.soonest):
        return "may never build up to be seen"
    if math.isinf(rounds.latest):
        return f"may be seen first in round {number(rounds.soonest, 0)}, later or never"
    return f"may be seen first in round {_range(*rounds)}"


def _standing(asked: Asked, looks: Looks | None) -> Standing:
    if looks is None:
        return Standing("settled", "exact for units taken at random; no look of yours is needed for the number")
    if _most(asked, looks) <= asked.share:
        return Standing("settled", f"{several(looks.looked, 'unit')} looked at leave no room for {asked.percent}")
    if _interval(asked, looks)[1] > asked.share:
        return Standing("settled", f"even at the fewest, more than {asked.percent} are bad")
    return Standing("open", f"{several(looks.looked, 'unit')} looked at leave room for {asked.percent} and more")


def _figures(asked: Asked, looks: Looks | None, pests: list[Outlook]) -> list[Figure]:
    needed = asked.needed
    how = f"so that {asked.percent} bad units are seen with {asked.sure}"
    figures = [Figure("units to look at", needed, "units", count=asked.lot, how=how)]
    if looks is not None:
        figures += _after_figures(asked, looks)
    if pests:
        figures += _pest_figures(asked, pests)
    return figures


def _after_figures(asked: Asked, looks: Looks) -> list[Figure]:
    value, low, high = (100 * each for each in _interval(asked, looks))
    how = f"exact, {asked.sure}, {looks.bad} bad of {looks.looked} looked at"
    most = 100 * _most(asked, looks)
    chance = 100 * chance_seen(asked.share, looks.looked, asked.lot, asked.eye)
    return [
        Figure("share that is bad", value, "%", low, high, looks.looked, how),
        Figure("share that may be bad at most", most, "%", count=looks.looked, how=f"{how}, to one side"),
        Figure("chance that it would have been seen", chance, "%", count=looks.looked, how=f"{asked.percent} bad"),
    ]


def _pest_figures(asked: Asked, pests: list[Outlook]) -> list[Figure]:
    fast, slow = min(one.doubling.soonest for one in pests), max(one.doubling.latest for one in pests)
    rounds, kinds = over_all(pests), len(pests)
    how = "fastest to slowest of the pests measured at this temperature"
    figures = [
        Figure("doubling of pests", fast, "days", fast, slow, kinds, how),
        Figure("rounds until a pest is seen", rounds.soonest, "rounds", rounds.soonest, rounds.latest, kinds, how),
    ]
    days = _days_between(asked, pests)
    if days:
        how = f"so that an infestation is seen before {asked.percent} of the units have it; {how}"
        figures.append(Figure("days between looks", days[0], "days", days[0], days[1], kinds, how))
    return figures


def _basis(asked: Asked, looks: Looks | None) -> Basis:
    counts = {"units": asked.lot or 0, "looked at": looks.looked if looks else 0, "bad": looks.bad if looks else 0}
    last = looks.last if looks else None
    return Basis(counts, "by unit", None, last, METHOD, (*SOURCES, *sources()))


def _needed_table(asked: Asked) -> Table:
    eyes = sorted({asked.eye.sensitivity, *EYES}, reverse=True)
    columns = (Column("share bad", "%", 1), *(Column(f"eye finds {100 * one:.0f} %", "units") for one in eyes))
    rows = tuple(
        (100 * share, *(looks_needed(share, asked.confidence, asked.lot, Eye(one)) for one in eyes))
        for share in sorted({asked.share, *SHARES})
    )
    title = f"Units to look at in {asked.what}, {asked.sure}; empty where looking at all is not enough"
    return Table("needed", title, columns, rows)


def _pest_tables(pests: list[Outlook], setting: Setting) -> list[Table]:
    if not pests:
        return []
    columns = (
        Column("pest"), Column("doubles in", "days", 1), Column("to", "days", 1), Column("seen after", "days", 0),
        Column("to", "days", 0), Column("seen in round"), Column("to"), Column("stands on"),
    )  # fmt: skip
    rows = tuple(_pest_row(one) for one in pests)
    title = (
        f"How soon pests may be seen at {setting.temperature:g} °C with rounds of {setting.run:g} days, "
        f"{100 * setting.carried:g} % of a unit passed on, {setting.few:g} to {setting.many:g} animals at first and "
        f"{setting.visible:g} to be seen; soonest to latest, empty is never"
    )
    return [Table("pests", title, columns, rows), _bought_table(pests, setting)]


def _pest_row(one: Outlook) -> tuple[Cell, ...]:
    spans = (*one.doubling, *one.days, *one.rounds)
    return (one.name, *(each if math.isfinite(each) else None for each in spans), str(one.growth.footing))


def _bought_table(pests: list[Outlook], setting: Setting) -> Table:
    changes = {
        f"room {COLDER:g} °C colder": replace(setting, temperature=setting.temperature - COLDER),
        "run a third shorter": replace(setting, run=setting.run * SHORTER),
    }
    columns = (
        Column("change"), Column("pests measured both ways"), Column("days later"), Column("rounds later"),
    )  # fmt: skip
    rows = tuple((name, *_bought_row(pests, setting, then)) for name, then in changes.items())
    title = "What a change buys until the soonest sight, least to most over the pests; a projection, no advice"
    return Table("bought", title, columns, rows)


def _bought_row(pests: list[Outlook], setting: Setting, then: Setting) -> tuple[Cell, ...]:
    both = {one.name for one in pests} & {one.name for one in measured(then)}
    gains = [bought(table, setting, then) for table in life_tables() if table.name in both]
    return (len(gains), _gain([gain.days for gain in gains]), _gain([gain.rounds for gain in gains]))


def _gain(gains: list[float]) -> str | None:
    if not gains:
        return None
    low, high = (number(each, 0) if math.isfinite(each) else "for ever" for each in (min(gains), max(gains)))
    return low if low == high else f"{low} to {high}"


def _chart(asked: Asked) -> Chart:
    most = asked.lot or 2 * (asked.needed or 100)
    steps = sorted({round(most * step / 40) for step in range(41)})
    values = [
        {"units looked at": n, "chance": round(chance_seen(asked.share, n, asked.lot, asked.eye), 4)} for n in steps
    ]
    spec = {
        "data": {"values": values},
        "mark": {"type": "line", "point": True},
        "encoding": {
            "x": {"field": "units looked at", "type": "quantitative", "title": "units looked at"},
            "y": {"field": "chance", "type": "quantitative", "axis": {"format": "%"}, "scale": {"domain": [0, 1]},
                  "title": f"chance that {asked.percent} bad is seen"},
        },
    }  # fmt: skip
    reached = "no number reaches" if asked.needed is None else f"{asked.needed} units reach"
    alt = f"A line that rises with the units looked at; {reached} {asked.sure}."
    return Chart("chance", f"The chance to see {asked.percent} bad units in {asked.what}", alt, spec)


def _cautions(asked: Asked, looks: Looks | None, pests: list[Outlook], setting: Setting) -> list[str]:
    said = [
        "It holds for units taken at random, by lot and not by looks. Looking at those where trouble shows first is "
        "wise, but then no share can be computed."
    ]
    if asked.eye.sensitivity == 1:
        said.append(
            "An eye that misses nothing is assumed; early mould and mites are easily missed: try --sensitivity 0.7."
        )
    if looks is not None and looks.last is not None:
        said.append(f"Last looked at on {looks.last.isoformat()}; what grew since then was not seen.")
    said.append(
        "The pests' clock is a range of projections from printed rates with food in plenty and no crowding; it is no "
        "forecast and advises no treatment. What may be done about pests is for local codes and licensed practice."
    )
    days = _days_between(asked, pests)
    if days and days[0] == 1:
        said.append("Looking daily may still miss the fastest pest before so many units have it.")
    if not pests:
        said.append(f"No pest's growth was measured around {setting.temperature:g} °C, and it is not guessed.")
    said.append(
        "Do not open a mouldy unit to look closer: its spores reach other units and your lungs (common practice; Lacey "
        "& Crook 1988, Ann. Occup. Hyg. 32:515, from memory)."
    )
    return said


def _next(asked: Asked, looks: Looks | None, batch: str | None) -> list[str]:
    if batch is None:
        return ["Name a batch to have its looks on record counted: pinset ask look --batch CODE"]
    if looks is None:
        return [f"Note each look: pinset note check unit={batch}-01 run=60%; a clean look counts as much as a sign."]
    if _most(asked, looks) > asked.share and asked.needed and asked.needed > looks.looked and not looks.bad:
        return [f"Look at {asked.needed - looks.looked} more units of {batch}, taken at random, and note each."]
    return []
