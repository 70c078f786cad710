"""How many blocks and units a trial needs: the chance that it finds a difference that is there.

A find is a difference that is significant and the right way round; a significant difference the wrong way is no success
(R's power.t.test counts the same by default). Two designs are told apart by what the arm is given to:

    unit    all arms share the mix of their block; units within it get the arms.
            y = arm + block + unit,  Var(arm - control) = 2 σ_unit² / (b n),  df a b n - a - b + 1
    batch   each arm has a mix, load or spawn lot of its own in each block; its units are subsamples.
            y = arm + block + batch + unit,  Var(arm - control) = 2 (σ_batch² + σ_unit² / n) / b,  df (a - 1)(b - 1)

with a arms, b blocks, n units of each arm in each block. Differences between blocks drop out of either. More units
cannot make up for few blocks where the arm is given to the batch: σ_batch² / b stays.

Sources: Cochran & Cox (1957), Experimental Designs, chapters 2 and 4 (from memory). The closed forms for two groups
agree with R 4.2.2's power.t.test and power.prop.test in every digit printed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.special import fdtri, ncfdtr, nctdtr, ndtr, ndtri, stdtrit

from pinset.science.arrays import Floats
from pinset.science.simultaneous import critical_value

# Cells (arm in block) that are simulated at a time, so that memory stays within some tens of megabytes.
_CELLS: Final = 400_000
# Determinants below this, for rows scaled to one, are those of arms that no block links.
_UNLINKED: Final = 1e-9
_MOST_UNITS: Final = 1e7
# Points on the curve of Dunnett's bound over the degrees of freedom.
_POINTS: Final = 9


class CannotPlan(ValueError):
    """The numbers describe no trial."""


class DesignTooSmall(CannotPlan):
    """A blocked trial needs at least two arms, two blocks and one unit of each arm in each block."""


class VarianceNegative(CannotPlan):
    """Variances are zero or above, and that between units is above zero."""


class NoDifference(CannotPlan):
    """A power needs a difference other than nought to be found."""


class MeansDoNotFit(CannotPlan):
    """There must be one mean for each arm of the design."""


class PowerOutOfReach(CannotPlan):
    """A power to reach lies above the chance of a false alarm and below 1."""


class NotAFraction(CannotPlan):
    """Fractions lie between 0 and 1."""


class GivenTo(StrEnum):
    """What the arm is given to: the experimental unit."""

    UNIT = "unit"
    BATCH = "batch"


@dataclass(frozen=True, slots=True)
class VarianceParts:
    """Variances between blocks, between batches within a block, and between units within a batch, and their source.

    In squared units of what is measured. Where all arms share one mix per block the batch part is one with the block.
    """

    block: float
    batch: float
    unit: float
    source: str

    def __post_init__(self) -> None:
        if min(self.block, self.batch) < 0 or self.unit <= 0:
            raise VarianceNegative(VarianceNegative.__doc__)


@dataclass(frozen=True, slots=True)
class Design:
    """A blocked trial: ``arms`` (the control among them), ``blocks``, and ``units`` of each arm in each block."""

    arms: int
    blocks: int
    units: int
    given_to: GivenTo = GivenTo.UNIT

    def __post_init__(self) -> None:
        if self.arms < 2 or self.blocks < 2 or self.units < 1:
            raise DesignTooSmall(DesignTooSmall.__doc__)

    @property
    def made(self) -> int:
        """All units of the trial."""
        return self.arms * self.blocks * self.units

    @property
    def df(self) -> int:
        """The degrees of freedom of the error that the arms are judged by, with no unit lost."""
        if self.given_to is GivenTo.BATCH:
            return (self.arms - 1) * (self.blocks - 1)
        return self.made - self.arms - self.blocks + 1

    def standard_error(self, parts: VarianceParts) -> float:
        """The standard error of the difference of an arm from the control, with no unit lost."""
        of_cell = parts.unit / self.units + (parts.batch if self.given_to is GivenTo.BATCH else 0.0)
        return float(np.sqrt(2 * of_cell / self.blocks))

    def cost(self, unit_cost: float, block_cost: float = 0.0) -> float:
        """What the trial costs: ``unit_cost`` for each unit, and ``block_cost`` for each block on top (money).

        >>> Design(arms=2, blocks=5, units=6).cost(unit_cost=3.0, block_cost=20.0)
        280.0
        """
        return self.made * unit_cost + self.blocks * block_cost


@dataclass(frozen=True, slots=True)
class Simulated:
    """The part of simulated trials that found the difference, with its Monte-Carlo standard error.

    ``unjudged`` is the part in which so many units were lost that the arm could not be judged; they found nothing.
    """

    power: float
    error: float
    unjudged: float
    trials: int


@dataclass(frozen=True, slots=True)
class PowerPoint:
    """One point of a power curve: by formula with no unit lost, and by simulation with losses."""

    design: Design
    power: float
    simulated: Simulated
    cost: float


GREY_OYSTER: Final = (
    "units differ by 20 % of the mean (grey oyster, residual variation of 19 to 22 %: Advances in Agriculture 2019, "
    "art. 6853627, Table 3); that batches differ by 10 % and blocks by 15 % is assumed, no published figure was found"
)


def assumed_parts(mean: float) -> VarianceParts:
    """Variance parts to plan with where a farm has no record yet, as fractions of an expected ``mean``.

    They are a stop-gap: two batches of the farm's own say more. The source is named in the result.

    >>> parts = assumed_parts(0.25)
    >>> [round(float(np.sqrt(part)), 4) for part in (parts.unit, parts.batch, parts.block)]
    [0.05, 0.025, 0.0375]
    """
    return VarianceParts((0.15 * mean) ** 2, (0.10 * mean) ** 2, (0.20 * mean) ** 2, GREY_OYSTER)


def t_test_power(units: float, difference: float, deviation: float, confidence: float = 0.95) -> float:
    """The power of a t test of two groups of ``units`` each, without blocks.

    ``difference`` and the standard ``deviation`` within a group share a unit; ``units`` may be a fraction.
    Noncentral t with 2(n - 1) degrees of freedom and noncentrality √(n / 2) |δ| / σ. Raises `NoDifference`.

    >>> round(t_test_power(20, difference=1, deviation=1), 7)
    0.8689528
    """
    return _t_power(2 * (units - 1), deviation * np.sqrt(2 / units), difference, confidence)


def t_test_units(power: float, difference: float, deviation: float, confidence: float = 0.95) -> float:
    """The units in each of two groups that give a t test the ``power``; a fraction, to be rounded up.

    Raises `NoDifference` and `PowerOutOfReach`.

    >>> round(t_test_units(0.9, difference=1, deviation=1), 2)
    22.02
    """
    return _units(lambda units: t_test_power(units, difference, deviation, confidence), power, confidence)


def proportions_power(units: float, fraction: float, control_fraction: float, confidence: float = 0.95) -> float:
    """The power to tell two fractions apart, such as contaminated units, with ``units`` made in each of two groups.

        Φ((√n |p - q| - z √(2 m (1 - m))) / √(p (1 - p) + q (1 - q))),  m = (p + q) / 2

    The units count as independent, which they are only where the arm is given to each. Raises `NotAFraction` and
    `NoDifference`.

    >>> round(proportions_power(50, 0.50, 0.75), 7)
    0.7401659
    """
    if not (0 <= fraction <= 1 and 0 <= control_fraction <= 1):
        raise NotAFraction(NotAFraction.__doc__)
    if fraction == control_fraction:
        raise NoDifference(NoDifference.__doc__)
    middle = (fraction + control_fraction) / 2
    needed = ndtri((1 + confidence) / 2) * np.sqrt(2 * middle * (1 - middle))
    spread = np.sqrt(fraction * (1 - fraction) + control_fraction * (1 - control_fraction))
    with np.errstate(divide="ignore"):  # none against all: no spread, and any number of units tells
        return float(ndtr((np.sqrt(units) * abs(fraction - control_fraction) - needed) / spread))


def proportions_units(power: float, fraction: float, control_fraction: float, confidence: float = 0.95) -> float:
    """The units in each of two groups that tell two fractions apart with ``power``; a fraction, to be rounded up.

    Raises `NotAFraction`, `NoDifference` and `PowerOutOfReach`.

    >>> round(proportions_units(0.9, 0.50, 0.75), 2)
    76.71
    """
    return _units(lambda units: proportions_power(units, fraction, control_fraction, confidence), power, confidence)


def trial_power(design: Design, parts: VarianceParts, difference: float, confidence: float = 0.95) -> float:
    """The chance that a blocked trial with no unit lost finds that one arm differs from the control by ``difference``.

    By the noncentral t with the design's degrees of freedom; with more than two arms against Dunnett's bound, which
    holds for all arms together. Raises `NoDifference`.

    >>> design = Design(arms=2, blocks=6, units=8, given_to=GivenTo.BATCH)
    >>> round(trial_power(design, assumed_parts(0.25), difference=0.05), 3)
    0.623
    """
    return _t_power(design.df, design.standard_error(parts), difference, confidence, comparisons=design.arms - 1)


def any_difference_power(
    design: Design, parts: VarianceParts, means: Sequence[float], confidence: float = 0.95
) -> float:
    """The chance that a blocked trial with no unit lost finds that its arms, of these ``means``, are not all alike.

    By the noncentral F with a - 1 and the design's degrees of freedom and the noncentrality b Σ(μ - mean)² / Var(cell
    mean). One mean for each arm, in the unit whose square the parts are in. Raises `MeansDoNotFit` and `NoDifference`.

    >>> round(any_difference_power(Design(arms=3, blocks=4, units=6), assumed_parts(0.25), [0.25, 0.28, 0.25]), 3)
    0.545
    """
    if len(means) != design.arms:
        raise MeansDoNotFit(MeansDoNotFit.__doc__)
    spread = float(np.square(np.subtract(means, np.mean(means))).sum())
    if spread == 0:
        raise NoDifference(NoDifference.__doc__)
    numerator = design.arms - 1
    bound = fdtri(numerator, design.df, confidence)
    return float(1 - ncfdtr(numerator, design.df, 2 * spread / design.standard_error(parts) ** 2, bound))


def simulated_power(
    design: Design,
    parts: VarianceParts,
    difference: float,
    *,
    lost: float = 0.0,
    confidence: float = 0.95,
    trials: int = 5000,
    seed: int = 0,
) -> Simulated:
    """The chance that a blocked trial finds a ``difference`` when each unit is ``lost`` with that probability.

    Lost means without a weight (dropped, mislabelled, forgotten), whatever the arm; a culled unit is not lost, it
    yields nothing. Each trial is analysed by least squares with fixed blocks: units weighted alike where the arm
    was given to the unit, batch means weighted alike where it was given to the batch, on the degrees of freedom left.
    With nothing lost that is the analysis of variance, and the mixed model wherever its variances are above zero.
    What enters is counts, means and sums of squares by cell, which are drawn directly and not unit by unit.

    Raises `NoDifference` and `NotAFraction`.

    >>> design = Design(arms=2, blocks=6, units=8, given_to=GivenTo.BATCH)
    >>> found = simulated_power(design, assumed_parts(0.25), difference=0.05, lost=0.1, trials=2000, seed=1)
    >>> abs(found.power - 0.62) < 4 * found.error
    True
    """
    if difference == 0:
        raise NoDifference(NoDifference.__doc__)
    return _simulated(design, parts, difference, lost, confidence, trials, seed)


def false_alarms(
    design: Design,
    parts: VarianceParts,
    *,
    lost: float = 0.0,
    confidence: float = 0.95,
    trials: int = 5000,
    seed: int = 0,
) -> Simulated:
    """The part of simulated trials that find a gain where there is none.

    With two arms that is about (1 - confidence) / 2, or the method is off; with more it is less. Parameters as for
    `simulated_power`.

    >>> found = false_alarms(Design(arms=2, blocks=6, units=8), assumed_parts(0.25), lost=0.2, trials=2000)
    >>> abs(found.power - 0.025) < 4 * found.error
    True
    """
    return _simulated(design, parts, 0.0, lost, confidence, trials, seed)


def power_curve(
    design: Design,
    parts: VarianceParts,
    difference: float,
    blocks: Sequence[int],
    *,
    unit_cost: float,
    block_cost: float = 0.0,
    lost: float = 0.0,
    confidence: float = 0.95,
    trials: int = 5000,
    seed: int = 0,
) -> tuple[PowerPoint, ...]:
    """The power of ``design`` at other numbers of ``blocks``, by formula and by simulation, and what each costs.

    Other parameters as for `simulated_power` and `Design.cost`; point k uses the seed ``seed`` + k.

    >>> curve = power_curve(Design(2, 4, 6), assumed_parts(0.25), 0.03, [2, 4, 8], unit_cost=2.5, trials=1000)
    >>> [(point.design.blocks, round(point.power, 2), point.cost) for point in curve]
    [(2, 0.29, 60.0), (4, 0.53, 120.0), (8, 0.83, 240.0)]
    """
    points = []
    for place, count in enumerate(blocks):
        at = replace(design, blocks=count)
        found = simulated_power(
            at, parts, difference, lost=lost, confidence=confidence, trials=trials, seed=seed + place
        )
        points.append(
            PowerPoint(at, trial_power(at, parts, difference, confidence), found, at.cost(unit_cost, block_cost))
        )
    return tuple(points)


def cheapest_design(
    arms: int,
    given_to: GivenTo,
    parts: VarianceParts,
    difference: float,
    *,
    unit_cost: float,
    block_cost: float = 0.0,
    power: float = 0.8,
    confidence: float = 0.95,
    most_blocks: int = 20,
    most_units: int = 20,
) -> Design | None:
    """The cheapest design that finds ``difference`` with ``power``, by formula; None where none within bounds does.

    Of equally cheap ones the one with fewest blocks, which is done soonest. Other parameters as for `trial_power`
    and `Design.cost`.

    >>> parts = assumed_parts(0.25)
    >>> cheapest_design(2, GivenTo.BATCH, parts, 0.05, unit_cost=2.5, block_cost=15)
    Design(arms=2, blocks=10, units=4, given_to=<GivenTo.BATCH: 'batch'>)
    """
    able = (
        design
        for blocks in range(2, most_blocks + 1)
        for units in range(1, most_units + 1)
        for design in [Design(arms, blocks, units, given_to)]
        if trial_power(design, parts, difference, confidence) >= power
    )
    return min(able, key=lambda design: (design.cost(unit_cost, block_cost), design.blocks), default=None)


def _t_power(df: float, error: float, difference: float, confidence: float, comparisons: int = 1) -> float:
    """The noncentral t's tail beyond the bound."""
    if difference == 0:
        raise NoDifference(NoDifference.__doc__)
    bound = float(_bounds(np.array([df]), comparisons, confidence)[0])
    # scipy gives nan where the chance of missing it is below 1e-200.
    return float(1 - np.nan_to_num(nctdtr(df, abs(difference) / error, bound), nan=0.0))


