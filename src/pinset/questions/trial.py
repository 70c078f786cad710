"""How do I set up a fair comparison?"""

from __future__ import annotations

import json
import shlex
import statistics
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from pinset.ledger.read import Reader
from pinset.ledger.tables import Definition
from pinset.questions._batches import BatchRecord, Gathered, gather
from pinset.questions._money import PriceBook, batch_costs
from pinset.questions._variation import Variation, contaminated, kilos, run_days, variation
from pinset.questions._words import listed, number, several
from pinset.questions.answer import Answer, Basis, Chart, Column, Figure, Standing, Table
from pinset.questions.catalogue import question
from pinset.science.power import Design, GivenTo, PowerPoint, power_curve, trial_power
from pinset.science.randomise import CannotRandomise, Placement, randomise

ASKS = "how do I set up a fair comparison?"
METHOD = (
    "power by the noncentral t on the design's degrees of freedom, against Dunnett's bound for several arms, and by "
    "simulation with units lost; arms drawn within days and spread over shelf levels from the seed"
)
SOURCES = (
    "Cochran & Cox 1957, Experimental Designs, chapters 2 and 4 (from memory)",
    "Dunnett 1955, J. Am. Stat. Assoc. 50:1096 (several arms against one control)",
)
WANTED = 0.8
"""The chance of finding the difference that a trial is planned for (common practice)."""
MOST_DAYS, SIMULATED = 20, 2000
UNITS_UNKNOWN = 6
SHARE_WORTH_FINDING = 0.1
"""Where nobody says what difference would change the practice, a tenth of the mean is planned for."""
MEASURES = {"yield": "kg a unit", "contamination": "%", "days": "days"}


class CannotSetUp(ValueError):
    """The words describe no trial."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be compared, and what a difference is held against."""

    name: str
    arms: tuple[str, ...]
    """The control first."""
    given_to: GivenTo
    decides: str
    unit: str
    difference: float
    varies: Variation
    design: Design
    lost: float
    seed: int
    unit_cost: float | None
    """In minor units."""

    @property
    def asked_for(self) -> str:
        """The difference in words."""
        return f"{number(self.difference, 3 if abs(self.difference) < 1 else 1)} {self.unit}"


@question("trial", ASKS)
def trial(
    ledger: Reader, *, name: str = "trial", arms: str | None = None, control: str | None = None,
    given_to: str | None = None, decides: str | None = None, difference: float | None = None,
    units: int | None = None, blocks: int | None = None, levels: str | None = None, lost: float = 0.0,
    mean: float | None = None, strain: str | None = None, recipe: str | None = None, seed: int | None = None,
) -> Answer:  # fmt: skip
    """How many make days and units a trial needs, what it costs, and which unit gets what and stands where.

    name: the trial's name; one that is noted already is drawn again from its own seed
    arms: the ways to compare, with commas between
    control: the arm that the others are compared with; else the first
    given_to: what each arm is given to separately: batch (the day's mix, load or spawn lot) or unit
    decides: what decides: money, yield, days or contamination; money where it can be counted, else yield
    difference: the smallest difference that would change the practice, in the unit of what decides
    units: units of each arm on each day
    blocks: make days; else as many as find the difference in 8 of 10 trials
    levels: places that one day fills on each shelf level, with commas between
    lost: the share of units that will be lost without a weight, 0 to 1
    mean: what a unit gives in the unit of what decides, where there is no record yet
    strain: only batches of this strain say how much batches differ
    recipe: only batches of this recipe say how much batches differ
    seed: the whole number that the draw starts from
    """
    noted = _noted(ledger, name)
    gathered = gather(ledger)
    alike = _alike(gathered, strain, recipe)
    ways = _ways(arms, control, noted)
    to = _given_to(given_to or noted.get("given_to") or "batch")
    measure, unit, varies = _varies(ledger, gathered, alike, decides or noted.get("decides"), mean)
    if varies is None:
        return _no_mean(name, unit)
    wanted = abs(difference or noted.get("difference") or SHARE_WORTH_FINDING * abs(varies.mean))
    each = units or _usual_units(alike, len(ways), to)
    days = blocks or _days_needed(len(ways), each, to, varies, wanted) or MOST_DAYS
    if min(days, each + 1) < 2 or not 0 <= lost < 1:
        raise CannotSetUp(f"needed 2 or more blocks, 1 or more units, lost below 1; came {days}, {each}, {lost}")
    design = Design(len(ways), days, each, to)
    plan = Plan(
        name, ways, to, measure, unit, wanted, varies, design, lost, _seed(seed, noted, name, ways),
        _unit_cost(ledger, gathered, alike),
    )  # fmt: skip
    return _answer(ledger, plan, _places(levels), bool(noted))


