"""Which unit gets which arm and where it stands: drawn by lot within blocks, and even over the shelf.

A draw must be repeatable years later on another machine, so that anyone can check that it was a draw. numpy promises
that for the raw numbers of a bit generator (PCG64 from a seed), not for its shuffles (compatibility policy of
numpy.random); the shuffle is therefore our own:

    below(n): take raw 64-bit numbers, pass over those from the largest multiple of n on, return the rest modulo n
    shuffle:  from the last place down to the second, swap with below(number of places up to it) (Fisher-Yates)

Evenness over the shelf levels, with a arms, n units of each per block and s_l places on level l in a block: each arm
gets floor(s_l / a) places on each level outright. The remaining places are dealt out level after level to the
arms in a circle, which gives every arm the same number of them and none two on one level. The circle is drawn anew
after every a blocks and begun at another arm in each of those, so that over a whole round each arm stands equally
often on each level and is made equally often first, second and so on: a cyclic Latin square (Fisher & Yates 1938,
Statistical Tables; from memory). Along a level the places are drawn by lot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np

from pinset.science.arrays import Integers

_Thing = TypeVar("_Thing")

SYMBOLS: Final = "34679CDFHJKMNPRTVWXY"
"""What blind codes are made of: no vowels, so no words, and no look-alikes (0 O, 1 I L, 2 Z, 5 S, 8 B)."""

_RANGE: Final = 1 << 64
# Of all codes of a length at most one in this many is used, so that a misread code is seldom another unit's.
_SPARSE: Final = 20


class CannotRandomise(ValueError):
    """The trial cannot be drawn by lot."""


class TooFewArms(CannotRandomise):
    """A comparison needs at least two arms, each named once."""


class NothingToPlace(CannotRandomise):
    """A trial needs at least one block and at least one unit of each arm in it."""


class PlacesDoNotFit(CannotRandomise):
    """The places on the shelf levels must add up to the units that one block makes, with none below zero."""


class SeedNegative(CannotRandomise):
    """A seed is a whole number, zero or above."""


@dataclass(frozen=True, slots=True)
class Placement:
    """One unit of the trial: what it gets and where it stands.

    ``block``, ``level`` and ``place`` (along the level) count from 1; ``turn`` is when its arm is made within the
    block (1: first); ``code`` is what the label shows, drawn without regard to the arm.
    """

    block: int
    arm: str
    turn: int
    level: int
    place: int
    code: str


@dataclass(frozen=True, eq=False, slots=True)
class Balance:
    """How evenly the arms are spread: counts by arm (rows, in the order of ``arms``) and block, level or turn."""

    arms: tuple[str, ...]
    by_block: Integers
    by_level: Integers
    by_turn: Integers

    @property
    def widest(self) -> dict[str, int]:
        """The greatest difference between two arms in any one block, on any one level and at any one turn."""
        tables = {"block": self.by_block, "level": self.by_level, "turn": self.by_turn}
        return {name: int(np.ptp(table, axis=0).max()) for name, table in tables.items()}


def randomise(
    arms: Sequence[str], blocks: int, units: int, seed: int, levels: Sequence[int] | None = None
) -> tuple[Placement, ...]:
    """Draw a trial: ``units`` of each arm in each of ``blocks``, on ``levels`` of the shelf.

    ``levels`` gives the places that one block fills on each shelf level, adding up to arms times units; left out,
    the position is not looked after and everything stands on level 1. ``seed`` is to be recorded with the trial.
    The placements come block after block in the order in which they are made and stand.

    Raises a `CannotRandomise` that names what does not fit.

    >>> trial = randomise(["chopped", "whole"], blocks=2, units=3, seed=20, levels=[3, 3])
    >>> for unit in trial[:3]:
    ...     print(unit.block, unit.level, unit.place, unit.arm, unit.code)
    1 1 1 chopped H9H
    1 1 2 whole XJM
    1 1 3 chopped KRX
    >>> balance(trial).widest
    {'block': 0, 'level': 0, 'turn': 0}
    """
    places = _checked(arms, blocks, units, seed, levels)
    lot = _Lot(seed)
    codes = iter(blind_codes(len(arms) * blocks * units, seed))
    return tuple(
        Placement(block, arm, order.index(arm) + 1, level, place, next(codes))
        for block, order in enumerate(_orders(arms, blocks, lot), start=1)
        for level, row in enumerate(_dealt(order, places, lot), start=1)
        for place, arm in enumerate(row, start=1)
    )


def blind_codes(count: int, seed: int) -> tuple[str, ...]:
    """``count`` different codes for labels, drawn from a stream of their own, so that they cannot hint at the arm.

    >>> blind_codes(3, seed=20)
    ('H9H', 'XJM', 'KRX')
    """
    if seed < 0:
        raise SeedNegative(SeedNegative.__doc__)
    length = 3
    while len(SYMBOLS) ** length < _SPARSE * count:
        length += 1
    lot = _Lot(seed, stream=1)
    codes: dict[str, None] = {}
    while len(codes) < count:
        codes["".join(SYMBOLS[lot.below(len(SYMBOLS))] for _ in range(length))] = None
    return tuple(codes)


def balance(placements: Sequence[Placement]) -> Balance:
    """Count how the arms are spread over blocks, shelf levels and turns, of a draw or of what was really done.

    >>> trial = randomise(["A", "B", "C"], blocks=3, units=2, seed=1, levels=[4, 2])
    >>> balance(trial).by_level
    array([[4, 2],
           [4, 2],
           [4, 2]])
    """
    arms = [unit.arm for unit in placements]
    return Balance(
        arms=tuple(sorted(set(arms))),
        by_block=_table(arms, [unit.block for unit in placements]),
        by_level=_table(arms, [unit.level for unit in placements]),
        by_turn=_table(arms, [unit.turn for unit in placements]),
    )


def tie(arms: Sequence[str], positions: Sequence[str] | Sequence[int]) -> float:
    """How far knowing the position tells the arm: 0 not at all, 1 entirely (bias-corrected Cramér's V).

    One entry per unit in each. Where all units share one arm or position, or none share any, nothing can be told: 0.

        φ² = χ²/n,  φ'² = max(0, φ² - (k - 1)(r - 1)/(n - 1)),  k' = k - (k - 1)²/(n - 1),  V² = φ'² / (min(k', r') - 1)

    Source: Bergsma (2013), J. Korean Stat. Soc. 42:323 (from memory).

    >>> tie(["A", "A", "B", "B"], ["top", "top", "low", "low"])
    1.0
    >>> tie(["A", "B", "A", "B"], ["top", "top", "low", "low"])
    0.0
    """
    table = _table(arms, positions)
    units, (rows, columns) = table.sum(), table.shape
    if min(rows, columns) < 2:
        return 0.0
    expected = np.outer(table.sum(axis=1), table.sum(axis=0)) / units
    squared = ((table - expected) ** 2 / expected).sum() / units
    corrected = max(0.0, squared - (rows - 1) * (columns - 1) / (units - 1))
    span = min(size - 1 - (size - 1) ** 2 / (units - 1) for size in (rows, columns))
    return float(np.sqrt(corrected / span)) if span > 0 else 0.0


class _Lot:
    """Draws by lot from the raw stream of PCG64; ``stream`` sets independent streams of one seed apart."""

    def __init__(self, seed: int, stream: int = 0) -> None:
        self._bits = np.random.PCG64([seed, stream])

    def below(self, count: int) -> int:
        """A whole number from 0 to count - 1, each equally likely."""
        fair = _RANGE - _RANGE % count
        while (raw := int(self._bits.random_raw())) >= fair:
            pass
        return raw % count

    def shuffled(self, things: Sequence[_Thing]) -> list[_Thing]:
        """The things in an order of which each is equally likely."""
        order = list(things)
        for last in range(len(order) - 1, 0, -1):
            other = self.below(last + 1)
            order[last], order[other] = order[other], order[last]
        return order


def _checked(arms: Sequence[str], blocks: int, units: int, seed: int, levels: Sequence[int] | None) -> Sequence[int]:
    """The places on each level."""
    if len(arms) < 2 or len(set(arms)) < len(arms):
        raise TooFewArms(TooFewArms.__doc__)
    if blocks < 1 or units < 1:
        raise NothingToPlace(NothingToPlace.__doc__)
    if seed < 0:
        raise SeedNegative(SeedNegative.__doc__)
    made = len(arms) * units
    places = [made] if levels is None else levels
    if sum(places) != made or min(places) < 0:
        raise PlacesDoNotFit(PlacesDoNotFit.__doc__)
    return places


def _orders(arms: Sequence[str], blocks: int, lot: _Lot) -> Iterator[list[str]]:
    """The circle of arms from where each block begins it: a Latin square per round of as many blocks as arms."""
    for block in range(blocks):
        turn = block % len(arms)
        if turn == 0:
            circle = lot.shuffled(arms)
            starts = lot.shuffled(range(len(arms)))
        yield circle[starts[turn] :] + circle[: starts[turn]]


def _dealt(order: Sequence[str], places: Sequence[int], lot: _Lot) -> Iterator[list[str]]:
    """The arms along each level of one block."""
    dealt = 0
    for size in places:
        outright, left_over = divmod(size, len(order))
        further = [order[(dealt + extra) % len(order)] for extra in range(left_over)]
        dealt += left_over
        yield lot.shuffled([*order] * outright + further)


def _table(rows: Sequence[str], columns: Sequence[str] | Sequence[int]) -> Integers:
    """Counts by row and column label, both sorted as text or numbers sort."""
    row_labels, row = np.unique(np.asarray(rows), return_inverse=True)
    column_labels, column = np.unique(np.asarray(columns), return_inverse=True)
    table = np.zeros((len(row_labels), len(column_labels)), dtype=np.intp)
    np.add.at(table, (row, column), 1)
    return table
