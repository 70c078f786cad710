"""From the units planned back to the culture: what each step must make, when it must start, and what is short.

A ladder has steps from the units (first) to the culture (last). A vessel of a step, a bag of spawn say, takes so much
of the step above, is ready so many days later, is good to draw from for some days more, and is lost now and then.
Losses are planned for at their mean: of 20 bags at a loss of one in twenty 19 are counted on. Whole vessels are
started, and what is left over serves later needs while it keeps.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil, inf
from typing import Final, NamedTuple

from scipy.special import betainc

# A need that whole vessels meet exactly may miss it by as much through rounding.
_SAME: Final = 1e-9
_DAYS_A_YEAR: Final = 365.25
# More stored cultures than this help nobody: the revival is too poor.
_MOST_CULTURES: Final = 100_000


class CannotPlan(ValueError):
    """No ladder can be planned from these numbers."""


class StepsDoNotFit(CannotPlan):
    """A step gives something, takes nothing negative, takes no negative time, and is not all lost."""


class StepUnknown(CannotPlan):
    """Stock belongs to one of the ladder's steps."""


class LimitTooLow(CannotPlan):
    """The steps from a culture to the units alone pass the limit: shorten the ladder or raise the limit."""


class RevivalTooPoor(CannotPlan):
    """So few stored cultures revive that no number of them is safe."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the ladder.

    ``gives``: what a sound vessel holds when ready (kg; pieces, for units and cultures); ``takes``: what a vessel takes
    of the step above when it is started; ``days`` until it is ready and for how many more it ``keeps``; ``loss``: the
    share of vessels lost before use; ``transfers``: what starting it adds to the passage. Raises `StepsDoNotFit`.

    >>> Step("grain spawn", gives=2.0, takes=0.1, days=14, keeps=30, loss=0.25).multiplication
    15.0
    """

    name: str
    gives: float
    takes: float
    days: float
    keeps: float = inf
    loss: float = 0.0
    transfers: int = 1

    def __post_init__(self) -> None:
        if self.gives <= 0 or min(self.takes, self.days, self.keeps, self.loss) < 0 or self.loss >= 1:
            raise StepsDoNotFit(StepsDoNotFit.__doc__)

    @property
    def sound(self) -> float:
        """What a vessel gives on the mean, losses counted."""
        return self.gives * (1 - self.loss)

    @property
    def multiplication(self) -> float:
        """How many times what it takes a step gives, losses counted; infinite where it takes nothing."""
        return self.sound / self.takes if self.takes else inf


class Need(NamedTuple):
    """An ``amount`` of the first step's product (sound units, say) wanted on a ``day``."""

    day: float
    amount: float


@dataclass(frozen=True, slots=True)
class Stock:
    """What is on hand of a ``step``: an ``amount`` to draw from ``ready`` to ``until`` (days), and its ``passage``."""

    step: str
    label: str
    amount: float
    passage: int = 0
    ready: float = -inf
    until: float = inf


class Draw(NamedTuple):
    """An ``amount`` drawn from a lot on hand (its label), or from a start (its place among the plan's starts)."""

    amount: float
    source: str | int


@dataclass(frozen=True, slots=True)
class Start:
    """``vessels`` of a ``step`` to be started on ``day`` and ``ready`` later, giving ``made`` less what is ``lost``.

    ``takes`` is what they take of the step above, ``drawn`` from where, and ``passage`` what they reach.
    """

    step: str
    day: float
    ready: float
    vessels: int
    made: float
    lost: float
    takes: float
    drawn: tuple[Draw, ...]
    passage: int


@dataclass(frozen=True, slots=True)
class Balance:
    """What becomes of a step's product: ``stock`` + ``made`` = ``lost`` + ``used`` + ``left``, in its own measure."""

    step: str
    stock: float
    made: float
    lost: float
    used: float
    left: float


@dataclass(frozen=True, slots=True)
class Ladder:
    """The plan: what to start, step by step from the units up, and the balance of each step.

    ``passage`` is the highest that what is wanted reaches. ``today`` is the day before which nothing can be started.
    """

    starts: tuple[Start, ...]
    balances: tuple[Balance, ...]
    passage: int
    today: float

    @property
    def late(self) -> tuple[Start, ...]:
        """What would have had to be started before today: it is short, and so is all that hangs on it."""
        return tuple(start for start in self.starts if start.day < self.today)

    @property
    def behind(self) -> float:
        """By how many days the whole plan slips if all that is late is started today."""
        return max((self.today - start.day for start in self.late), default=0.0)


@dataclass(slots=True)
class _Lot:
    """Something to draw from while the plan is made: on hand, or the start of so many-th place."""

    ready: float
    until: float
    left: float
    source: Stock | int


@dataclass(slots=True)
class _Made:
    """A start while the plan is made: its passage follows once the step above is planned."""

    step: Step
    day: float
    vessels: int
    drawn: list[tuple[_Lot, float]] = field(default_factory=list)