def _alike(gathered: Gathered, strain: str | None, recipe: str | None) -> list[BatchRecord]:
    """The batches that are done, of the strain and the recipe that are asked for."""
    done = [batch for batch in gathered.batches if not gathered.still_going(batch)]
    return [one for one in done if strain in (None, one.batch.strain) and recipe in (None, one.batch.recipe)]


def _noted(ledger: Reader, name: str) -> dict[str, Any]:
    """The trial of this name as it was noted, or nothing."""
    rows = sorted(ledger.rows(Definition, what="trial", name=name), key=lambda row: row.at)
    body: dict[str, Any] = json.loads(rows[-1].body) if rows else {}
    return body


def _ways(arms: str | None, control: str | None, noted: dict[str, Any]) -> tuple[str, ...]:
    """The arms, the control first."""
    named = [each.strip() for each in arms.split(",") if each.strip()] if arms else noted.get("arms")
    some = named or ["as now", "the other way"]
    first = control or noted.get("control") or some[0]
    if len(set(some)) < 2 or len(set(some)) < len(some) or first not in some:
        raise CannotSetUp(
            f"needed two or more different arms, the control {first!r} among them; came {', '.join(some)}"
        )
    return (first, *(arm for arm in some if arm != first))


def _given_to(word: str) -> GivenTo:
    if word not in list(GivenTo):
        raise CannotSetUp(f"given_to: needed batch or unit; came {word!r}")
    return GivenTo(word)


def _places(levels: str | None) -> list[int] | None:
    if not levels:
        return None
    pieces = levels.split(",")
    if not all(piece.strip().isdecimal() for piece in pieces):
        raise CannotSetUp(f"levels: needed whole numbers with commas between, as 6,6; came {levels!r}")
    return [int(piece) for piece in pieces]


def _seed(seed: int | None, noted: dict[str, Any], name: str, ways: tuple[str, ...]) -> int:
    """The seed given, the one noted, or one that follows from the trial's name and arms, so that nobody chose it."""
    if seed is not None:
        return seed
    found = noted.get("seed")
    return zlib.crc32("|".join((name, *ways)).encode()) % 10_000 if found is None else int(found)


# what the farm's own record says ------------------------------------------------------------------------------------


def _varies(
    ledger: Reader, gathered: Gathered, alike: list[BatchRecord], decides: str | None, mean: float | None
) -> tuple[str, str, Variation | None]:
    """What decides, its unit, and how it varies on this farm."""
    if decides not in (None, "money", *MEASURES):
        raise CannotSetUp(f"decides: needed money, yield, days or contamination; came {decides!r}")
    if decides in ("contamination", "days"):
        values = (contaminated if decides == "contamination" else run_days)(gathered, alike)
        return decides, MEASURES[decides], variation(values, mean)
    factor = _worth_of_a_kilo(ledger, alike)
    weights = kilos(gathered, alike)
    if decides == "yield" or factor is None:
        return "yield", MEASURES["yield"], variation(weights, mean)
    found = variation(weights, mean)
    return "money", f"{ledger.farm.currency} per 100 shelf-days", None if found is None else found.scaled(factor)


def _worth_of_a_kilo(ledger: Reader, alike: list[BatchRecord]) -> float | None:
    """What one kg more a unit brings per 100 shelf-days, in the farm's currency."""
    book = PriceBook(ledger)
    sold = book.kilo_sold(alike[0].batch.strain if alike else None)
    stood = sum(batch.shelf_days for batch in alike) / max(1, sum(batch.batch.units for batch in alike))
    return None if sold is None or stood <= 0 else 100 * book.money.shown(sold) / stood


def _usual_units(alike: list[BatchRecord], arms: int, to: GivenTo) -> int:
    """The units of each arm on a day, if days are made as they usually were."""
    if not alike:
        return UNITS_UNKNOWN
    usual = statistics.median(batch.batch.units for batch in alike)
    return max(1, round(usual if to is GivenTo.BATCH else usual / arms))


def _unit_cost(ledger: Reader, gathered: Gathered, alike: list[BatchRecord]) -> float | None:
    codes = {batch.code for batch in alike}
    costs = [
        one for one in batch_costs(ledger, gathered, PriceBook(ledger)) if one.batch.code in codes and one.total > 0
    ]
    return sum(one.total for one in costs) / sum(one.batch.batch.units for one in costs) if costs else None


def _days_needed(arms: int, units: int, to: GivenTo, varies: Variation, difference: float) -> int | None:
    """The fewest make days that find the difference in 8 of 10 trials."""
    for days in range(2, MOST_DAYS + 1):
        if trial_power(Design(arms, days, units, to), varies.parts, difference) >= WANTED:
            return days
    return None


def _drawn(plan: Plan, places: list[int] | None) -> tuple[Placement, ...]:
    try:
        return randomise(plan.arms, plan.design.blocks, plan.design.units, plan.seed, places)
    except CannotRandomise as fault:
        raise CannotSetUp(str(fault)) from fault


