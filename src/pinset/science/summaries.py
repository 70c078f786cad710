"""Does a printed table follow from its own numbers? Means, deviations and counts of arms, their letters and p-values.

Most published trials show no single unit, only means ± deviations with letters: arms that share a letter are said not
to differ. That much suffices to repeat a one-way analysis of variance and the comparison of pairs, and so to see
whether the letters and p-values are those of the table, allowing for what rounding in print leaves open.

What this cannot see: blocks, subsamples taken for replicates, other error terms. A table that does not follow may come
from another design than a completely randomised one; it is then for the paper to say which.

Sources: Tukey-Kramer: Kramer (1956), Biometrics 12:307. Multiple ranges: Duncan (1955), Biometrics 11:1. Letters:
Piepho (2004), J. Comput. Graph. Stat. 13:456. All from memory; Tukey's p and Duncan's ranges are scipy's studentised
range.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations, count
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtr

from pinset.science.anova import Anova, one_way_from_summary
from pinset.science.arrays import Floats
from pinset.science.confidence import Interval

Flags = NDArray[np.bool_]

# Printed numbers end in a digit, so half a unit of it is open; sums of such halves may miss by rounding.
_ROUNDING: Final = 1e-9
# Ratios beyond this, as of arms without any spread, have a p of nought whatever the degrees of freedom.
_FARTHEST: Final = 1e9
_MOST_TRIED: Final = 12
_ALPHABET: Final = "abcdefghijklmnopqrstuvwxyz"


class CannotCheck(ValueError):
    """The table cannot be checked."""


class NotAPrintedNumber(CannotCheck):
    """A printed number is digits with at most one point, such as 12.30; a printed p may begin with a less-than sign."""


class LettersMissing(CannotCheck):
    """Letters can be checked only where every arm has at least one."""


class Comparison(StrEnum):
    """How pairs of arms are compared.

    ``LEAST`` is Student's t with the common error, one pair at a time (LSD); ``TUKEY`` keeps all pairs right together;
    ``DUNCAN`` lies between, with ranges that shrink as fewer arms lie between two.
    """

    LEAST = "least significant difference"
    TUKEY = "Tukey"
    DUNCAN = "Duncan"


class Agreement(StrEnum):
    """Whether what is printed follows from the printed numbers."""

    FOLLOWS = "follows"
    WITHIN_ROUNDING = "may follow, within what rounding leaves open"
    DOES_NOT = "does not follow"


@dataclass(frozen=True, slots=True)
class Summary:
    """One arm of a printed table: mean and standard deviation in its unit, replicates, letters.

    The roundings are half a unit of the last printed digit, nought where the numbers are exact.
    """

    name: str
    mean: float
    deviation: float
    units: int
    letters: str = ""
    mean_rounding: float = 0.0
    deviation_rounding: float = 0.0


@dataclass(frozen=True, slots=True)
class Pair:
    """Two arms of a table: the ``p`` of their comparison, what rounding leaves open of it, and what the letters say."""

    first: str
    second: str
    p: float
    open: Interval
    share_letter: bool
    agreement: Agreement


@dataclass(frozen=True, slots=True)
class CheckedP:
    """A printed p beside that which follows from the table, and the range of it that rounding leaves open."""

    printed: str
    anova: Anova
    open: Interval
    agreement: Agreement


def printed(name: str, mean: str, deviation: str, units: int, letters: str = "") -> Summary:
    """An arm as the table prints it, the last digit saying how far it was rounded. Raises `NotAPrintedNumber`.

    >>> printed("straw", "910.1", "236.3", 3, "b").mean_rounding
    0.05
    """
    return Summary(name, _number(mean), _number(deviation), units, letters, _half(mean), _half(deviation))


def read_as_standard_errors(arms: Sequence[Summary]) -> list[Summary]:
    """The arms as they are if what stands after ± are standard errors of the mean, which tables often do not say.

    >>> read_as_standard_errors([Summary("straw", 900.0, 50.0, 4)])[0].deviation
    100.0
    """
    roots = [(arm, float(np.sqrt(arm.units))) for arm in arms]
    return [
        replace(arm, deviation=arm.deviation * root, deviation_rounding=arm.deviation_rounding * root)
        for arm, root in roots
    ]


def check_p(arms: Sequence[Summary], printed_p: str) -> CheckedP:
    """Whether a printed p, such as "0.03" or "<0.05", is that of a one-way analysis of variance of the table.

    Raises `NotAPrintedNumber` and what `one_way_from_summary` raises.

    >>> table = [printed("straw", "871.4", "238.4", 3), printed("3:1", "590.0", "231.6", 3)]
    >>> found = check_p([*table, printed("1:3", "388.4", "11.8", 3)], "0.05")
    >>> round(found.anova.p, 3), [round(end, 3) for end in found.open], found.agreement.value
    (0.057, [0.057, 0.057], 'does not follow')
    """
    anova = _analysed(arms)
    limits = _open(arms, anova)
    if printed_p.startswith("<"):
        bound = _number(printed_p[1:])
        agreement = _agreement(anova.p < bound, limits.low < bound)
    else:
        value, half = _number(printed_p), _half(printed_p) + _ROUNDING
        agreement = _agreement(abs(anova.p - value) <= half, limits.low - half <= value <= limits.high + half)
    return CheckedP(printed_p, anova, limits, agreement)


def check_letters(arms: Sequence[Summary], comparison: Comparison, confidence: float = 0.95) -> tuple[Pair, ...]:
    """Whether the letters say of each pair of arms what the table's own numbers say.

    Arms that differ with ``confidence`` must share no letter, and others must share one. Raises `LettersMissing` and
    what `one_way_from_summary` raises.

    >>> table = [printed("straw", "910.1", "236.3", 3, "b"), printed("3:1", "624.9", "222.1", 3, "ab")]
    >>> table.append(printed("1:3", "406.8", "11.6", 3, "a"))
    >>> for pair in check_letters(table, Comparison.DUNCAN):
    ...     print(pair.first, pair.second, round(pair.p, 3), pair.agreement.value)
    straw 3:1 0.112 follows
    straw 1:3 0.019 follows
    3:1 1:3 0.204 follows
    """
    if not all(arm.letters for arm in arms):
        raise LettersMissing(LettersMissing.__doc__)
    error = 1 - confidence
    p, least, most = (_pair_p(arms, comparison, edge) for edge in (0, 1, -1))
    pairs = []
    for one, other in combinations(range(len(arms)), 2):
        limits = Interval(float(least[one, other]), float(most[one, other]))
        share = bool(set(arms[one].letters) & set(arms[other].letters))
        possible = limits.high >= error if share else limits.low < error
        agreement = _agreement(bool(p[one, other] >= error) == share, possible)
        pairs.append(Pair(arms[one].name, arms[other].name, float(p[one, other]), limits, share, agreement))
    return tuple(pairs)


def pair_p(arms: Sequence[Summary], comparison: Comparison) -> Floats:
    """The p of each pair of arms (arms, arms) with the table's common error; one on the diagonal.

    Duncan's has no p of its own; the p here is the error rate 1 - confidence at which his letters would part
    the pair: a range over m arms is held against the rate 1 - (1 - error)^(m - 1), and a pair within a
    range that is no difference is none either.

    >>> pair_p([Summary("a", 10, 1, 5), Summary("b", 12, 1, 5)], Comparison.LEAST).round(4).tolist()
    [[1.0, 0.0133], [0.0133, 1.0]]
    """
    return _pair_p(arms, comparison, edge=0)


def letters(differ: Flags, order: Sequence[float]) -> tuple[str, ...]:
    """Letters for arms, shared by two just where ``differ`` (arms, arms) says that they do not differ.

    ``a`` goes to the arms of lowest ``order`` (give the means for a table that begins with the smallest). Insert
    and absorb: begin with one column of all arms; for each pair that differs, split every column that holds both;
    drop columns that lie within others.

    >>> differ = np.array([[False, False, True], [False, False, False], [True, False, False]])
    >>> letters(differ, [3.0, 2.0, 1.0])
    ('b', 'ab', 'a')
    """
    columns = {frozenset(range(len(order)))}
    for first, second in np.argwhere(np.triu(differ)).tolist():
        split = {column - {arm} for column in columns if {first, second} <= column for arm in (first, second)} | {
            column for column in columns if not {first, second} <= column
        }
        columns = {column for column in split if not any(column < other for other in split)}
    ranked = sorted(columns, key=lambda column: sorted(order[arm] for arm in column))
    return tuple(
        "".join(letter for letter, column in zip(_alphabet(), ranked, strict=False) if arm in column)
        for arm in range(len(order))
    )


def units_that_fit(
    tables: Sequence[Sequence[Summary]], printed_p: Sequence[str], candidates: Iterable[int] = range(2, 13)
) -> dict[int, int]:
    """How many printed p follow if each mean stands for so many replicates, for tables that do not print it.

    One table and one p for each response; their ``units`` are not looked at.

    >>> table = [printed("a", "10.0", "1.0", 1), printed("b", "12.0", "1.0", 1)]
    >>> units_that_fit([table], ["0.013"], candidates=[4, 5, 6])
    {4: 0, 5: 1, 6: 0}
    """

    def follows(table: Sequence[Summary], value: str, units: int) -> bool:
        return check_p([replace(arm, units=units) for arm in table], value).agreement is Agreement.FOLLOWS

    return {
        units: sum(follows(table, value, units) for table, value in zip(tables, printed_p, strict=True))
        for units in candidates
    }


def _number(text: str) -> float:
    """A printed number."""
    digits = text.strip().lstrip("-+").replace(".", "", 1)
    if not digits.isdecimal():
        raise NotAPrintedNumber(NotAPrintedNumber.__doc__)
    return float(text)


def _half(text: str) -> float:
    """Half a unit of the last printed digit."""
    return float(0.5 * 10.0 ** -len(text.strip().partition(".")[2]))


def _agreement(follows: bool, possible: bool) -> Agreement:
    if follows:
        return Agreement.FOLLOWS
    return Agreement.WITHIN_ROUNDING if possible else Agreement.DOES_NOT


def _analysed(arms: Sequence[Summary]) -> Anova:
    return one_way_from_summary(
        [arm.mean for arm in arms], [arm.deviation for arm in arms], [arm.units for arm in arms]
    )


def _open(arms: Sequence[Summary], anova: Anova) -> Interval:
    """The range of the p of the analysis of variance that rounding leaves open."""
    counts = np.array([arm.units for arm in arms], dtype=float)
    means = np.array([arm.mean for arm in arms])
    halves = np.array([arm.mean_rounding for arm in arms])

    def p(between: float, edge: int) -> float:
        error = _error_mean_square(arms, edge)
        f = between / anova.numerator_df / error if error > 0 else np.inf
        return float(fdtrc(anova.numerator_df, anova.denominator_df, f))

    return Interval(p(_most_between(counts, means, halves), -1), p(_least_between(counts, means, halves), 1))


def _error_mean_square(arms: Sequence[Summary], edge: int) -> float:
    """The common error with the deviations as printed (0), or at the upper (1) or lower (-1) edge of their rounding."""
    counts = np.array([arm.units for arm in arms], dtype=float)
    deviations = np.array([max(0.0, arm.deviation + edge * arm.deviation_rounding) for arm in arms])
    return float((counts - 1) @ deviations**2 / (counts - 1).sum())


def _most_between(counts: Floats, means: Floats, halves: Floats) -> float:
    """The largest sum of squares between arms: it grows outwards, so that every mean lies at an edge of its rounding.

    All choices of edges are tried for a dozen arms; for more, those that draw apart what lies above and below a cut.
    """
    arms = len(means)
    if arms <= _MOST_TRIED:
        upper = (np.arange(2**arms)[:, np.newaxis] >> np.arange(arms)) % 2 > 0
    else:
        upper = np.argsort(np.argsort(means)) >= np.arange(arms + 1)[:, np.newaxis]
    return max(_between(counts, choice) for choice in np.where(upper, means + halves, means - halves))


def _least_between(counts: Floats, means: Floats, halves: Floats) -> float:
    """The smallest sum of squares between arms: every mean as near to their common centre as rounding lets it."""
    from scipy.optimize import brentq

    def nearest(centre: float) -> Floats:
        return np.minimum(np.maximum(centre, means - halves), means + halves)

    def pull(centre: float) -> float:
        return float(counts @ (centre - nearest(centre)))

    low, high = float((means - halves).min()), float((means + halves).max())
    return _between(counts, nearest(low if low == high else brentq(pull, low, high, xtol=1e-14)))


def _between(counts: Floats, means: Floats) -> float:
    return float(counts @ (means - counts @ means / counts.sum()) ** 2)


def _pair_p(arms: Sequence[Summary], comparison: Comparison, edge: int) -> Floats:
    """The p of each pair as printed (0), or where rounding has drawn them apart (1) or together (-1) the most."""
    df = _analysed(arms).denominator_df
    means, halves, counts = (
        np.array(column, dtype=float)
        for column in zip(*((arm.mean, arm.mean_rounding, arm.units) for arm in arms), strict=True)
    )
    apart = np.abs(np.subtract.outer(means, means)) + edge * np.add.outer(halves, halves)
    np.fill_diagonal(apart, 0.0)
    error = _error_mean_square(arms, -edge)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = np.nan_to_num(np.maximum(apart, 0.0) / np.sqrt(error * np.add.outer(1 / counts, 1 / counts)))
    return _P[comparison](np.minimum(ratios, _FARTHEST), means, df)


def _least_p(ratios: Floats, means: Floats, df: float) -> Floats:
    return np.asarray(2 * stdtr(df, -ratios), dtype=np.float64)


def _tukey_p(ratios: Floats, means: Floats, df: float) -> Floats:
    from scipy.stats import studentized_range

    return np.asarray(studentized_range.sf(np.sqrt(2) * ratios, len(means), df), dtype=np.float64)


def _duncan_p(ratios: Floats, means: Floats, df: float) -> Floats:
    """The error rate at which Duncan parts a pair: the highest of all ranges that hold it."""
    from scipy.stats import studentized_range

    order, arms = np.argsort(means, kind="stable"), len(means)
    highest = np.zeros((arms + 2, arms + 2))  # by first and last arm of the range, with a margin of nought
    for span in range(arms - 1, 0, -1):
        for first in range(1, arms - span + 1):
            last = first + span
            inside = studentized_range.sf(np.sqrt(2) * ratios[order[first - 1], order[last - 1]], span + 1, df)
            wider = max(highest[first - 1, last], highest[first, last + 1])
            highest[first, last] = max(wider, 1 - (1 - inside) ** (1 / span))
    p = np.eye(arms)
    p[np.ix_(order, order)] += highest[1:-1, 1:-1] + highest[1:-1, 1:-1].T
    return p


_P: Final[dict[Comparison, Callable[[Floats, Floats, float], Floats]]] = {
    Comparison.LEAST: _least_p,
    Comparison.TUKEY: _tukey_p,
    Comparison.DUNCAN: _duncan_p,
}


def _alphabet() -> Iterator[str]:
    """a to z, and on with a stroke for tables of more groups than letters."""
    return (letter + "'" * strokes for strokes in count() for letter in _ALPHABET)