def plan(
    steps: Sequence[Step],
    needs: Iterable[Need],
    stock: Sequence[Stock] = (),
    *,
    today: float = 0.0,
    passage: int = 0,
) -> Ladder:
    """Plan a ladder back from what is needed, (day, amount) of the first of the ``steps``.

    Each need is met from what is on hand or left over, whichever must be used first, and else by starting as few
    vessels as give it in time. What those take is the need of the step above. The last step takes nothing: cultures
    come from the store, at ``passage``, and add their own transfers. A lot drawn from several has the largest of their
    passages. Raises `StepUnknown`.

    >>> units = Step("units", gives=1, takes=0.15, days=0, loss=0.05)
    >>> spawn = Step("grain spawn", gives=2.0, takes=0.05, days=14, keeps=21)
    >>> plates = Step("plates", gives=0.2, takes=0, days=10, keeps=30, transfers=0)
    >>> found = plan([units, spawn, plates], [Need(30, 95), Need(37, 95)])
    >>> [(each.step, each.day, each.vessels, each.passage) for each in found.starts[2:]]
    [('grain spawn', 16, 8, 1), ('grain spawn', 23, 7, 1), ('plates', 6, 2, 0), ('plates', 13, 2, 0)]
    >>> found.passage, found.behind, found.balances[1].left
    (2, 0.0, 0.0)
    """
    if {each.step for each in stock} - {step.name for step in steps}:
        raise StepUnknown(StepUnknown.__doc__)
    ordered = sorted(needs)
    final = [_Made(steps[0], need.day, 0) for need in ordered]
    wanted = list(zip(ordered, final, strict=True))
    made: list[_Made] = []
    balances = []
    for step in steps:
        lots = [_Lot(each.ready, each.until, each.amount, each) for each in stock if each.step == step.name]
        begun = list(_met(step, wanted, lots, len(made)))
        balances.append(_balance(step, [need for need, _ in wanted], lots, begun))
        made += begun
        wanted = [(Need(each.day, each.vessels * step.takes), each) for each in begun if step.takes]
    starts = _with_passages(made, passage)
    reached = (_passage_of(lot, starts) for asked in final for lot, _ in asked.drawn)
    return Ladder(
        tuple(starts[index] for index in sorted(starts)), tuple(balances), max(reached, default=passage), today
    )


def _met(step: Step, wanted: Sequence[tuple[Need, _Made]], lots: list[_Lot], count: int) -> Iterator[_Made]:
    """Meet each need in its turn from the lots, starting what is missing; what is left of that joins the lots."""
    for need, asked in wanted:
        missing = _taken(need, lots, asked)
        vessels = ceil(missing / step.sound - _SAME)
        if vessels > 0:
            fresh = _Lot(need.day, need.day + step.keeps, vessels * step.sound - missing, count)
            lots.append(fresh)
            asked.drawn.append((fresh, missing))
            count += 1
            yield _Made(step, need.day - step.days, vessels)


def _taken(need: Need, lots: list[_Lot], asked: _Made) -> float:
    """What a need still lacks after the lots that can be drawn from that day, first those that keep least."""
    missing = need.amount
    for lot in sorted(lots, key=lambda each: each.until):
        amount = min(lot.left, missing) if lot.ready <= need.day <= lot.until else 0.0
        if amount > 0:
            lot.left -= amount
            missing -= amount
            asked.drawn.append((lot, amount))
    return missing


def _balance(step: Step, needs: Sequence[Need], lots: Sequence[_Lot], begun: Sequence[_Made]) -> Balance:
    made = step.gives * sum(each.vessels for each in begun)
    return Balance(
        step=step.name,
        stock=sum(lot.source.amount for lot in lots if isinstance(lot.source, Stock)),
        made=made,
        lost=made * step.loss,
        used=sum(need.amount for need in needs),
        left=sum(lot.left for lot in lots),
    )


def _with_passages(made: Sequence[_Made], passage: int) -> dict[int, Start]:
    """The starts with their passages, from the culture down: the largest of what each was drawn from, and its own."""
    starts: dict[int, Start] = {}
    for index in reversed(range(len(made))):
        each, step = made[index], made[index].step
        above = max((_passage_of(lot, starts) for lot, _ in each.drawn), default=passage)
        starts[index] = Start(
            step=step.name,
            day=each.day,
            ready=each.day + step.days,
            vessels=each.vessels,
            made=each.vessels * step.gives,
            lost=each.vessels * step.gives * step.loss,
            takes=each.vessels * step.takes,
            drawn=tuple(Draw(amount, _label(lot)) for lot, amount in each.drawn),
            passage=above + step.transfers,
        )
    return starts


def _passage_of(lot: _Lot, starts: dict[int, Start]) -> int:
    return lot.source.passage if isinstance(lot.source, Stock) else starts[lot.source].passage


def _label(lot: _Lot) -> str | int:
    return lot.source.label if isinstance(lot.source, Stock) else lot.source


@dataclass(frozen=True, slots=True)
class CultureStore:
    """``stored`` cultures, of which ``needed`` must revive, each serving for ``days`` before its line ends."""

    stored: int
    needed: int
    days: float


def cultures_to_store(
    years: float, limit: int, downstream: int, keeps: float, *, revived: float = 1.0, confidence: float = 0.95
) -> CultureStore:
    """How many cultures to store so that no line passes its ``limit`` (highest passage) for so many ``years``.

    A stored culture is opened at passage nought and passed on to a fresh plate every ``keeps`` days, as long as what
    is drawn from it, ``downstream`` transfers later, stays within the limit: limit - downstream + 1 times ``keeps``
    days in all. Of stored cultures a share ``revived`` lives when opened; so many are stored that enough do with
    ``confidence`` (binomial). Raises `LimitTooLow`, `RevivalTooPoor`.

    >>> cultures_to_store(years=5, limit=4, downstream=3, keeps=45), cultures_to_store(5, 4, 3, 45, revived=0.9).stored
    (CultureStore(stored=21, needed=21, days=90), 26)
    """
    if downstream > limit:
        raise LimitTooLow(LimitTooLow.__doc__)
    days = (limit - downstream + 1) * keeps
    needed = ceil(years * _DAYS_A_YEAR / days - _SAME)
    for stored in range(needed, _MOST_CULTURES):
        if needed == 0 or betainc(needed, stored - needed + 1, revived) >= confidence - _SAME:
            return CultureStore(stored, needed, days)
    raise RevivalTooPoor(RevivalTooPoor.__doc__)
