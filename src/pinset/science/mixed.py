"""Linear mixed models for trials in blocks, by restricted maximum likelihood.

A trial has units that share more than their arm: the day they were made, the mix, the room, the shelf. Such groups
are random effects: each level moves all of its units alike by an amount drawn once. Comparing arms
without them takes the units of one mix for independent witnesses, which they are not.

Sources: Bates, Mächler, Bolker & Walker (2015), Fitting linear mixed-effects models using lme4, J. Stat. Softw.
67(1); Satterthwaite's degrees of freedom (in ``contrasts``): Kuznetsova, Brockhoff & Christensen (2017), lmerTest
package, J. Stat. Softw. 82(13).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pinset.science.arrays import Floats, Integers
from pinset.science.deviance import Profile, Term, View, derivatives, lower_entries, lower_triangles
from pinset.science.newton import Minimum, minimise

# The size of a diagonal entry of theta below which lme4's isSingular() calls a fit singular.
_SINGULAR: Final = 1e-4
# A variance that shrinks to nothing is set to exactly nothing: below this its effect is lost in rounding.
_NOTHING: Final = 1e-6
# Standard deviations of the levels, in those of the error, between which the search starts.
_LEAST_START: Final = 0.1
_MOST_START: Final = 1e3
# Curvature below this share of the largest is that of a flat direction.
_FLAT: Final = 1e-8
# Relative sizes below which sums of squares of double precision hold no information.
_ROUNDING: Final = 1e-10
# Columns of the design whose angle has less than this sine say the same thing twice.
_OVERLAP: Final = 1e-7
# The sine of an angle above which the squares of the design lose too few digits to matter.
_NEARLY_RIGHT: Final = 0.1
# Where the search finds no end and the error has less than this share of the variance, it was running out of error.
_RUNNING_OUT: Final = 1e-6


class CannotFit(ValueError):
    """The data do not determine the model."""

    def __init__(self, where: str = "") -> None:
        super().__init__(f"{where}: {self.__doc__}" if where else self.__doc__)


class LengthsDiffer(CannotFit):
    """The response, the design and the groupings must have one row for each observation, in the same order."""


class ValueMissing(CannotFit):
    """A value of the response or the design is missing or infinite; leave that observation out."""


class TooFewObservations(CannotFit):
    """There are no more observations than coefficients, so nothing is left to judge the error by."""


class DesignOverlaps(CannotFit):
    """Columns of the design say the same thing twice, so their coefficients cannot be told apart."""


class OneLevelOnly(CannotFit):
    """A grouping has a single level, so its levels cannot be seen to differ."""


class GroupingTooFine(CannotFit):
    """A grouping has as many effects as there are observations, so it cannot be told from the error."""


class GroupingsCoincide(CannotFit):
    """Two groupings sort the observations into the same groups, so their variances cannot be told apart."""


class GroupingWithinDesign(CannotFit):
    """The design already tells all levels of a grouping apart, as when each arm had one batch of its own."""


class NoVariationLeft(CannotFit):
    """Observations of the same arm and groups do not differ at all, so nothing is left to judge the error by."""


@dataclass(frozen=True, eq=False, slots=True)
class Grouping:
    """What groups the observations: ``labels`` (n,) of any kind that sorts, such as block numbers or batch codes.

    With ``slopes`` (n,) or (n, s) each level also has its own slopes on those columns, correlated with its height.
    """

    name: str
    labels: ArrayLike
    slopes: ArrayLike | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Component:
    """How much the levels of one grouping differ: the covariance (k, k) of their effects, height first."""

    name: str
    levels: int
    covariance: Floats

    @property
    def variance(self) -> float:
        """The variance of the heights of the levels, in squared units of the response."""
        return float(self.covariance[0, 0])

    @property
    def deviations(self) -> Floats:
        """The standard deviation of each effect."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlations(self) -> Floats:
        """The correlations of the effects; an effect that does not vary correlates with nothing (nan)."""
        with np.errstate(invalid="ignore"):
            return self.covariance / np.outer(self.deviations, self.deviations)