# what is said -------------------------------------------------------------------------------------------------------


def _no_mean(name: str, unit: str) -> Answer:
    words = f"The trial {name} cannot be planned yet: nothing on record says what a unit gives."
    return Answer(
        "trial", ASKS, words, Standing("open", "there is no record of what a unit gives"), (),
        Basis({"batches": 0}, "none", None, None, METHOD, SOURCES),
        next=(f"Say what a unit gives on average, in {unit}: pinset ask trial --mean 0.3",),
    )  # fmt: skip


def _answer(ledger: Reader, plan: Plan, places: list[int] | None, noted: bool) -> Answer:
    days = sorted({*range(2, 13), plan.design.blocks})
    points = power_curve(
        plan.design, plan.varies.parts, plan.difference, days, unit_cost=(plan.unit_cost or 0.0), lost=plan.lost,
        trials=SIMULATED, seed=plan.seed,
    )  # fmt: skip
    chosen = next(point for point in points if point.design.blocks == plan.design.blocks)
    drawn = _drawn(plan, places)
    money = PriceBook(ledger).money
    shown = None if plan.unit_cost is None else money.shown(chosen.cost)
    return Answer(
        question="trial", asks=ASKS, headline=_headline(plan, chosen, shown, money.currency), standing=_standing(plan),
        figures=tuple(_figures(plan, chosen, shown, money.currency)),
        basis=Basis({"batches": plan.varies.batches}, "by batch", None, None, f"{METHOD}; {plan.varies.parts.source}",
                    SOURCES),
        tables=(_power_table(plan, points, money.shown(1), money.currency), *_sheets(plan, drawn)),
        charts=(_power_chart(plan, points),), cautions=tuple(_cautions(plan, chosen)),
        next=tuple(_next(plan, noted)),
    )  # fmt: skip


def _headline(plan: Plan, chosen: PowerPoint, cost: float | None, currency: str) -> str:
    design = plan.design
    each = "batch" if plan.given_to is GivenTo.BATCH else "unit"
    found = number(100 * chosen.simulated.power, 0)
    words = (
        f"Make {listed(plan.arms)} on {several(design.blocks, 'day')}, {several(design.units, 'unit')} of each a day, "
        f"the arm given to each {each}: a difference of {plan.asked_for} is found in {found} of 100 such trials. That "
        f"is {several(design.made, 'unit')}"
    )
    return f"{words}." if cost is None else f"{words}, about {number(cost, 0)} {currency}."


def _standing(plan: Plan) -> Standing:
    if not plan.varies.learnt:
        return Standing(
            "open", f"this farm's record is too short to say how its batches differ; {plan.varies.parts.source}"
        )
    if plan.varies.batches < 3 * 4:
        return Standing("leaning", f"how batches differ is learnt from only {plan.varies.batches} of them")
    return Standing("settled", f"how batches differ is learnt from {plan.varies.batches} of this farm's own")


def _figures(plan: Plan, chosen: PowerPoint, cost: float | None, currency: str) -> list[Figure]:
    parts, unit, count = plan.varies.parts, plan.unit, plan.varies.batches
    source = "from this farm's record" if plan.varies.learnt else "assumed; see the standing"
    found = [
        Figure("make days", plan.design.blocks, "days", how="blocks: days on which every arm is made"),
        Figure("units", plan.design.made, "units", how="of all arms on all days"),
        Figure("chance to find it", 100 * chosen.simulated.power, "%", how=f"of a true difference of {plan.asked_for}"),
        Figure("mean", plan.varies.mean, unit, count=count, how=_how_mean(plan)),
        Figure("days differ by", float(np.sqrt(parts.block)), unit, count=count, how=f"standard deviation, {source}"),
        Figure(
            "batches differ by", float(np.sqrt(parts.batch)), unit, count=count, how=f"standard deviation, {source}"
        ),
        Figure("units differ by", float(np.sqrt(parts.unit)), unit, count=count, how=f"standard deviation, {source}"),
    ]
    if cost is not None:
        found.append(Figure("cost", cost, currency, how="all units at the mean cost of a unit on record"))
    return found


def _how_mean(plan: Plan) -> str:
    if plan.varies.batches == 0:
        return "as given"
    return "worth of the picks on record, cost not taken off" if plan.decides == "money" else "on record"


def _power_table(plan: Plan, points: tuple[PowerPoint, ...], scale: float, currency: str) -> Table:
    columns = (
        Column("make days"), Column("units in all"), Column("found, none lost", "%", 0),
        Column(f"found, {100 * plan.lost:.0f} % lost", "%", 0), Column("cost", currency, 0),
    )  # fmt: skip
    rows = tuple(
        (point.design.blocks, point.design.made, 100 * point.power, 100 * point.simulated.power,
         None if plan.unit_cost is None else point.cost * scale)
        for point in points
    )  # fmt: skip
    title = f"How often a true difference of {plan.asked_for} is found, {plan.design.units} units of each arm a day"
    return Table("power", title, columns, rows)