def _units(power_of: Callable[[float], float], power: float, confidence: float) -> float:
    """The units at which a rising power is as wanted."""
    from scipy.optimize import brentq

    fewest = 2.0
    if not (1 - confidence) / 2 < power < 1:
        raise PowerOutOfReach(PowerOutOfReach.__doc__)
    if power_of(fewest) >= power:
        return fewest
    return float(brentq(lambda units: power_of(units) - power, fewest, _MOST_UNITS, xtol=1e-10, rtol=1e-13))


def _bounds(df: Floats, comparisons: int, confidence: float) -> Floats:
    """The bound of t for each degrees of freedom: Student's for one arm against the control, else Dunnett's."""
    different, places = np.unique(df, return_inverse=True)
    bounds: Floats = stdtrit(different, (1 + confidence) / 2)
    if comparisons > 1:
        bounds *= _widening(different, comparisons, confidence)
    return bounds[places]


def _widening(df: Floats, comparisons: int, confidence: float) -> Floats:
    """Dunnett's bound over Student's; it changes so smoothly with 1/df that a few points give the rest to 1e-5."""

    def at(inverses: Floats) -> Floats:
        dunnett = np.array([_dunnett(comparisons, 1 / inverse, confidence) for inverse in inverses])
        ratios: Floats = dunnett / stdtrit(1 / inverses, (1 + confidence) / 2)
        return ratios

    inverses = 1 / df
    if len(df) <= _POINTS:
        return at(inverses)
    ends = [inverses.min(), inverses.max()]
    curve: Floats = np.polynomial.Chebyshev.interpolate(at, _POINTS - 1, domain=ends)(inverses)
    return curve


