"""A test that leans on nothing but how the arms were dealt out: shuffle them within blocks and look again.

If the arm made no difference, any dealing of the arms to the units of a block would have given the same weights, so
the share of dealings that look at least as striking as the one that was made is an honest p, however the weights
are distributed (Edgington & Onghena 2007, Randomization Tests). It cannot be smaller than one over
the number of dealings, which with few blocks is not small at all.

What is shuffled must be what was dealt: give one value for each experimental unit. Where a whole batch got its
arm at once, that is the mean of the batch and not its bags.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from pinset.science.arrays import Floats, Integers

# Statistics nearer to each other than this share are ties that rounding has parted.
_TIE: Final = 1e-9
# Numbers shuffled at a time, few enough for the processor's own memory: four times the speed of all at once.
_CACHED: Final = 32_768


class ArmUnknown(ValueError):
    """The control is not among the arms."""


class ArmsNeverMeet(ValueError):
    """Some arm shares no block with the control, nor with any arm that does, so nothing compares them."""


class NothingToShuffle(ValueError):
    """No block holds more than one arm, so there is only one dealing of the arms."""


@dataclass(frozen=True, slots=True)
class ArmTest:
    """One arm against the control.

    ``difference`` is the arm minus the control, blocks allowed for, in the units of the response. ``p`` shuffles
    these two arms only, in ``dealings`` ways; ``p_together`` holds for all arms at once, by the largest difference
    over its standard error among all arms when all are shuffled (Westfall & Young 1993, Resampling-Based Multiple
    Testing).
    """

    arm: Any
    difference: float
    p: float
    p_together: float
    dealings: int


@dataclass(frozen=True, slots=True)
class PermutationTest:
    """All arms at once and each against the control; ``dealings`` are all there are, ``looked_at`` those counted.

    ``p`` is that of the F for arms with blocks allowed for.
    """

    p: float
    arms: tuple[ArmTest, ...]
    dealings: int
    looked_at: int

    @property
    def exact(self) -> bool:
        """Whether every dealing was looked at."""
        return self.looked_at == self.dealings


def permutation_test(
    response: ArrayLike,
    arms: ArrayLike,
    blocks: ArrayLike,
    control: Any,
    *,
    draws: int = 9_999,
    most_exact: int = 20_000,
    seed: int = 0,
) -> PermutationTest:
    """Compare arms by shuffling them within blocks; ``response`` (n,) has one value for each experimental unit.

    All dealings are looked at where there are at most ``most_exact``; otherwise ``draws`` random ones, and the one
    that was made counts as one of them: p = (b + 1) / (draws + 1) (Phipson & Smyth 2010, Stat. Appl. Genet. Mol.
    Biol. 9(1):39). The same seed gives the same p.

    Four blocks of two: the treated unit is ahead in all of them, which happens in 2 of 16 dealings by chance.

    >>> weights, arms, blocks = [10, 12, 9, 12, 11, 15, 8, 9], ["a", "b"] * 4, [1, 1, 2, 2, 3, 3, 4, 4]
    >>> test = permutation_test(weights, arms, blocks, control="a")
    >>> round(test.arms[0].difference, 2), test.arms[0].p, test.dealings, test.exact
    (2.5, 0.125, 16, True)
    """
    values, grouped = np.asarray(response, dtype=float), np.asarray(blocks)
    labels, arm = np.unique(np.asarray(arms), return_inverse=True)
    names = labels.tolist()
    if control not in names:
        raise ArmUnknown(ArmUnknown.__doc__)
    trial = _Trial(values, arm, grouped, len(names))
    if trial.dealings == 1:
        raise NothingToShuffle(NothingToShuffle.__doc__)
    shuffled = trial.shuffled(draws, most_exact, seed)
    against = trial.against(names.index(control))
    largest = np.abs(against.standardised(shuffled)).max(axis=1)
    observed = np.abs(against.standardised(trial.observed))

    def test(row: int, other: int) -> ArmTest:
        shown = np.isin(arm, [other, names.index(control)])
        pair = _Trial(values[shown], np.asarray(arm[shown] == other, dtype=np.intp), grouped[shown], 2)
        sums = np.abs(pair.shuffled(draws, most_exact, seed)[:, 1])
        return ArmTest(
            arm=names[other],
            difference=float(against.differences(trial.observed)[row]),
            p=_share(sums, abs(pair.observed[1])),
            p_together=_share(largest, float(observed[row])),
            dealings=pair.dealings,
        )

    return PermutationTest(
        p=_share(trial.between(shuffled), float(trial.between(trial.observed))),
        arms=tuple(test(row, other) for row, other in enumerate(against.arms)),
        dealings=trial.dealings,
        looked_at=len(shuffled),
    )


class _Block:
    """The units of one block: their values, from the mean of the block, and how many each arm got."""

    def __init__(self, values: Floats, arm: Integers, arms: int) -> None:
        self.counts = np.bincount(arm, minlength=arms)
        self._values = (values - values.mean())[np.argsort(arm, kind="stable")]
        self._got = np.repeat(np.eye(arms), self.counts, axis=0)
        self.observed: Floats = self._values @ self._got

    @property
    def dealings(self) -> int:
        """How many ways there are to deal the arms to the units."""
        return math.factorial(len(self._values)) // math.prod(map(math.factorial, self.counts.tolist()))

    def every(self) -> Floats:
        """The sum of each arm in every dealing."""
        return np.array(list(_dealt(self._values.tolist(), self.counts.tolist())))

    def drawn(self, draws: int, random: np.random.Generator) -> Floats:
        """The sum of each arm in some random dealings.

        Units are put in order of random numbers of 24 bits, in which ties are too rare to tell.
        """
        sums = np.empty((draws, len(self.counts)))
        rows = max(1, _CACHED // len(self._values))
        for start in range(0, draws, rows):
            size = (min(rows, draws - start), len(self._values))
            order = random.random(size, dtype=np.float32).argsort(axis=1)
            sums[start : start + rows] = self._values[order] @ self._got
        return sums


@dataclass(frozen=True, eq=False, slots=True)
class _Against:
    """How the differences from the control follow from the sums of the arms."""

    arms: list[int]
    weights: Floats
    errors: Floats

    def differences(self, sums: Floats) -> Floats:
        """Each arm minus the control."""
        return sums @ self.weights.T

    def standardised(self, sums: Floats) -> Floats:
        """The differences over their standard errors, but for the standard deviation of the units."""
        return self.differences(sums) / self.errors


class _Trial:
    """The blocks, and what the sums of the arms say by least squares with a height for each block.

    With C the arms' information after blocks, the arms are at ``inverse(C) @ sums`` and the sum of squares for arms is
    ``sums @ inverse(C) @ sums`` (John & Williams 1995, Cyclic and Computer Generated Designs).
    """

    def __init__(self, values: Floats, arm: Integers, grouped: ArrayLike, arms: int) -> None:
        _, block = np.unique(grouped, return_inverse=True)
        members = [np.flatnonzero(block == place) for place in range(block.max() + 1)]
        self._blocks = [_Block(values[units], arm[units], arms) for units in members]
        counts = np.array([block.counts for block in self._blocks], dtype=float)
        self._information = np.diag(counts.sum(axis=0)) - counts.T @ (counts / counts.sum(axis=1, keepdims=True))
        self._inverse = np.linalg.pinv(self._information, hermitian=True)
        self.observed = np.sum([block.observed for block in self._blocks], axis=0)
        self.dealings = math.prod(block.dealings for block in self._blocks)

    def shuffled(self, draws: int, most_exact: int, seed: int) -> Floats:
        """The sums of the arms in every dealing, or in the one that was made and some random ones."""
        if self.dealings <= most_exact:
            sums = np.zeros((1, len(self.observed)))
            for block in self._blocks:
                sums = (sums[:, None] + block.every()).reshape(-1, len(self.observed))
            return sums
        random = np.random.default_rng(seed)
        drawn = sum(block.drawn(draws, random) for block in self._blocks)
        return np.vstack([self.observed, drawn])

    def between(self, sums: Floats) -> Floats:
        """The sum of squares for arms with blocks allowed for, which rises with its F."""
        squares: Floats = np.einsum("...a,ab,...b->...", sums, self._inverse, sums)
        return squares

    def against(self, control: int) -> _Against:
        """The differences from the control."""
        arms = [arm for arm in range(len(self.observed)) if arm != control]
        rows = np.eye(len(self.observed))[arms]
        rows[:, control] = -1.0
        weights = rows @ self._inverse
        if not np.allclose(weights @ self._information, rows):
            raise ArmsNeverMeet(ArmsNeverMeet.__doc__)
        return _Against(arms, weights, np.sqrt((weights * rows).sum(axis=1)))


def _dealt(values: list[float], counts: list[int]) -> Iterator[tuple[float, ...]]:
    """The sums of groups of the given sizes, for every way to form them."""
    if len(counts) == 1:
        yield (sum(values),)
        return
    for chosen in combinations(range(len(values)), counts[0]):
        rest = [value for place, value in enumerate(values) if place not in chosen]
        for others in _dealt(rest, counts[1:]):
            yield (sum(values[place] for place in chosen), *others)


def _share(shuffled: Floats, observed: float) -> float:
    """The share of dealings that look at least as striking; the one that was made is among them."""
    return float(np.mean(shuffled >= observed - _TIE * shuffled.max()))