def _sheets(plan: Plan, drawn: tuple[Placement, ...]) -> list[Table]:
    columns = (
        Column("day"), Column("turn"), Column("arm"), Column("unit"), Column("level"), Column("place"), Column("code"),
    )  # fmt: skip
    counted: Counter[tuple[int, str]] = Counter()
    rows = []
    for one in drawn:
        batch = (one.block, one.arm if plan.given_to is GivenTo.BATCH else "")
        counted[batch] += 1
        rows.append((one.block, one.turn, one.arm, counted[batch], one.level, one.place, one.code))
    title = f"The make sheet, drawn from seed {plan.seed}: what each unit gets, when its arm is made, where it stands"
    labels = tuple((one.code, one.block, one.level, one.place) for one in sorted(drawn, key=lambda one: one.code))
    return [
        Table("order", f"The arms of each day, {_ORDER[plan.given_to]}", (Column("day"), Column("arms")),
              tuple(_order(plan, drawn))),
        Table("make sheet", title, columns, tuple(rows)),
        Table("labels", "The labels, for whoever weighs: the codes do not give the arm away",
              (Column("code"), Column("day"), Column("level"), Column("place")), labels),
    ]  # fmt: skip


_ORDER = {
    GivenTo.BATCH: "in the order in which they are made: a batch of each",
    GivenTo.UNIT: "in the order of the units: one batch a day, unit_arms",
}


def _order(plan: Plan, drawn: tuple[Placement, ...]) -> Iterator[tuple[int, str]]:
    for day in range(1, plan.design.blocks + 1):
        units = [one for one in drawn if one.block == day]
        turns = dict(sorted({one.turn: one.arm for one in units}.items())).values()
        yield day, ",".join(turns if plan.given_to is GivenTo.BATCH else (one.arm for one in units))


def _power_chart(plan: Plan, points: tuple[PowerPoint, ...]) -> Chart:
    values = [{"days": one.design.blocks, "found": round(100 * one.simulated.power, 1)} for one in points]
    x = {"field": "days", "type": "quantitative", "title": "make days"}
    y = {"field": "found", "type": "quantitative", "title": "% of trials that find it", "scale": {"domain": [0, 100]}}
    spec = {
        "data": {"values": values},
        "layer": [
            {"mark": {"type": "rule", "strokeDash": [4, 4]}, "encoding": {"y": {"datum": 100 * WANTED}}},
            {"mark": {"type": "line", "point": True}, "encoding": {"x": x, "y": y}},
        ],
    }
    told = "; ".join(f"{one['days']} days {one['found']:.0f} %" for one in values)
    title = f"How often trials of so many days find {plan.asked_for}; the broken line is 8 of 10"
    return Chart("power", title, f"{title}: {told}.", spec)


def _cautions(plan: Plan, chosen: PowerPoint) -> list[str]:
    said = []
    if chosen.simulated.power < WANTED - 3 * chosen.simulated.error:
        said.append(
            f"This is too small a trial for {plan.asked_for}: a verdict that stays open would not say that the arms "
            "are alike."
        )
    if plan.given_to is GivenTo.BATCH:
        said.append("More units in a batch do not make up for few days: the batch is what the arm is given to.")
    if not plan.varies.learnt:
        said.append(f"How much batches differ is an assumption: {plan.varies.parts.source}.")
    said.append("Keep the make sheet from whoever weighs and picks; give them the labels alone.")
    return said


def _next(plan: Plan, noted: bool) -> list[str]:
    said = []
    if not noted:
        said.append(f"Note the trial before its first batch, so that it counts whatever comes out: {_define(plan)}")
    each_day = f"units={plan.design.units} trial={shlex.quote(plan.name)} arm=ARM"
    if plan.given_to is GivenTo.UNIT:
        each_day = f"units={plan.design.units * len(plan.arms)} trial={shlex.quote(plan.name)} unit_arms=ARM,ARM,..."
    said.append(f"On each make day note the arms as table 'order' has them: pinset note make batch=CODE {each_day}")
    return said


def _define(plan: Plan) -> str:
    """The line that notes the trial, exactly as it is typed."""
    design = plan.design
    words = {
        "what": "trial", "name": plan.name, "arms": ",".join(plan.arms), "control": plan.arms[0],
        "given_to": plan.given_to.value, "decides": plan.decides, "difference": f"{plan.difference:.4g}",
        "seed": str(plan.seed), "remarks": f"{design.blocks} days, {design.units} units of each arm a day",
    }  # fmt: skip
    return "pinset note define " + " ".join(f"{name}={shlex.quote(text)}" for name, text in words.items())