@dataclass(frozen=True, eq=False, slots=True)
class MixedFit:
    """A fitted model.

    ``coefficients`` (p,) and their ``covariance`` (p, p); ``sigma``, the standard deviation between observations
    that share all groups; the variance ``components`` in the order in which the groupings were given; the
    ``criterion``, minus twice the (restricted) log-likelihood; ``singular`` where a component came out as nothing,
    which is common with few blocks and no fault. ``covariance_doubt`` (v, p, p) says how far the covariance may be
    off: the variance of ``w @ covariance @ w`` is the sum of the squares of ``w @ covariance_doubt[i] @ w``.
    """

    coefficients: Floats
    covariance: Floats
    covariance_doubt: Floats
    sigma: float
    components: tuple[Component, ...]
    criterion: float
    restricted: bool
    converged: bool
    singular: bool
    observations: int

    @property
    def standard_errors(self) -> Floats:
        """The standard error of each coefficient."""
        return np.sqrt(np.diag(self.covariance))


def fit(
    response: ArrayLike, design: ArrayLike, groupings: Sequence[Grouping] = (), *, restricted: bool = True
) -> MixedFit:
    """Fit ``response`` (n,) by ``design`` (n, p) with random effects for each of ``groupings``.

    The criterion is the profiled deviance of Bates et al. (2015), restricted or not, minimised by Newton's method on
    exact slopes to about nine digits. Groupings may be nested, crossed, unbalanced and have gaps; one that lies within
    another needs labels of its own (see `crossed`). Without groupings this is ordinary least squares. The finest
    grouping may have any number of levels; the others together should keep within a thousand or so, because
    their cross products are held as one square.

    Raises a `CannotFit` that names what the data do not tell.

    Three blocks of two arms, one unit each, the arms 2 apart and the blocks about 3:

    >>> arms = [[1, 0], [0, 1]] * 3
    >>> weights = [10.1, 12.0, 13.0, 14.9, 15.9, 18.1]
    >>> trial = fit(weights, arms, [Grouping("block", [1, 1, 2, 2, 3, 3])])
    >>> trial.coefficients.round(3).tolist(), round(trial.sigma, 3), round(trial.components[0].variance, 3)
    ([13.0, 15.0], 0.122, 8.845)
    """
    data = _prepared(response, design)
    parts = [_part(grouping, data) for grouping in groupings]
    _refuse_twins(parts)
    widest_first = sorted(parts, key=lambda part: part.term.columns, reverse=True)
    terms = [part.term for part in widest_first] or [_no_term(len(data.response))]
    profile = Profile(terms, data.design, data.response, restricted)
    left, ratios = profile.moments()
    for part, share in zip(widest_first, left, strict=False):
        if share < _ROUNDING * len(data.response):
            raise GroupingWithinDesign(part.name)
    found = _searched(profile, ratios)
    best = _best(found)
    variance = best.squares / profile.freedom
    if variance < (_ROUNDING if found.converged else _RUNNING_OUT):
        raise NoVariationLeft
    sizes = np.where(_diagonals(profile.widths), np.abs(best.theta), np.inf)
    theta = np.where(sizes < _NOTHING, 0.0, best.theta)
    factors = dict(zip(map(id, widest_first), lower_triangles(theta[None], profile.widths), strict=False))
    return MixedFit(
        coefficients=data.back @ (data.heights + data.scale * best.coefficients),
        covariance=data.restored(variance * best.covariance),
        covariance_doubt=data.restored(_doubt(found.view, variance, profile.freedom)),
        sigma=data.scale * math.sqrt(variance),
        components=tuple(part.component(factors[id(part)][0], variance * data.scale**2) for part in parts),
        criterion=_criterion(best, data, profile.freedom, restricted),
        restricted=restricted,
        converged=found.converged,
        singular=bool((sizes < _SINGULAR).any()),
        observations=len(data.response),
    )


def crossed(*labels: ArrayLike) -> Integers:
    """One label for each combination of labels that occurs, such as each batch of an arm within a block.

    >>> crossed(["a", "a", "b", "b"], [1, 2, 1, 1]).tolist()
    [0, 1, 2, 2]
    """
    found = np.zeros(len(np.asarray(labels[0])), dtype=np.intp)
    for column in labels:
        names, level = np.unique(np.asarray(column), return_inverse=True)
        found = np.unique(found * len(names) + level, return_inverse=True)[1]
    return found


