"""After how many passages to go back to fresh spawn: the money a line earns per shelf-day in the long run.

To pass on k times and then buy fresh is a cycle of k + 1 rounds that starts over for ever. By the renewal-reward
theorem its long-run money per shelf-day is the money of one cycle over the shelf-days of one cycle, whatever chance
does in between (Ross 1996, Stochastic Processes, chapter 3; from memory, checked by simulation).

Which choice is best hangs on what is short. On a farm short of shelves each unit made keeps another one out: what
counts is money per shelf-day. Where shelves stand empty anyhow, as with most hobby growers, it is money per unit made.
Both are ends of one scale, the price of a shelf-day: nought where shelves are free, and where they are full what a
shelf-day earns when all is done best.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf
from typing import Final, NamedTuple

import numpy as np

from pinset.science.arrays import Floats, Integers
from pinset.science.intervals import Codes

# Steps in which a number is moved to look for where the answer flips; two flips within one step go unseen.
_STEPS: Final = 200


class CannotWeigh(ValueError):
    """These rounds cannot be weighed against each other."""


class RoundsDoNotFit(CannotWeigh):
    """Each round from fresh spawn on needs its money and chance of infestation (0 to 1), and shelf-days above zero."""


class PassageMissing(CannotWeigh):
    """To say how often a choice is best, at least two batches of every passage from fresh spawn on are needed."""


class SeasonTooShort(CannotWeigh):
    """A season has at least one round, and a cycle too."""


@dataclass(frozen=True, eq=False, slots=True)
class Rounds:
    """What one unit made gives and takes in each round of a line, (k,) each: 0 is fresh spawn, p the p-th passage.

    ``revenue``, ``cost`` (all but spawn) and ``spawn`` are money per unit made. Spawn passed on costs the labour of
    drawing it and what the units it is drawn from had cost and would have given; their shelf-days count among the
    ``shelf_days`` of the units made from them. ``infestation`` is the chance that a batch of a round brings a pest or
    mould into the house, each time at a ``loss`` (money), and ``units`` is the units of a batch: the charge per unit
    is infestation · loss / units. Raises `RoundsDoNotFit`.
    """

    revenue: Floats
    cost: Floats
    spawn: Floats
    shelf_days: Floats
    infestation: Floats
    loss: float = 0.0
    units: float = 1.0

    def __post_init__(self) -> None:
        lengths = {len(each) for each in (self.revenue, self.cost, self.spawn, self.shelf_days, self.infestation)}
        chances = np.all((self.infestation >= 0) & (self.infestation <= 1))
        if len(lengths) != 1 or 0 in lengths or not chances or np.any(self.shelf_days <= 0) or self.units <= 0:
            raise RoundsDoNotFit(RoundsDoNotFit.__doc__)

    @property
    def gains(self) -> Floats:
        """The money per unit made in each round after all cost and the charge for infestations, (k,)."""
        return self.revenue - self.cost - self.spawn - self.infestation * self.loss / self.units


class Flip(NamedTuple):
    """The value of a number from which on another choice, to pass on ``passages`` times, is the best."""

    value: float
    passages: int


class Switch(NamedTuple):
    """The price of a shelf-day at which the best choice goes from one number of passages to another."""

    price: float
    below: int
    above: int


class Season(NamedTuple):
    """The money of a season per unit of each round, and the rounds of its cycles in order."""

    money: float
    cycles: tuple[int, ...]


@dataclass(frozen=True, eq=False, slots=True)
class HowOften:
    """How sure the choice is: the share of resamples in which each number of passages is best, (k,), which add to one.

    ``value`` is the curve from the batches as they are, and ``low`` to ``high`` its interval at ``confidence``.
    """

    best: Floats
    value: Floats
    low: Floats
    high: Floats
    confidence: float
    resamples: int


def curve(rounds: Rounds, shelf_price: float | None = None) -> Floats:
    """The long-run value of passing on 0, 1 ... times before going back to fresh spawn, (k,).

    Without a ``shelf_price`` it is money per shelf-day, for a farm short of shelves: the gains of a cycle over its
    shelf-days. With one (money per unit and day; nought where shelves are free) it is money per unit made, after
    shelf-days are paid for.

    >>> rounds = Rounds(*np.array([[5.0, 4.6], [1.0, 1.0], [1.0, 0.2], [30.0, 40.0], [0.0, 0.0]]))
    >>> curve(rounds).round(4), curve(rounds, shelf_price=0.0)
    (array([0.1   , 0.0914]), array([3. , 3.2]))
    """
    return _curve(rounds.gains, rounds.shelf_days, shelf_price)


def _curve(gains: Floats, shelf_days: Floats, shelf_price: float | None) -> Floats:
    """The curve along the last axis."""
    money, days = gains.cumsum(axis=-1), shelf_days.cumsum(axis=-1)
    made = np.arange(1.0, gains.shape[-1] + 1)
    values: Floats = money / days if shelf_price is None else (money - shelf_price * days) / made
    return values


def best_passages(rounds: Rounds, shelf_price: float | None = None) -> int:
    """How many times to pass on before going back to fresh spawn; of choices alike, the one that passes on least.

    >>> rounds = Rounds(*np.array([[5.0, 4.6], [1.0, 1.0], [1.0, 0.2], [30.0, 40.0], [0.0, 0.0]]))
    >>> best_passages(rounds), best_passages(rounds, shelf_price=0.0)
    (0, 1)
    """
    return int(np.argmax(curve(rounds, shelf_price)))


def full_shelf_price(rounds: Rounds) -> float:
    """What a shelf-day earns where shelves are full and all is done best: the price at which both ends agree.

    At this price the best choice per unit made is the best per shelf-day.

    >>> round(full_shelf_price(Rounds(*np.array([[5.0], [1.0], [1.0], [30.0], [0.0]]))), 3)
    0.1
    """
    return float(curve(rounds).max())


def shelf_price_switches(rounds: Rounds) -> tuple[Switch, ...]:
    """The prices of a shelf-day, from nought to that of full shelves, at which the best choice changes.

    At a price π each choice is worth a - π b per unit made, with a its gain and b its shelf-days: the best are the
    upper edge of these lines, whose corners are found exactly. None where one choice is best at every price.

    >>> rounds = Rounds(*np.array([[5.0, 4.6], [1.0, 1.0], [1.0, 0.2], [30.0, 40.0], [0.0, 0.0]]))
    >>> [(round(price, 3), below, above) for price, below, above in shelf_price_switches(rounds)]
    [(0.04, 1, 0)]
    """
    gain, days = (_curve(each, each, 0.0) for each in (rounds.gains, rounds.shelf_days))
    full, now = full_shelf_price(rounds), int(np.argmax(gain))
    switches: list[Switch] = []
    while True:
        shorter = np.flatnonzero(days < days[now])
        prices = (gain[now] - gain[shorter]) / (days[now] - days[shorter])
        if not len(shorter) or prices.min() > full:
            return tuple(switches)
        # Of lines that cross at one price the flattest stays on top.
        after = int(min(shorter[prices == prices.min()], key=lambda choice: days[choice]))
        switches.append(Switch(float(prices.min()), now, after))
        now = after


def with_spawn_price(rounds: Rounds, price: float) -> Rounds:
    """The same rounds where fresh spawn costs ``price`` (money per unit made).

    >>> with_spawn_price(Rounds(*np.array([[5.0], [1.0], [1.0], [30.0], [0.0]])), 0.4).gains
    array([3.6])
    """
    return replace(rounds, spawn=np.append(price, rounds.spawn[1:]))


def with_yield_loss(rounds: Rounds, times: float) -> Rounds:
    """The same rounds where passing on costs ``times`` the revenue that it does: nought loses none, one as it is.

    >>> with_yield_loss(Rounds(*np.array([[5.0, 4.0], [1.0, 1.0], [1.0, 0.2], [30.0, 30.0], [0.0, 0.0]])), 2.0).revenue
    array([5., 3.])
    """
    fresh = rounds.revenue[0]
    return replace(rounds, revenue=fresh - times * (fresh - rounds.revenue))


def with_infestation(rounds: Rounds, times: float) -> Rounds:
    """The same rounds where each chance of infestation is ``times`` what it is, at most one.

    >>> rounds = Rounds(*np.array([[5.0, 4.0], [1.0, 1.0], [1.0, 0.2], [30.0, 30.0], [0.0, 0.3]]))
    >>> with_infestation(rounds, 2.0).infestation, with_infestation(rounds, 4.0).infestation
    (array([0. , 0.6]), array([0., 1.]))
    """
    return replace(rounds, infestation=np.minimum(1.0, times * rounds.infestation))


def flip(change: Callable[[float], Rounds], now: float, end: float, shelf_price: float | None = None) -> Flip | None:
    """The value, on the way from ``now`` to ``end``, at which the best choice is no longer the best.

    ``change`` gives the rounds for a value, such as `with_spawn_price` of some rounds. The way is walked in 200 steps
    to the first that has another best choice, and the place where both are worth the same is then found by Brent's
    method. None where the answer stands all the way.

    >>> rounds = Rounds(*np.array([[5.0, 4.6], [1.0, 1.0], [1.0, 0.2], [30.0, 33.0], [0.0, 0.0]]))
    >>> found = flip(lambda price: with_spawn_price(rounds, price), now=1.0, end=0.0)
    >>> round(found.value, 3), found.passages
    (0.909, 0)
    """
    from scipy.optimize import brentq

    choice = best_passages(change(now), shelf_price)

    def lead(value: float) -> float:
        worth = curve(change(value), shelf_price)
        return float(worth[choice] - np.delete(worth, choice).max(initial=-inf))

    way = np.linspace(now, end, _STEPS + 1)
    beyond = next((step for step in range(1, len(way)) if lead(way[step]) < 0), None)
    if beyond is None:
        return None
    return Flip(brentq(lead, way[beyond - 1], way[beyond]), best_passages(change(way[beyond]), shelf_price))


def how_often_best(
    passage: Integers,
    batch: Codes,
    gain: Floats,
    shelf_days: Floats,
    *,
    shelf_price: float | None = None,
    confidence: float = 0.95,
    resamples: int = 10_000,
    seed: int = 0,
) -> HowOften:
    """How often each number of passages would be best, had other batches of the same kind been made.

    One row per unit made: its ``passage``, the ``batch`` it belongs to, its ``gain`` (money after all cost and the
    charge for infestations) and ``shelf_days``. Whole batches are resampled within their passage, one fewer than there
    are, with replacement (Rao & Wu 1988, J. Am. Stat. Assoc. 83:231), since bags of a batch are alike and so that few
    batches are not taken for sure; intervals are percentiles. Batches of one day share its luck, which is not
    used here: where each day has its control, feed gains made good for the day. Raises `PassageMissing`.

    >>> passage, batch = np.repeat([0, 1], 20), np.repeat(np.arange(8), 5)
    >>> gain = np.repeat([3.0, 2.9, 3.1, 3.0, 2.6, 2.5, 3.2, 2.4], 5)
    >>> found = how_often_best(passage, batch, gain, np.full(40, 30.0))
    >>> found.best.round(2), found.value.round(3)
    (array([0.96, 0.04]), array([0.1  , 0.095]))
    """
    totals = _batch_totals(passage, batch, gain, shelf_days)
    generator = np.random.default_rng(seed)
    gains, days = np.stack([_drawn_means(each, resamples, generator) for each in totals], axis=-1)
    curves = _curve(gains, days, shelf_price)
    tail = (1 - confidence) / 2
    low, high = np.quantile(curves, [tail, 1 - tail], axis=0)
    made = np.stack([each.sum(axis=1) for each in totals], axis=-1)
    return HowOften(
        best=np.bincount(curves.argmax(axis=1), minlength=len(totals)) / resamples,
        value=_curve(made[1] / made[0], made[2] / made[0], shelf_price),
        low=low,
        high=high,
        confidence=confidence,
        resamples=resamples,
    )


def _batch_totals(passage: Integers, batch: Codes, gain: Floats, shelf_days: Floats) -> list[Floats]:
    """Units, gain and shelf-days of each batch of each passage: a list of (3, batches)."""
    found: list[Floats] = []
    for each in range(int(passage.max(initial=0)) + 1):
        here = passage == each
        which = np.unique(batch[here], return_inverse=True)[1].reshape(-1)
        if which.max(initial=0) < 1:
            raise PassageMissing(PassageMissing.__doc__)
        found.append(
            np.stack([np.bincount(which, each) for each in (np.ones(len(which)), gain[here], shelf_days[here])])
        )
    return found


def _drawn_means(totals: Floats, resamples: int, generator: np.random.Generator) -> Floats:
    """The gain and shelf-days per unit of each resample of batches, (2, resamples)."""
    batches = totals.shape[1]
    drawn = np.zeros((3, resamples))
    # One batch of all resamples at a time: what is added up then stays in the processor's cache.
    for which in generator.integers(batches, size=(batches - 1, resamples)):
        for sums, each in zip(drawn, totals, strict=True):
            sums += each.take(which)
    means: Floats = drawn[1:] / drawn[0]
    return means


def best_season(gains: Floats, rounds: int) -> Season:
    """The cycles that fill a season of so many ``rounds`` exactly and give the most money.

    ``gains`` (k,) are the money of the first, second ... round of a cycle; a cycle has at most k rounds. A long season
    follows the best long-run choice; a short one may end on a shorter cycle. Found as the best path through the
    season's rounds. Raises `SeasonTooShort`.

    >>> best_season(-np.array([7.0, 5.0, 9.0, 10.0, 13.0]), rounds=5)
    Season(money=-31.0, cycles=(2, 2, 1))
    """
    if rounds < 1 or not len(gains):
        raise SeasonTooShort(SeasonTooShort.__doc__)
    cycle = np.cumsum(gains)
    best, first = np.zeros(rounds + 1), np.zeros(rounds + 1, dtype=np.intp)
    for left in range(1, rounds + 1):
        longest = min(left, len(cycle))
        worth = cycle[:longest] + best[left - longest : left][::-1]
        # Of plans alike the one with the longest cycle first.
        first[left] = longest - int(np.argmax(worth[::-1]))
        best[left] = worth.max()
    return Season(float(best[rounds]), tuple(_cycles(first)))


def _cycles(first: Integers) -> list[int]:
    left, found = len(first) - 1, []
    while left:
        found.append(int(first[left]))
        left -= found[-1]
    return found