@lru_cache(maxsize=4096)
def _dunnett(comparisons: int, df: float, confidence: float) -> float:
    """Dunnett's bound where every arm has as many units as the control, so that comparisons correlate by half."""
    correlation = np.full((comparisons, comparisons), 0.5) + 0.5 * np.eye(comparisons)
    return critical_value(correlation, df, confidence=confidence)


def _simulated(
    design: Design, parts: VarianceParts, difference: float, lost: float, confidence: float, trials: int, seed: int
) -> Simulated:
    """Trials in portions, each analysed at one stroke."""
    if not 0 <= lost < 1:
        raise NotAFraction(NotAFraction.__doc__)
    numbers = np.random.default_rng(seed)
    found = unjudged = 0
    for portion in _portions(trials, design):
        ratios, df = _analysed(*_drawn(design, parts, abs(difference), lost, portion, numbers))
        judged = np.isfinite(ratios)
        found += int((ratios[judged] > _bounds(df[judged], design.arms - 1, confidence)).sum())
        unjudged += portion - int(judged.sum())
    share = found / trials
    return Simulated(share, float(np.sqrt(share * (1 - share) / trials)), unjudged / trials, trials)


def _portions(trials: int, design: Design) -> Iterator[int]:
    """The trials in portions of at most `_CELLS` cells."""
    size = max(1, _CELLS // (design.arms * design.blocks))
    for start in range(0, trials, size):
        yield min(size, trials - start)


def _drawn(
    design: Design,
    parts: VarianceParts,
    difference: float,
    lost: float,
    trials: int,
    numbers: np.random.Generator,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Weights and means by trial, arm and block; and by trial the squares within cells and their count.

    Blocks drop out of the analysis and are not drawn. The second arm differs from the first, the control.
    """
    shape = (trials, design.arms, design.blocks)
    counts = numbers.binomial(design.units, 1 - lost, shape) if lost else np.full(shape, design.units)
    kept = np.maximum(counts, 1)
    if design.given_to is GivenTo.BATCH:
        deviations = np.sqrt(parts.batch + parts.unit / kept)
        weights, spare = (counts > 0).astype(np.float64), np.zeros(trials)
    else:
        deviations = np.sqrt(parts.unit / kept)
        weights, spare = counts.astype(np.float64), (kept - 1.0).sum(axis=(1, 2))
    means = numbers.standard_normal(shape) * deviations
    means[:, 1] += difference
    return weights, means, parts.unit * 2 * numbers.standard_gamma(spare / 2), spare


def _analysed(weights: Floats, means: Floats, squares: Floats, spare: Floats) -> tuple[Floats, Floats]:
    """The t ratio of the second arm against the first, and its degrees of freedom, for each trial.

    Weighted least squares with fixed blocks, by eliminating the blocks (the intrablock analysis, Cochran & Cox 1957,
    section 9.3; from memory). Trials in which arms are not linked, or nothing is left to judge by, give nan.
    """
    in_block = weights.sum(axis=1, keepdims=True)
    shares = weights / np.maximum(in_block, 1.0)
    within = means - (shares * means).sum(axis=1, keepdims=True)
    totals = (weights * within).sum(axis=2)[:, 1:]
    information = -(weights @ shares.transpose(0, 2, 1))[:, 1:, 1:]
    arms = np.arange(information.shape[1])
    information[:, arms, arms] += weights.sum(axis=2)[:, 1:]
    df = (weights > 0).sum(axis=(1, 2)) + spare - (in_block > 0).sum(axis=(1, 2)) - len(arms)
    judged = (_linkage(information) > _UNLINKED) & (df > 0)
    inverse = np.linalg.inv(np.where(judged[:, np.newaxis, np.newaxis], information, np.eye(len(arms))))
    effects = (inverse @ totals[:, :, np.newaxis])[:, :, 0]
    residual = (weights * within**2).sum(axis=(1, 2)) - (effects * totals).sum(axis=1) + squares
    error = np.sqrt(np.maximum(residual, 0.0) / np.maximum(df, 1.0) * inverse[:, 0, 0])
    ratios = np.divide(effects[:, 0], error, out=np.full(len(df), np.nan), where=judged & (error > 0))
    return ratios, df


def _linkage(information: Floats) -> Floats:
    """How well blocks link the arms: the determinant with the diagonal scaled to one, nought where they do not."""
    scale = np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-300))
    linkage: Floats = np.linalg.det(information / (scale[:, :, np.newaxis] * scale[:, np.newaxis, :]))
    return linkage
