"""How many units to look at before the rest is trusted, and what can be said after looking.

Of a lot of N units, n are drawn at random and looked at. An eye calls a bad unit bad with its sensitivity, and a good
one good with its specificity; units are called independently of each other. Where D units of the lot are bad, the
number among those looked at is hypergeometric, and the number called is exact for any lot, eye and number. A lot
without end (``lot`` None) has a share instead of a number, and the number called is binomial.

All of it holds for units drawn at random. Looking at the nearest, the oldest or the ugliest is wise where bad units
are likelier there, but then no chance below can be computed; it is then at least what random looks would have.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, floor, inf, log2
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, gammaln, xlog1py, xlogy

from pinset.science.arrays import Floats
from pinset.science.proportions import Proportion, clopper_pearson

# One number, or an array of them.
Numbers: TypeAlias = float | Floats

# A chance that should meet the confidence exactly, or a share that should come to a whole number, may miss it by as
# much through rounding.
_SAME: Final = 1e-9
# No plan of looking at more units than this of a lot without end helps anybody.
_MOST_LOOKS: Final = 10_000_000


class CannotLook(ValueError):
    """These looks cannot be planned or read."""


class ShareOutside(CannotLook):
    """A share to be seen lies above zero and at most at one."""


class LooksDoNotFit(CannotLook):
    """Of a lot at most all units can be looked at, and of those at most all called bad."""


class EyeUseless(CannotLook):
    """An eye must call bad units more often than good ones: its sensitivity above one less its specificity."""


class EyeDoubted(CannotLook):
    """So many, or so few, called bad can hardly be with this sensitivity and specificity, however bad the lot is."""


class NoGrowth(CannotLook):
    """How often to look follows from a doubling time above zero days, and from looks some days apart."""


@dataclass(frozen=True, slots=True)
class Eye:
    """How well looking tells bad units from good: the chance to call a bad one bad, and a good one good (0 to 1).

    Raises `EyeUseless`.

    >>> Eye(sensitivity=0.8).calls(share=0.5)
    0.4
    """

    sensitivity: float = 1.0
    specificity: float = 1.0

    def __post_init__(self) -> None:
        if not (0 <= 1 - self.specificity < self.sensitivity <= 1):
            raise EyeUseless(EyeUseless.__doc__)

    def calls(self, share: float) -> float:
        """The share that is called bad where a ``share`` truly is."""
        return share * self.sensitivity + (1 - share) * (1 - self.specificity)

    def truth(self, called: float) -> float:
        """The share that truly is bad where a share ``called`` is called so, kept within 0 and 1.

        Source: Rogan & Gladen (1978), Am. J. Epidemiol. 107:71 (from memory).

        >>> round(Eye(sensitivity=0.8, specificity=0.9).truth(0.45), 3)
        0.5
        """
        true = (called - (1 - self.specificity)) / (self.sensitivity - (1 - self.specificity))
        return min(1.0, max(0.0, true))


PERFECT: Final = Eye()


class BadUnits(NamedTuple):
    """How many units of a lot are bad: the estimate, and the fewest and most that the looks leave open."""

    value: float
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class LookPlan:
    """Look at ``looked`` units and doubt the lot where ``cut`` or more of them are called bad.

    ``chance_seen`` is the chance to doubt a lot that holds the share looked for, ``false_alarm`` one that holds none.
    """

    looked: int
    cut: int
    chance_seen: float
    false_alarm: float


def chance_seen(share: float, looked: int, lot: int | None = None, eye: Eye = PERFECT, cut: int = 1) -> float:
    """The chance that at least ``cut`` of ``looked`` units are called bad where a ``share`` of the lot is bad.

    In a lot of so many units the share is rounded up to whole ones: one per cent of 250 is 3. Raises `ShareOutside`,
    `LooksDoNotFit`.

    >>> round(chance_seen(0.05, looked=30), 3), round(chance_seen(0.05, looked=30, lot=40), 3)
    (0.785, 0.942)
    >>> round(chance_seen(0.10, looked=30, lot=150, eye=Eye(0.9, 0.98), cut=2), 6)
    0.870566
    """
    _fit(looked, lot)
    return 1 - _calls_at_most(cut - 1, looked, _bad(share, lot), lot, eye)


def looks_needed(
    share: float, confidence: float = 0.95, lot: int | None = None, eye: Eye = PERFECT, cut: int = 1
) -> int | None:
    """How many units to look at so that a ``share`` of bad units would be seen with ``confidence``.

    Seen means that at least ``cut`` units are called bad. None where not even looking at every unit of the lot, or at
    ten million, is enough. Raises `ShareOutside`.

    Sources: the question of Cannon & Roe (1982), Livestock Disease Surveys, here answered exactly; their and many
    later tables approximate the hypergeometric distribution.

    >>> looks_needed(0.05), looks_needed(0.05, lot=100), looks_needed(0.05, lot=20), looks_needed(0.05, eye=Eye(0.9))
    (59, 45, 19, 66)
    >>> looks_needed(0.05, lot=20, eye=Eye(0.9)) is None
    True
    """
    bad = _bad(share, lot)

    def enough(looked: int) -> bool:
        return 1 - _calls_at_most(cut - 1, looked, bad, lot, eye) >= confidence - _SAME

    most = _enough_and_more(enough) if lot is None else lot
    found = _first(enough, range(most + 1))
    return None if found > most else found


def plan_looks(
    share: float, confidence: float = 0.95, lot: int | None = None, eye: Eye = PERFECT, false_alarm: float = 0.05
) -> LookPlan | None:
    """The fewest looks, and the cut, that see a ``share`` with ``confidence`` and doubt few clean lots.

    With an eye that sometimes calls a good unit bad, one call proves little: more looks and a higher cut tell a bad
    lot from a clean one. At most a share ``false_alarm`` of clean lots is doubted. None where even looking at every
    unit does not do. Raises `ShareOutside`.

    Source: Cameron & Baldock (1998), Prev. Vet. Med. 34:1.

    >>> plan = plan_looks(0.10, lot=120, eye=Eye(0.9, 0.99), false_alarm=0.3)
    >>> plan.looked, plan.cut, round(plan.chance_seen, 6), round(plan.false_alarm, 4)
    (27, 1, 0.955539, 0.2377)
    """
    cut = 1
    while (looked := looks_needed(share, confidence, lot, eye, cut)) is not None:
        wrongly = 1 - _calls_at_most(cut - 1, looked, 0, lot, eye)
        if wrongly <= false_alarm + _SAME:
            return LookPlan(looked, cut, chance_seen(share, looked, lot, eye, cut), wrongly)
        cut += 1
    return None


def bad_units(called: int, looked: int, lot: int, eye: Eye = PERFECT, confidence: float = 0.95) -> BadUnits:
    """How many of the ``lot`` are bad, after ``called`` of ``looked`` units were called bad: an exact interval.

    Its ends are the fewest and the most bad units under which so many, or so few, called have more than half of what
    the confidence leaves: Clopper and Pearson's way, for units drawn without putting back. It covers the truth at
    least as often as it says. Raises `LooksDoNotFit`, `EyeDoubted`.

    Source: Konijn (1973), Statistical Theory of Sample Survey Design and Analysis (from memory); checked here by going
    through all samples.

    >>> bad_units(called=0, looked=30, lot=100), bad_units(called=2, looked=20, lot=40)
    (BadUnits(value=0.0, low=0, high=9), BadUnits(value=4.0, low=2, high=10))
    """
    tail = (1 - confidence) / 2
    value = lot * eye.truth(called / looked) if looked else 0.0
    return BadUnits(value, _fewest(called, looked, lot, eye, tail), _most(called, looked, lot, eye, tail))


def most_bad_units(called: int, looked: int, lot: int, eye: Eye = PERFECT, confidence: float = 0.95) -> int:
    """The most bad units that the lot may hold, at ``confidence`` to one side, after ``called`` of ``looked``.

    Raises `LooksDoNotFit`, `EyeDoubted`.

    >>> most_bad_units(called=0, looked=45, lot=100), most_bad_units(called=0, looked=100, lot=100)
    (4, 0)
    """
    return _most(called, looked, lot, eye, 1 - confidence)


def bad_share(called: int, looked: int, eye: Eye = PERFECT, confidence: float = 0.95) -> Proportion:
    """The share that is bad in a lot without end, after ``called`` of ``looked`` units were called bad.

    Clopper and Pearson's exact interval of the share called, read back through the eye. Raises `EyeDoubted`, and
    `CountsDoNotFit` of `pinset.science.proportions`.

    >>> [round(end, 4) for end in bad_share(called=0, looked=59)]
    [0.0, 0.0, 0.0606]
    >>> [round(end, 4) for end in bad_share(called=4, looked=40, eye=Eye(0.8))]
    [0.125, 0.0349, 0.2958]
    """
    seen = clopper_pearson(called, looked, confidence)
    if seen.low > eye.sensitivity or seen.high < 1 - eye.specificity:
        raise EyeDoubted(EyeDoubted.__doc__)
    return Proportion(*(eye.truth(each) for each in seen))


def most_bad_share(called: int, looked: int, eye: Eye = PERFECT, confidence: float = 0.95) -> float:
    """The largest share that may be bad, at ``confidence`` to one side, in a lot without end.

    Raises what `bad_share` raises.

    >>> round(most_bad_share(called=0, looked=59), 4)
    0.0495
    """
    return bad_share(called, looked, eye, 2 * confidence - 1).high


def chance_clean(seen: ArrayLike, prior: float = 0.5, introduced: float = 0.0) -> Floats:
    """How likely the lot is clean after each of several rounds of looking that found nothing, (k,).

    ``seen`` (k,) are the chances that each round would have seen it (`chance_seen`), ``prior`` the chance before the
    first that the lot is clean, and ``introduced`` the chance that it is brought in between two rounds. Each round
    p ← p (1 - introduced), then p ← p / (1 - (1 - p) seen). Clean means: less than the share looked for.

    Source: Martin, Cameron & Greiner (2007), Prev. Vet. Med. 79:71 (formula from memory; checked against printed
    results).

    >>> chance_clean([0.4, 0.4, 0.4], prior=0.5, introduced=0.01).round(4)
    array([0.6203, 0.7262, 0.81  ])
    """
    clean, found = prior, []
    for chance in np.atleast_1d(np.asarray(seen, dtype=float)):
        clean *= 1 - introduced
        clean /= 1 - (1 - clean) * chance
        found.append(clean)
    return np.array(found)


def chance_in_time(every: float, looked: int, limit: float, lot: int, doubling: float, eye: Eye = PERFECT) -> float:
    """The chance that a growing infestation is seen before a share ``limit`` of the lot has it.

    It starts with one unit and doubles in ``doubling`` days (that of the pest at the room's temperature, see
    `pinset.science.pests`; that the bad units grow as the animals do is a guess). ``looked`` units are looked at
    ``every`` so many days, drawn afresh each time, and the next look falls due just after the limit is passed, which
    is the worst that can happen. Raises `ShareOutside`, `LooksDoNotFit`, `NoGrowth`.

    >>> [round(chance_in_time(every, looked=20, limit=0.2, lot=200, doubling=4.0), 2) for every in (2, 4, 7, 14)]
    [1.0, 0.98, 0.8, 0.27]
    """
    _fit(looked, lot)
    if doubling <= 0 or every <= 0:
        raise NoGrowth(NoGrowth.__doc__)
    missed = (_calls_at_most(0, looked, bad, lot, eye) for bad in _growing(_bad(limit, lot), every / doubling))
    return 1 - float(np.prod(list(missed)))


def days_between_looks(
    looked: int, limit: float, lot: int, doubling: float, confidence: float = 0.95, eye: Eye = PERFECT
) -> int | None:
    """The most whole days between looks that see a growing infestation before its ``limit`` with ``confidence``.

    Parameters as for `chance_in_time`; the eye must not call good units bad, for then looking often would itself find
    something. None where looking daily is not enough. Raises what `chance_in_time` raises, and `EyeUseless`.

    >>> days_between_looks(looked=20, limit=0.2, lot=200, doubling=4.0)
    4
    """
    if eye.specificity < 1:
        raise EyeUseless("To look again and again, confirm each bad call first: give an eye of specificity one.")
    if doubling <= 0:
        raise NoGrowth(NoGrowth.__doc__)
    longest = max(1, ceil(doubling * log2(max(2, _bad(limit, lot)))))
    late = _first(
        lambda days: chance_in_time(days, looked, limit, lot, doubling, eye) < confidence, range(1, longest + 1)
    )
    return late - 1 or None


def _growing(limit: float, doublings: float) -> Sequence[int]:
    """The bad units at each look, the last of them one interval of so many ``doublings`` before the limit."""
    backward: list[int] = []
    while (bad := floor(limit * 2 ** (-doublings * (len(backward) + 1)) + _SAME)) >= 1:
        backward.append(bad)
    return backward


def _fit(looked: int, lot: int | None, called: int = 0) -> None:
    if not 0 <= called <= looked <= (inf if lot is None else lot):
        raise LooksDoNotFit(LooksDoNotFit.__doc__)


def _bad(share: float, lot: int | None) -> float:
    """The bad units of a lot, or the bad share of one without end."""
    if not 0 < share <= 1:
        raise ShareOutside(ShareOutside.__doc__)
    return share if lot is None else max(1, ceil(share * lot - _SAME))


def _first(holds: Callable[[int], bool], among: range) -> int:
    """The first number for which something holds that goes on holding; one past the last where it never does."""
    return among.start + bisect_left(among, True, key=holds)


def _enough_and_more(enough: Callable[[int], bool]) -> int:
    most = 1
    while most < _MOST_LOOKS and not enough(most):
        most *= 2
    return most


def _fewest(called: int, looked: int, lot: int, eye: Eye, tail: float) -> int:
    _fit(looked, lot, called)
    fewest = _first(lambda bad: 1 - _calls_at_most(called - 1, looked, bad, lot, eye) > tail, range(lot + 1))
    if fewest > lot:
        raise EyeDoubted(EyeDoubted.__doc__)
    return fewest


def _most(called: int, looked: int, lot: int, eye: Eye, tail: float) -> int:
    _fit(looked, lot, called)
    most = _first(lambda bad: _calls_at_most(called, looked, bad, lot, eye) <= tail, range(lot + 1)) - 1
    if most < 0:
        raise EyeDoubted(EyeDoubted.__doc__)
    return most


def _calls_at_most(called: int, looked: int, bad: float, lot: int | None, eye: Eye) -> float:
    """The chance of at most ``called`` calls among ``looked`` units where ``bad`` of the lot are bad."""
    if called < 0:
        return 0.0
    if lot is None:
        return float(_binomial_at_most(np.float64(called), np.float64(looked), eye.calls(bad)))
    return float(_drawn(bad, looked, lot) @ _called_of_drawn(min(called, looked), looked, eye))


def _drawn(bad: float, looked: int, lot: int) -> Floats:
    """The chance of 0, 1 ... ``looked`` bad units among those looked at: the hypergeometric distribution."""
    number = np.arange(looked + 1.0)
    ways = _log_choose(bad, number) + _log_choose(lot - bad, looked - number)
    chances: Floats = np.exp(ways - _log_choose(lot, looked))
    return chances


def _called_of_drawn(called: int, looked: int, eye: Eye) -> Floats:
    """The chance of at most ``called`` calls where 0, 1 ... ``looked`` of those looked at are bad."""
    bad = np.arange(looked + 1.0)
    rightly = np.arange(called + 1.0)[:, None]
    wrongly = _binomial_at_most(called - rightly, looked - bad, 1 - eye.specificity)
    chances: Floats = np.sum(_binomial(rightly, bad, eye.sensitivity) * wrongly, axis=0)
    return chances


def _binomial(number: Numbers, total: Numbers, chance: float) -> Numbers:
    within = np.minimum(number, total)
    logs = _log_choose(total, within) + xlogy(within, chance) + xlog1py(total - within, -chance)
    return np.where(number <= total, np.exp(logs), 0.0)


def _binomial_at_most(number: Numbers, total: Numbers, chance: float) -> Numbers:
    short = np.minimum(number, total - 1)
    return np.where(number < total, betainc(total - short, short + 1, 1 - chance), 1.0)


def _log_choose(total: Numbers, chosen: Numbers) -> Numbers:
    """The logarithm of the number of ways to choose, from gamma functions: minus infinity where there is none."""
    ways: Numbers = gammaln(total + 1.0) - gammaln(chosen + 1.0) - gammaln(total - chosen + 1.0)
    return ways
