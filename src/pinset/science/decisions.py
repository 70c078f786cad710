"""From a difference to a decision: does the other way pay, is it no worse, and is one more block worth making?

What decides is money per shelf-day: the arm's gain over the control, an estimate with its standard error and degrees
of freedom, against a bar (what changing over must earn at the least; nought where changing costs nothing).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np
from scipy.special import gammaln, ndtr, stdtr, stdtrit

from pinset.science.confidence import Confidence


class CannotDecide(ValueError):
    """The numbers do not allow the question."""


class MarginNegative(CannotDecide):
    """A margin is how much worse would still be accepted: zero or above."""


class PriceNotPositive(CannotDecide):
    """A margin in kg needs a price per kg above zero."""


class TooFewToForesee(CannotDecide):
    """What one more block would teach can be foreseen from at least two degrees of freedom, not from fewer."""


class NoBlocks(CannotDecide):
    """Blocks are counted from one."""


class Verdict(StrEnum):
    """The word of a verdict."""

    PAYS = "pays"
    DOES_NOT_PAY = "does not pay"
    NOT_SETTLED = "not settled"


@dataclass(frozen=True, slots=True)
class NoWorse:
    """Whether an arm is no worse than the control by more than ``margin`` (at ``confidence``, one side).

    ``lowest`` is the worst difference that the trial leaves open; ``p`` speaks against a difference of just the margin.
    """

    margin: float
    lowest: float
    p: float
    holds: bool


@dataclass(frozen=True, slots=True)
class Further:
    """What ``more`` blocks are worth and cost, in money, and the difference of the two."""

    more: int
    worth: float
    cost: float

    @property
    def net(self) -> float:
        """Worth less cost: to be made only where it is above zero."""
        return self.worth - self.cost


def decide(gain: Confidence, bar: float = 0.0, confidence: float = 0.95) -> Verdict:
    """The word of the verdict, by where the confidence interval of the gain lies.

    The whole interval above the bar: pays. None of it above: does not pay. Else: not settled. An arm that truly gains
    no more than the bar is said to pay in at most (1 - confidence) / 2 of trials, and one that gains more is as seldom
    said not to pay. For several arms, or several looks, give the ``confidence`` that makes them hold together
    (`looks.confidence_for_looks`).

    Source: the three-way reading of two one-sided tests, Goeman, Solari & Stijnen (2010), Stat. Med. 29:2117.

    >>> decide(Confidence(0.12, 0.05, 8)).value, decide(Confidence(0.12, 0.05, 8), bar=0.05).value
    ('pays', 'not settled')
    """
    low, high = gain.interval(confidence)
    if low > bar:
        return Verdict.PAYS
    return Verdict.DOES_NOT_PAY if high <= bar else Verdict.NOT_SETTLED


def no_worse_than(difference: Confidence, margin: float, confidence: float = 0.95) -> NoWorse:
    """Whether the arm is at most ``margin`` below the control (both in the unit of the difference).

    It holds where the lower one-sided bound at ``confidence`` lies above -margin. Raises `MarginNegative`.

    Source: the non-inferiority test, as in ICH E9 (1998), section 3.3.2 (from memory), which takes 0.975.

    >>> no_worse_than(Confidence(-0.01, 0.02, 10), margin=0.06).holds
    True
    """
    if margin < 0:
        raise MarginNegative(MarginNegative.__doc__)
    lowest = difference.interval(2 * confidence - 1).low
    return NoWorse(margin, lowest, 1 - difference.chance_above(-margin), lowest > -margin)


def margin_from_money(saving: float, price: float) -> float:
    """How many kg per unit an arm may fall short before what it saves per unit (money) is lost, at a ``price`` per kg.

    An arm that saves nothing has no margin. Raises `PriceNotPositive`.

    >>> margin_from_money(saving=0.75, price=12.0)
    0.0625
    """
    if price <= 0:
        raise PriceNotPositive(PriceNotPositive.__doc__)
    return max(0.0, saving) / price


def worth_of_knowing(gain: Confidence, scale: float, bar: float = 0.0) -> float:
    """What it would be worth, in money, to know the true gain for certain: no trial can be worth more.

    ``gain`` is money per shelf-day and ``scale`` the shelf-days for which the choice will stand. Without more
    knowledge the grower takes the arm where its estimate lies above the bar, else the control. The mean loss by
    taking the wrong one is scale · SE · E max(0, T - z) at z = |gain - bar| / SE. Raises `TooFewToForesee`.

    >>> round(worth_of_knowing(Confidence(0.0, 0.05, np.inf), scale=1000), 2)
    19.95
    """
    return _worth(gain, gain.standard_error, scale, bar)


def worth_of_blocks(gain: Confidence, blocks: int, more: int, scale: float, bar: float = 0.0) -> float:
    """What ``more`` blocks like the ``blocks`` made so far are worth, in money, before they are paid for.

    Once they are made the estimate will have moved by about SE √(m / (b + m)) times t on the same degrees of freedom:
    exactly so for differences within blocks of unknown variance and nothing known beforehand. They are worth
    something only in so far as they may change the choice (expected value of sample information). ``gain``,
    ``scale`` and ``bar`` as for `worth_of_knowing`.

    Source: Raiffa & Schlaifer (1961), Applied Statistical Decision Theory, chapter 5 (from memory); checked here by
    simulation. Raises `TooFewToForesee` and `NoBlocks`.

    >>> round(worth_of_blocks(Confidence(0.02, 0.05, 8), blocks=9, more=1, scale=1000), 2)
    1.28
    """
    return _worth(gain, gain.standard_error * np.sqrt(_new_share(blocks, more)), scale, bar)


def further_blocks(
    gain: Confidence, blocks: int, scale: float, block_cost: float, bar: float = 0.0, most: int = 12
) -> tuple[Further, ...]:
    """One more block, two more and so on up to ``most``: what each number is worth and costs.

    ``block_cost`` is the money that a block costs beyond making the same units without a trial.

    >>> plans = further_blocks(Confidence(0.02, 0.05, 8), blocks=9, scale=5000, block_cost=3)
    >>> most_worth(plans).more
    6
    """
    numbers = range(1, most + 1)
    return tuple(Further(more, worth_of_blocks(gain, blocks, more, scale, bar), more * block_cost) for more in numbers)


def most_worth(plans: Sequence[Further]) -> Further:
    """The plan with the greatest net worth, or making no more blocks where none is worth its cost.

    >>> most_worth([Further(1, worth=2.0, cost=5.0), Further(2, worth=6.0, cost=10.0)]).more
    0
    """
    return max(Further(0, 0.0, 0.0), *plans, key=lambda plan: plan.net)


def chance_to_settle(
    gain: Confidence,
    blocks: int,
    more: int,
    df_per_block: float,
    bar: float = 0.0,
    confidence: float = 0.95,
) -> float:
    """The chance that ``more`` blocks would settle the verdict, one way or the other.

    The mean of the new blocks lies δ from the gain, SE √(1 + b / m) times t. Pooled with the old it moves the gain by
    δ m / (b + m), and what it adds to the spread between blocks counts too: one block far from the others seldom
    settles anything. ``df_per_block`` is what each block adds to the degrees of freedom (arms - 1 where the
    arm is given to the batch). That the new blocks differ among themselves as the old did is an approximation.
    Raises `NoBlocks`.

    >>> gain = Confidence(0.08, 0.05, 4)
    >>> [round(chance_to_settle(gain, 5, more, 1), 2) for more in (1, 5, 20)]
    [0.0, 0.55, 0.78]
    """
    weight = _new_share(blocks, more)
    df = gain.df + more * df_per_block
    squared = float(stdtrit(df, (1 + confidence) / 2)) ** 2 / (blocks + more)
    above, spread = gain.value - bar, blocks * gain.standard_error**2
    # Settled where (above + weight δ)² > t² SE'², both quadratic in δ.
    surplus = np.polynomial.Polynomial(
        [
            above**2 - squared * spread * (1 - 1 / df),
            2 * above * weight,
            weight**2 - squared * blocks * weight / df,
        ]
    )
    return _chance_positive(surplus, Confidence(0.0, gain.standard_error * np.sqrt(1 + blocks / more), gain.df))


def blocks_to_settle(
    gain: Confidence,
    blocks: int,
    df_per_block: float,
    bar: float = 0.0,
    confidence: float = 0.95,
    most: int = 60,
) -> int | None:
    """How many more blocks settle the verdict if the gain stays where it is; None where ``most`` do not.

    Parameters as for `chance_to_settle`; nought where it is settled already.

    >>> blocks_to_settle(Confidence(0.08, 0.05, 4), blocks=5, df_per_block=1)
    5
    """
    if decide(gain, bar, confidence) is not Verdict.NOT_SETTLED:
        return 0
    for more in range(1, most + 1):
        if abs(gain.value - bar) > _settled_from(gain, blocks, more, df_per_block, confidence):
            return more
    return None


def _chance_positive(surplus: np.polynomial.Polynomial, shift: Confidence) -> float:
    """The chance that a polynomial of ``shift`` is above nought."""
    roots = surplus.roots()
    ends = sorted(float(root.real) for root in roots if abs(root.imag) == 0)
    cuts = [-np.inf, *ends, np.inf]
    tests = [ends[0] - 1, *(np.mean(pair) for pair in pairwise(ends)), ends[-1] + 1] if ends else [0.0]
    chances = -np.diff([shift.chance_above(cut) for cut in cuts])
    return float(chances @ (surplus(np.array(tests)) > 0))


def _settled_from(gain: Confidence, blocks: int, more: int, df_per_block: float, confidence: float) -> float:
    """How far from the bar the gain must lie to be settled once ``more`` blocks are made."""
    bound = float(stdtrit(gain.df + more * df_per_block, (1 + confidence) / 2))
    return bound * gain.standard_error * float(np.sqrt(1 - _new_share(blocks, more)))


def _new_share(blocks: int, more: int) -> float:
    """The part of all blocks that would be new."""
    if blocks < 1 or more < 1:
        raise NoBlocks(NoBlocks.__doc__)
    return more / (blocks + more)


def _worth(gain: Confidence, moved: float, scale: float, bar: float) -> float:
    """What it is worth that the estimate may move by t times ``moved`` and so across the bar."""
    if gain.df < 2:
        raise TooFewToForesee(TooFewToForesee.__doc__)
    if moved == 0:
        return 0.0
    return float(scale * moved * _loss(abs(gain.value - bar) / moved, gain.df))


def _loss(distance: float, df: float) -> float:
    """E max(0, T - z) for Student's T, ((ν + z²) / (ν - 1)) f(z) - z (1 - F(z)); where normal, φ(z) - z Φ(-z)."""
    if np.isinf(df):
        return float(np.exp(-(distance**2) / 2) / np.sqrt(2 * np.pi) - distance * ndtr(-distance))
    squares = df + distance**2
    constant = gammaln((df + 1) / 2) - gammaln(df / 2) - np.log(df * np.pi) / 2
    density = np.exp(constant - (df + 1) / 2 * np.log(squares / df))
    return float(squares / (df - 1) * density - distance * stdtr(df, -distance))
