"""What must hold of any fit, and what is refused."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science import mixed
from pinset.science.arrays import Floats, Integers
from pinset.science.contrasts import cell_means, contrast, degrees_of_freedom
from pinset.science.mixed import Grouping, MixedFit, crossed, fit

SEEDS = st.integers(0, 10_000)


def trial(seed: int, *, lost: float = 0.2) -> tuple[Floats, Integers, Integers, Integers]:
    """An invented trial of 3 arms in 6 blocks, 4 units a batch, some lost: response, arm, block, batch."""
    numbers = np.random.default_rng(seed)
    arm, block, _ = (axis.ravel() for axis in np.indices((3, 6, 4)))
    kept = numbers.random(len(arm)) >= lost
    arm, block = arm[kept], block[kept]
    batch = crossed(arm, block)
    heights, mixes = numbers.normal(0, 2, 6), numbers.normal(0, 1, batch.max() + 1)
    return 50 + arm + heights[block] + mixes[batch] + numbers.normal(size=len(arm)), arm, block, batch


def nested(seed: int) -> tuple[Floats, Floats, list[Grouping]]:
    response, arm, block, batch = trial(seed)
    return response, cell_means(arm)[1], [Grouping("block", block), Grouping("batch", batch)]


def told(model: MixedFit) -> list[float]:
    """Everything a fit says, in a row."""
    parts = [component.covariance.ravel() for component in model.components]
    dfs = [degrees_of_freedom(model, row) for row in np.eye(len(model.coefficients))]
    return np.concatenate([model.coefficients, model.covariance.ravel(), [model.sigma], *parts, dfs]).tolist()


def test_without_groupings_it_is_least_squares() -> None:
    response, arm, _, _ = trial(1)
    _, design = cell_means(arm)
    model = fit(response, design)
    expected, left, *_ = np.linalg.lstsq(design, response)
    assert model.coefficients == pytest.approx(expected)
    assert model.sigma**2 == pytest.approx(left[0] / (len(response) - 3))
    assert model.standard_errors == pytest.approx(model.sigma / np.sqrt(np.bincount(arm)))
    assert degrees_of_freedom(model, [1, -1, 0]) == pytest.approx(len(response) - 3)
    assert (model.components, model.converged, model.singular) == ((), True, False)


def test_balanced_batches_are_analysed_as_their_means() -> None:
    """With equal batches the comparison of arms is that of batch means in blocks, whatever bags a batch has."""
    response, arm, block, batch = trial(3, lost=0.0)
    model = fit(response, cell_means(arm)[1], [Grouping("block", block), Grouping("batch", batch)])
    means = np.bincount(batch, response) / np.bincount(batch)
    of_batch = fit(means, cell_means(np.repeat(range(3), 6))[1], [Grouping("block", np.tile(range(6), 3))])
    bags, batches = contrast(model, [-1, 1, 0]), contrast(of_batch, [-1, 1, 0])
    assert not model.singular
    assert bags.df == pytest.approx(10.0, abs=1e-5)
    assert [bags.value, bags.standard_error, bags.df, bags.p] == pytest.approx(
        [batches.value, batches.standard_error, batches.df, batches.p], rel=1e-6
    )


def test_a_grouping_that_does_not_vary_leaves_least_squares() -> None:
    """Blocks more alike than chance would have them: their variance comes out as exactly nothing."""
    response = np.array([1.0, 3.0, 2.0, 2.0, 3.0, 1.0, 1.5, 2.5])
    arm = np.array([0, 1, 0, 1, 1, 0, 0, 1])
    block = np.array([0, 0, 1, 1, 2, 2, 3, 3])
    model = fit(response, cell_means(arm)[1], [Grouping("block", block)])
    plain = fit(response, cell_means(arm)[1])
    assert model.singular
    assert model.components[0].variance == 0.0
    assert np.isnan(model.components[0].correlations).all()
    assert told(model)[:7] == pytest.approx(told(plain)[:7])
    assert degrees_of_freedom(model, [-1, 1]) == pytest.approx(6.0)


def test_restricted_variance_of_one_grouping_in_closed_form() -> None:
    """Balanced groups: mean squares among and within."""
    numbers = np.random.default_rng(4)
    table = numbers.normal(size=(7, 5)) + numbers.normal(0, 3, (7, 1))
    within, among = table.var(axis=1, ddof=1).mean(), 5 * table.mean(axis=1).var(ddof=1)
    model = fit(table.ravel(), np.ones((35, 1)), [Grouping("room", np.repeat(range(7), 5))])
    assert model.sigma**2 == pytest.approx(within, rel=1e-10)
    assert model.components[0].variance == pytest.approx((among - within) / 5, rel=1e-10)
    assert degrees_of_freedom(model, [1]) == pytest.approx(6.0, abs=1e-6)


@given(SEEDS, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
@settings(max_examples=25, deadline=None)
def test_shift_and_unit_of_the_response(seed: int, shift: float, unit: float) -> None:
    response, design, groupings = nested(seed)
    one, other = fit(response, design, groupings), fit(shift + unit * response, design, groupings)
    assert other.coefficients == pytest.approx(shift + unit * one.coefficients, rel=1e-6, abs=1e-6)
    assert other.standard_errors == pytest.approx(unit * one.standard_errors, rel=1e-6)
    assert other.criterion - one.criterion == pytest.approx(2 * (len(response) - 3) * np.log(unit), abs=1e-5)


@given(SEEDS)
@settings(max_examples=25, deadline=None)
def test_order_and_names_do_not_matter(seed: int) -> None:
    response, design, (block, batch) = nested(seed)
    order = np.random.default_rng(seed).permutation(len(response))
    named = [Grouping("batch", [f"b{label}" for label in np.asarray(batch.labels)[order]])]
    named.append(Grouping("block", 100 - np.asarray(block.labels)[order]))
    one, other = fit(response, design, [block, batch]), fit(response[order], design[order], named)
    assert told(other)[:13] == pytest.approx(told(one)[:13], rel=1e-6)
    assert [part.variance for part in other.components[::-1]] == pytest.approx(
        [part.variance for part in one.components], rel=1e-5, abs=1e-8
    )


@given(SEEDS)
@settings(max_examples=25, deadline=None)
def test_another_design_of_the_same_arms(seed: int) -> None:
    """Means of the arms, or the first arm and differences from it: the same comparison."""
    response, design, groupings = nested(seed)
    differences = np.column_stack([np.ones(len(response)), design[:, 1:]])
    one = contrast(fit(response, design, groupings), [-1, 0, 1])
    other = contrast(fit(response, differences, groupings), [0, 0, 1])
    assert [other.value, other.standard_error, other.df] == pytest.approx(
        [one.value, one.standard_error, one.df], rel=1e-5
    )


@given(SEEDS, st.booleans())
@settings(max_examples=25, deadline=None)
def test_units_of_a_slope_do_not_matter(seed: int, restricted: bool) -> None:
    response, arm, block, _ = trial(seed)
    load = np.random.default_rng(seed).normal(size=len(response))
    design = np.column_stack([cell_means(arm)[1], load])
    grams = design * [1, 1, 1, 1000.0]
    one = fit(response, design, [Grouping("block", block, load)], restricted=restricted)
    other = fit(response, grams, [Grouping("block", block, 1000.0 * load)], restricted=restricted)
    assert other.coefficients * [1, 1, 1, 1000] == pytest.approx(one.coefficients, rel=1e-5, abs=1e-7)
    ratio = one.components[0].covariance * [[1, 1e-3], [1e-3, 1e-6]]
    np.testing.assert_allclose(other.components[0].covariance / ratio.max(), ratio / ratio.max(), rtol=1e-4, atol=1e-8)


def test_a_grouping_that_explains_nearly_all_is_followed() -> None:
    response, arm, block, _ = trial(2)
    model = fit(response + 1000 * block, cell_means(arm)[1], [Grouping("block", block)])
    apart = fit(response, np.column_stack([cell_means(arm)[1], cell_means(block)[1][:, 1:]]))
    assert model.converged
    assert model.sigma == pytest.approx(apart.sigma, rel=1e-3)
    assert model.components[0].deviations[0] == pytest.approx(1000 * np.std(range(6), ddof=1), rel=1e-2)
    assert contrast(model, [-1, 1, 0]).df == pytest.approx(len(response) - 8, abs=0.01)


def test_a_column_far_from_nothing_keeps_its_digits() -> None:
    """A day counted from long ago, beside an intercept: the same slope as a day counted from the trial's own start."""
    response, arm, block, _ = trial(5)
    day = 7.0 * block + arm
    designs = [np.column_stack([np.ones(len(day)), day + start]) for start in (0.0, 7e5)]
    near, far = (fit(response, design, [Grouping("block", block)]) for design in designs)
    assert far.coefficients[1] == pytest.approx(near.coefficients[1], rel=1e-7)
    assert far.standard_errors[1] == pytest.approx(near.standard_errors[1], rel=1e-7)


