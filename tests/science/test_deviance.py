"""The quick way to the deviance and its slopes agrees with the long way through the whole covariance matrix."""

from __future__ import annotations

import numpy as np
import pytest

from pinset.science.arrays import Floats
from pinset.science.deviance import Profile, Term, lower_triangles

COUNT = 60


def terms(kinds: str) -> list[Term]:
    """One grouping a letter: i for 12 levels with a height each, s for 5 with a slope as well, k for 4 heights."""
    numbers = np.random.default_rng(len(kinds))
    slope = np.column_stack([np.ones(COUNT), numbers.normal(size=COUNT)])
    levels = {"i": 12, "s": 5, "k": 4}
    return [
        Term(
            numbers.permutation(np.arange(COUNT) % levels[kind]),
            levels[kind],
            slope if kind == "s" else np.ones((COUNT, 1)),
        )
        for kind in kinds
    ]


def data(columns: int) -> tuple[Floats, Floats]:
    numbers = np.random.default_rng(columns)
    return np.linalg.qr(numbers.normal(size=(COUNT, columns)))[0], numbers.normal(size=COUNT)


def the_long_way(
    parts: list[Term], design: Floats, response: Floats, theta: Floats, restricted: bool
) -> tuple[float, Floats, Floats]:
    """Deviance, coefficients and their covariance over sigma², by the textbook."""
    whole = np.eye(COUNT)
    for part, factors in zip(parts, lower_triangles(theta[None], [part.width for part in parts]), strict=True):
        effects = part.spread() @ np.kron(np.eye(part.levels), factors[0])
        whole += effects @ effects.T
    inverse = np.linalg.inv(whole)
    covariance = np.linalg.inv(design.T @ inverse @ design)
    coefficients = covariance @ design.T @ inverse @ response
    left = response - design @ coefficients
    determinants = np.linalg.slogdet(whole)[1] - restricted * np.linalg.slogdet(covariance)[1]
    freedom = COUNT - restricted * design.shape[1]
    return determinants + freedom * np.log(left @ inverse @ left), coefficients, covariance


@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("kinds", ["i", "s", "ik", "is", "isk"])
def test_deviance_and_coefficients(kinds: str, restricted: bool) -> None:
    parts, (design, response) = terms(kinds), data(3)
    theta = np.random.default_rng(0).normal(size=sum(3 if kind == "s" else 1 for kind in kinds))
    point = Profile(parts, design, response, restricted).at(theta[None])
    deviance, coefficients, covariance = the_long_way(parts, design, response, theta, restricted)
    assert point.deviance[0] == pytest.approx(deviance, rel=1e-12)
    np.testing.assert_allclose(point.coefficients[0], coefficients, atol=1e-12)
    np.testing.assert_allclose(point.covariance[0], covariance, atol=1e-12)


@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("kinds", ["i", "s", "isk"])
def test_slope_and_curvature(kinds: str, restricted: bool) -> None:
    parts, (design, response) = terms(kinds), data(2)
    theta = np.random.default_rng(1).normal(size=sum(3 if kind == "s" else 1 for kind in kinds))
    profile = Profile(parts, design, response, restricted)

    def deviance(at: Floats) -> float:
        return the_long_way(parts, design, response, at, restricted)[0]

    steps = 1e-4 * np.eye(len(theta))
    slope = [(deviance(theta + step) - deviance(theta - step)) / 2e-4 for step in steps]
    bend = [(deviance(theta + step) - 2 * deviance(theta) + deviance(theta - step)) / 1e-8 for step in steps]
    view = profile.view(theta)
    np.testing.assert_allclose(view.slope, slope, rtol=1e-5, atol=1e-6)
    np.testing.assert_allclose(np.diag(view.curvature), bend, rtol=1e-3, atol=1e-3)


def test_many_thetas_at_once_are_each_alone() -> None:
    profile = Profile(terms("isk"), *data(3), True)
    thetas = np.random.default_rng(2).normal(size=(4, 5))
    alone = [profile.at(theta[None]).deviance[0] for theta in thetas]
    np.testing.assert_allclose(profile.at(thetas).deviance, alone, rtol=1e-13)


def test_moments_of_balanced_data_are_the_restricted_estimates() -> None:
    """Two-stage nested data: batches of 3 in blocks of 4, whose analysis of variance has closed estimates."""
    numbers = np.random.default_rng(5)
    block, batch, _ = (axis.ravel() for axis in np.indices((6, 4, 3)))
    response = numbers.normal(size=72) + 2 * numbers.normal(size=6)[block] + numbers.normal(size=24)[batch + 4 * block]
    table = response.reshape(6, 4, 3)
    error = table.var(axis=2, ddof=1).mean()
    among_batches = 3 * table.mean(axis=2).var(axis=1, ddof=1).mean()
    among_blocks = 12 * table.mean(axis=(1, 2)).var(ddof=1)
    ones = np.ones((72, 1))
    parts = [Term(batch + 4 * block, 24, ones), Term(block, 6, ones)]
    left, ratios = Profile(parts, ones / np.sqrt(72), response - response.mean(), True).moments()
    assert ratios == pytest.approx(
        [(among_batches - error) / 3 / error, (among_blocks - among_batches) / 12 / error], rel=1e-9
    )
    assert left == pytest.approx([72 - 3, 72 - 12])


def test_groupings_that_moments_cannot_part_start_from_equal_shares() -> None:
    """A grouping named twice has a singular system of moments."""
    (grouping,) = terms("k")
    design, response = data(2)
    _, ratios = Profile([grouping, grouping], design, response, True).moments()
    assert np.isfinite(ratios).all()
