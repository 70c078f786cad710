"""Linear mixed models for trials in blocks, by restricted maximum likelihood.

A trial has units that share more than their arm: the day they were made, the mix, the room, the shelf. Such groups
are random effects: each level moves all of its units alike by an amount drawn once. Comparing arms
without them takes the units of one mix for independent witnesses, which they are not.

Sources: Bates, Mächler, Bolker & Walker (2015), Fitting linear mixed-effects models using lme4, J. Stat. Softw.
67(1); Satterthwaite's degrees of freedom (in ``contrasts``): Kuznetsova, Brockhoff & Christensen (2017), lmerTest
package, J. Stat. Softw. 82(13).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pinset.science.arrays import Floats, Integers
from pinset.science.deviance import Point, Profile, Term, lower_triangles
from pinset.science.newton import differences, minimise

# The size of a diagonal entry of theta below which lme4's isSingular() calls a fit singular.
_SINGULAR: Final = 1e-4
# A variance that shrinks to nothing is set to exactly nothing: below this its effect is lost in rounding.
_NOTHING: Final = 1e-7
# Relative sizes below which sums of squares of double precision hold no information.
_ROUNDING: Final = 1e-10


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

    ``coefficients`` (p,) and their ``covariance`` (p, p); ``sigma``, the standard deviation between units that share
    all groups; the variance ``components`` in the order in which the groupings were given; the ``criterion``, minus
    twice the (restricted) log-likelihood; ``singular`` where a component came out as nothing, which is common with
    few blocks and no fault. ``parameter_covariance`` (v, v) and ``covariance_slopes`` (v, p, p) say how well the
    variances are known and what hangs on them: degrees of freedom come from these.
    """

    coefficients: Floats
    covariance: Floats
    sigma: float
    components: tuple[Component, ...]
    criterion: float
    restricted: bool
    converged: bool
    singular: bool
    observations: int
    parameter_covariance: Floats
    covariance_slopes: Floats

    @property
    def standard_errors(self) -> Floats:
        """The standard error of each coefficient."""
        return np.sqrt(np.diag(self.covariance))


def fit(
    response: ArrayLike, design: ArrayLike, groupings: Sequence[Grouping] = (), *, restricted: bool = True
) -> MixedFit:
    """Fit ``response`` (n,) by ``design`` (n, p) with random effects for each of ``groupings``.

    The criterion is that of Bates et al. (2015, equation 42; 34 where not ``restricted``). Its minimum is found
    by Newton's method on exact slopes, to about ten digits. Groupings may be nested, crossed, unbalanced and
    have gaps; a grouping within another one needs labels of its own (see `cross`). Without groupings this is
    ordinary least squares. One grouping may have any number of levels; the others together should
    keep within a few thousand, because their cross products are held as one square.

    Raises a `CannotFit` that names what the data do not tell.

    Three blocks of two arms, one unit each, with the difference 2 and block heights 0, 3 and 6::

        >>> arms = [[1, 0], [0, 1]] * 3
        >>> blocks = Grouping("block", [1, 1, 2, 2, 3, 3])
        >>> weights = [10.1, 12.0, 13.0, 14.9, 15.9, 18.1]
        >>> trial = fit(weights, arms, [blocks])
        >>> trial.coefficients.round(3).tolist()
        [13.0, 15.0]
        >>> round(trial.sigma, 4), round(trial.components[0].deviations[0], 4)
        (0.1225, 3.0013)
    """
    data = _Data.of(response, design)
    terms = [_term(grouping, data) for grouping in groupings]
    _refuse_twins(groupings, terms)
    order = sorted(range(len(terms)), key=lambda place: -terms[place].columns)
    profile = Profile([terms[place] for place in order] or [_NO_TERM], data.design, data.response, restricted)
    theta, converged = _searched(profile)
    factors = lower_triangles(theta, profile.widths)
    ...