@dataclass(frozen=True, eq=False, slots=True)
class _Data:
    """The data in a form that keeps all digits: numbers near one, and columns at right angles.

    The design is ``design @ inverse(back)``; ``response`` is what least squares leaves of it, over ``scale``.
    """

    design: Floats
    back: Floats
    heights: Floats
    response: Floats
    scale: float

    def restored(self, covariances: Floats) -> Floats:
        """Covariances of the given design's coefficients, from those of this one's."""
        return self.scale**2 * (self.back @ covariances @ self.back.T)


@dataclass(frozen=True, eq=False, slots=True)
class _Part:
    """A grouping made ready: its columns over their root mean squares."""

    name: str
    term: Term
    sizes: Floats

    def component(self, factor: Floats, variance: float) -> Component:
        root = factor / self.sizes[:, None]
        return Component(self.name, self.term.levels, variance * root @ root.T)


def _prepared(response: ArrayLike, design: ArrayLike) -> _Data:
    observed = np.asarray(response, dtype=float)
    columns = np.asarray(design, dtype=float)
    if columns.ndim != 2 or observed.shape != (len(columns),):
        raise LengthsDiffer
    if not (np.isfinite(observed).all() and np.isfinite(columns).all()):
        raise ValueMissing
    count, fixed = columns.shape
    if count <= fixed:
        raise TooFewObservations
    orthonormal, back = _orthonormal(columns)
    heights = orthonormal.T @ observed
    left = observed - orthonormal @ heights
    scale = float(np.linalg.norm(left)) / math.sqrt(count - fixed)
    if scale <= _ROUNDING * np.abs(observed).max():
        raise NoVariationLeft
    return _Data(orthonormal, back, heights, left / scale, scale)


def _orthonormal(columns: Floats) -> tuple[Floats, Floats]:
    """Columns at right angles that span the same, and the triangle that ``columns`` times is them.

    By Cholesky's factor of the cross products, and once more where the columns are far from right angles, which
    makes up for the digits that squares lose (Yamamoto et al. 2015, Electron. Trans. Numer. Anal. 44:306-326).
    """
    products = columns.T @ columns
    sizes = np.sqrt(products.diagonal())
    if sizes.min(initial=1.0) == 0.0:
        raise DesignOverlaps
    try:
        root = np.linalg.cholesky(products / np.outer(sizes, sizes))
    except np.linalg.LinAlgError as broken:
        raise DesignOverlaps from broken
    least = root.diagonal().min(initial=1.0)
    if least < _OVERLAP:
        raise DesignOverlaps
    back = np.linalg.inv(root).T / sizes[:, None]
    if least > _NEARLY_RIGHT:
        return columns @ back, back
    orthonormal, more = _orthonormal(columns @ back)
    return orthonormal, back @ more


def _part(grouping: Grouping, data: _Data) -> _Part:
    """The grouping as numbers, refused where it is no grouping of these data."""
    count = len(data.response)
    labels = np.asarray(grouping.labels)
    if labels.shape != (count,):
        raise LengthsDiffer(grouping.name)
    if (labels != labels).any():
        raise ValueMissing(grouping.name)
    names, level = np.unique(labels, return_inverse=True)
    term = Term(level, len(names), np.ones((count, 1)))
    part = _Part(grouping.name, term, np.ones(1)) if grouping.slopes is None else _sloped(grouping, term)
    if term.levels < 2:
        raise OneLevelOnly(grouping.name)
    if part.term.columns >= count:
        raise GroupingTooFine(grouping.name)
    return part


def _sloped(grouping: Grouping, term: Term) -> _Part:
    """The grouping with its slopes beside its heights."""
    slopes = np.asarray(grouping.slopes, dtype=float)
    if len(slopes) != len(term.level):
        raise LengthsDiffer(grouping.name)
    if not np.isfinite(slopes).all():
        raise ValueMissing(grouping.name)
    basis = np.column_stack([term.basis, slopes])
    sizes = np.sqrt(np.square(basis).mean(axis=0))
    if sizes.min() == 0.0:
        raise GroupingWithinDesign(grouping.name)
    return _Part(grouping.name, Term(term.level, term.levels, basis / sizes), sizes)