def test_many_levels_are_fitted() -> None:
    numbers = np.random.default_rng(6)
    batch = np.repeat(range(2000), 3)
    response = numbers.normal(0, 2, 2000)[batch] + numbers.normal(size=6000)
    groupings = [Grouping("batch", batch), Grouping("room", batch % 7)]
    model = fit(response, np.ones((6000, 1)), groupings)
    assert model.components[0].deviations[0] == pytest.approx(2.0, rel=0.1)
    assert model.observations == 6000


ONES = np.ones((6, 1))
RESPONSE = [1.0, 2.0, 4.0, 3.0, 6.0, 5.0]
PAIRS = [1, 1, 2, 2, 3, 3]
REFUSED: dict[str, tuple[type[mixed.CannotFit], Callable[[], object]]] = {
    "response too short": (mixed.LengthsDiffer, lambda: fit(RESPONSE[1:], ONES)),
    "design flat": (mixed.LengthsDiffer, lambda: fit(RESPONSE, np.ones(6))),
    "labels too short": (mixed.LengthsDiffer, lambda: fit(RESPONSE, ONES, [Grouping("pair", PAIRS[1:])])),
    "slopes too short": (mixed.LengthsDiffer, lambda: fit(RESPONSE, ONES, [Grouping("pair", PAIRS, [1.0])])),
    "value missing": (mixed.ValueMissing, lambda: fit([np.nan, *RESPONSE[1:]], ONES)),
    "value endless": (mixed.ValueMissing, lambda: fit(RESPONSE, ONES * np.inf)),
    "label missing": (mixed.ValueMissing, lambda: fit(RESPONSE, ONES, [Grouping("pair", [np.nan, 1, 2, 2, 3, 3])])),
    "slope missing": (mixed.ValueMissing, lambda: fit(RESPONSE, ONES, [Grouping("pair", PAIRS, [np.nan] * 6)])),
    "too few": (mixed.TooFewObservations, lambda: fit(RESPONSE[:2], np.eye(2))),
    "column twice": (mixed.DesignOverlaps, lambda: fit(RESPONSE, np.ones((6, 2)))),
    "columns nearly alike": (
        mixed.DesignOverlaps,
        lambda: fit(RESPONSE, np.column_stack([np.ones(6), 1.0 + 3e-8 * np.arange(6)])),
    ),
    "column empty": (mixed.DesignOverlaps, lambda: fit(RESPONSE, np.zeros((6, 1)))),
    "one block": (mixed.OneLevelOnly, lambda: fit(RESPONSE, ONES, [Grouping("pair", [1] * 6)])),
    "a block each": (mixed.GroupingTooFine, lambda: fit(RESPONSE, ONES, [Grouping("unit", range(6))])),
    "slope each": (mixed.GroupingTooFine, lambda: fit(RESPONSE, ONES, [Grouping("pair", PAIRS, RESPONSE)])),
    "the same twice": (
        mixed.GroupingsCoincide,
        lambda: fit(RESPONSE, ONES, [Grouping("pair", PAIRS), Grouping("day", ["a", "a", "b", "b", "c", "c"])]),
    ),
    "a batch an arm": (
        mixed.GroupingWithinDesign,
        lambda: fit(RESPONSE, cell_means(PAIRS)[1], [Grouping("batch", PAIRS)]),
    ),
    "slope of nothing": (
        mixed.GroupingWithinDesign,
        lambda: fit(RESPONSE, ONES, [Grouping("half", [1, 1, 1, 2, 2, 2], np.zeros(6))]),
    ),
    "all alike": (mixed.NoVariationLeft, lambda: fit([2.0] * 6, ONES)),
    "alike in groups": (
        mixed.NoVariationLeft,
        lambda: fit([1.0, 1.0, 2.0, 2.0, 4.0, 4.0], ONES, [Grouping("pair", PAIRS)]),
    ),
}


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("sloped", [True, False])
def test_nothing_left_in_groups_is_refused_however_the_search_ends(sloped: bool, seed: int) -> None:
    numbers = np.random.default_rng(seed)
    block, load = np.repeat(range(4), 6), numbers.normal(size=24)
    response = numbers.normal(size=4)[block] + sloped * load * numbers.normal(size=4)[block]
    grouping = Grouping("block", block, load if sloped else None)
    with pytest.raises(mixed.NoVariationLeft):
        fit(response, np.column_stack([np.ones(24), load]), [grouping])


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused(case: str) -> None:
    refusal, attempt = REFUSED[case]
    with pytest.raises(refusal) as refused:
        attempt()
    assert str(refused.value).endswith(str(refusal.__doc__))


def test_a_refusal_names_the_grouping() -> None:
    with pytest.raises(mixed.OneLevelOnly, match=r"^pair: "):
        fit(RESPONSE, ONES, [Grouping("pair", [1] * 6)])


def test_crossed_labels_of_any_kind() -> None:
    assert crossed(["b", "a", "b"], [2.5, 1.0, 2.5]).tolist() == [1, 0, 1]