def _refuse_twins(parts: Sequence[_Part]) -> None:
    for one, other in combinations(parts, 2):
        pairs = len(np.unique(one.term.level * other.term.levels + other.term.level))
        if pairs == one.term.levels == other.term.levels:
            raise GroupingsCoincide(f"{one.name}, {other.name}")


def _no_term(count: int) -> Term:
    """A grouping without levels, so that a model without groupings goes the same way."""
    return Term(np.zeros(count, dtype=np.intp), 0, np.empty((count, 0)))


def _searched(profile: Profile, ratios: Floats) -> Minimum[View]:
    """The lowest point of the deviance near the variance ratios.

    No start is so small that the slope, which vanishes with theta, could not lift it.
    """
    spreads = np.sqrt(np.clip(ratios, _LEAST_START**2, _MOST_START**2))
    start = np.repeat(spreads, [len(lower_entries(width)[0]) for width in profile.widths])
    try:
        return minimise(profile.view, start * _diagonals(profile.widths))
    except np.linalg.LinAlgError as broken:
        raise NoVariationLeft from broken


class _Best(NamedTuple):
    """What was sought, at the minimum of the deviance."""

    theta: Floats
    determinants: float
    squares: float
    coefficients: Floats
    covariance: Floats


def _best(found: Minimum[View]) -> _Best:
    """The values at the minimum, which is so short a step from the last view that the tangent leads there."""
    points, theta = found.view.points, found.view.at
    fixed = points.coefficients.shape[1]
    flat = points.covariance.reshape(-1, fixed**2)
    values = np.column_stack([points.determinants, points.squares, points.coefficients, flat])
    there = values[0] + found.step @ derivatives(values, theta)
    determinants, squares = there[:2].tolist()
    covariance = there[2 + fixed :].reshape(fixed, fixed)
    return _Best(theta + found.step, determinants, squares, there[2 : 2 + fixed], covariance)


def _diagonals(widths: Sequence[int]) -> NDArray[np.bool_]:
    """Which entries of theta stand on the diagonal of a triangle."""
    return np.concatenate([np.equal(*lower_entries(width)) for width in widths])


def _criterion(best: _Best, data: _Data, freedom: int, restricted: bool) -> float:
    """Minus twice the log-likelihood in the units of the response (Bates et al. 2015)."""
    spread = 2.0 * math.pi * best.squares * data.scale**2 / freedom
    design = 2.0 * restricted * float(np.log(np.abs(np.diag(data.back))).sum())
    return best.determinants - design + freedom * (1.0 + math.log(spread))


def _doubt(view: View, variance: float, freedom: int) -> Floats:
    """How far the covariance of the coefficients may be off, one matrix for each independent source of doubt.

    The variances of the estimates of theta and sigma are twice the inverse of the deviance's curvature; what they
    do to the covariance is its slope (Kuznetsova et al. 2017; directions in which the deviance is flat are left
    out, as in lmerTest).
    """
    points, count, sigma = view.points, len(view.at), math.sqrt(variance)
    curvature = np.empty((count + 1, count + 1))
    by_theta = derivatives(points.determinants_slope + points.squares_slope / variance, view.at)
    curvature[:count, :count] = (by_theta + by_theta.T) / 2.0
    curvature[count, :count] = curvature[:count, count] = -2.0 * points.squares_slope[0] / sigma**3
    curvature[count, count] = 4.0 * freedom / variance
    size = np.append(1.0 + np.abs(view.at), sigma)
    values, vectors = np.linalg.eigh(curvature * np.outer(size, size))
    known = values > _FLAT * values.max()
    deviations = size[:, None] * vectors[:, known] * np.sqrt(2.0 / values[known])
    slopes = np.concatenate([variance * derivatives(points.covariance, view.at), 2.0 * sigma * points.covariance[:1]])
    doubts: Floats = deviations.T @ slopes.reshape(count + 1, -1)
    return doubts.reshape(-1, *slopes.shape[1:])
