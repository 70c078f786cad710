from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science import power
from pinset.science.power import (
    CannotPlan,
    Design,
    DesignTooSmall,
    GivenTo,
    MeansDoNotFit,
    NoDifference,
    NotAFraction,
    PowerOutOfReach,
    VarianceNegative,
    VarianceParts,
    any_difference_power,
    assumed_parts,
    cheapest_design,
    false_alarms,
    power_curve,
    proportions_power,
    proportions_units,
    simulated_power,
    t_test_power,
    t_test_units,
    trial_power,
)

PARTS = VarianceParts(0.04**2, 0.02**2, 0.05**2, "invented")
DESIGNS = [
    Design(2, 3, 4, GivenTo.UNIT),
    Design(2, 3, 1, GivenTo.UNIT),
    Design(4, 5, 3, GivenTo.UNIT),
    Design(2, 6, 8, GivenTo.BATCH),
    Design(2, 3, 1, GivenTo.BATCH),
    Design(3, 8, 5, GivenTo.BATCH),
    Design(6, 4, 6, GivenTo.BATCH),
]
designs = st.builds(Design, st.integers(2, 6), st.integers(2, 12), st.integers(1, 10), st.sampled_from(GivenTo))


@pytest.mark.parametrize("design", DESIGNS, ids=str)
@pytest.mark.parametrize("difference", [0.03, -0.08])
def test_simulation_agrees_with_the_formula(design: Design, difference: float) -> None:
    found = simulated_power(design, PARTS, difference, trials=20_000, seed=4)
    assert found.power == pytest.approx(trial_power(design, PARTS, difference), abs=4 * found.error + 1e-4)
    assert found.unjudged == 0
    assert found.trials == 20_000


def test_more_arms_ask_for_more() -> None:
    for given_to in GivenTo:
        two, five = (trial_power(Design(arms, 6, 4, given_to), PARTS, 0.04) for arms in (2, 5))
        one_bound = trial_power(Design(5, 6, 4, given_to), PARTS, 0.04, confidence=0.5)
        assert five < two or given_to is GivenTo.BATCH  # more arms also teach more of the error between batches
        assert five < one_bound


@pytest.mark.parametrize("design", [design for design in DESIGNS if design.arms == 2], ids=str)
@pytest.mark.parametrize("lost", [0.0, 0.15, 0.4])
def test_false_alarms_stay_at_their_level(design: Design, lost: float) -> None:
    found = false_alarms(design, PARTS, lost=lost, trials=40_000, seed=8)
    judged = 1 - found.unjudged
    # Four Monte-Carlo errors; batch means of unequal numbers of units differ in spread, which costs at most a hair.
    assert found.power / judged == pytest.approx(0.025, abs=4 * np.sqrt(0.025 / 40_000 / judged) + 0.001)


@pytest.mark.parametrize("given_to", GivenTo)
@pytest.mark.parametrize("arms", [2, 3])
def test_analysis_agrees_with_least_squares_unit_by_unit(given_to: GivenTo, arms: int) -> None:
    """Lay out each drawn trial unit by unit (or batch by batch) and fit arms and blocks by plain least squares."""
    numbers = np.random.default_rng(14)
    blocks, most = 4, 3
    for _ in range(40):
        counts = numbers.integers(0, most + 1, (arms, blocks))
        units = [numbers.normal(size=count) for count in counts.ravel()]
        cells = [unit if given_to is GivenTo.UNIT else unit.mean(keepdims=True) for unit in units if len(unit)]
        places = [place for place, unit in enumerate(units) if len(unit)]
        response = np.concatenate(cells)
        arm, block = np.divmod(np.repeat(places, [len(cell) for cell in cells]), blocks)
        design = np.hstack([np.eye(arms)[arm][:, 1:], np.eye(blocks)[block]])
        coefficients, _, rank, _ = np.linalg.lstsq(design, response, rcond=None)
        df = len(response) - rank
        weights = counts if given_to is GivenTo.UNIT else counts > 0
        means = np.array([unit.mean() if len(unit) else 0.0 for unit in units]).reshape(1, arms, blocks)
        squares = sum(((cell - cell.mean()) ** 2).sum() for cell in cells)
        spare = sum(len(cell) - 1 for cell in cells)
        ratios, freedom = power._analysed(
            weights[np.newaxis].astype(float), means, np.array([squares]), np.array([float(spare)])
        )
        linked = rank == arms - 1 + np.count_nonzero(counts.any(axis=0))
        if linked and df > 0:
            residual = response - design @ coefficients
            error = np.sqrt(residual @ residual / df * np.linalg.pinv(design.T @ design)[0, 0])
            assert freedom[0] == df
            assert ratios[0] == pytest.approx(coefficients[0] / error)
        else:
            assert np.isnan(ratios[0])


def test_drawn_cells_are_as_units_would_make_them() -> None:
    for given_to in GivenTo:
        design = Design(2, 3, 5, given_to)
        draw = np.random.default_rng(2)
        weights, means, squares, spare = power._drawn(design, PARTS, 0.1, 0.3, 40_000, draw)
        drawn = weights * (1 if given_to is GivenTo.UNIT else np.nan)
        if given_to is GivenTo.UNIT:
            assert np.nanmean(drawn) == pytest.approx(3.5, abs=0.02)
            one = (weights == 4)[:, 0]
            assert means[:, 0][one].var() == pytest.approx(PARTS.unit / 4, rel=0.05)
            assert (squares / PARTS.unit).mean() == pytest.approx(spare.mean(), rel=0.01)
        else:
            assert weights.mean() == pytest.approx(1 - 0.3**5, abs=0.001)
            assert not squares.any()
            assert not spare.any()
            kept = np.array([5 - lost for lost in range(5)])
            chances = np.array([5, 5, 10, 10, 5]) * 0.7**kept * 0.3 ** (5 - kept) / np.array([5, 1, 1, 1, 1])
            expected = PARTS.batch + PARTS.unit * (chances / kept).sum() / chances.sum()
            assert means[:, 0][weights[:, 0] > 0].var() == pytest.approx(expected, rel=0.02)
        assert (means[:, 1] - means[:, 0]).mean() == pytest.approx(0.1, abs=0.001)


def test_losses_cost_power() -> None:
    for given_to in GivenTo:
        design = Design(2, 5, 4, given_to)
        whole, thinned = (simulated_power(design, PARTS, 0.05, lost=lost, seed=3) for lost in (0.0, 0.3))
        assert thinned.power < whole.power - 2 * whole.error


def test_trials_that_lost_too_much_find_nothing() -> None:
    found = simulated_power(Design(2, 2, 1), PARTS, 10.0, lost=0.6, trials=4000)
    # Both arms in both blocks must be there: 0.4^4 of trials; with one degree of freedom each finds so much.
    assert found.unjudged == pytest.approx(1 - 0.4**4, abs=0.01)
    assert found.power <= 1 - found.unjudged


@given(designs, st.floats(0.01, 0.2))
def test_power_rises_with_difference_and_blocks(design: Design, difference: float) -> None:
    here = trial_power(design, PARTS, difference)
    assert trial_power(design, PARTS, difference * 1.5) >= here - 1e-9
    larger = Design(design.arms, design.blocks + 1, design.units, design.given_to)
    assert trial_power(larger, PARTS, difference) >= here - 1e-9
    assert trial_power(design, PARTS, -difference) == here


def test_any_difference_among_two_arms_is_the_two_sided_t() -> None:
    for given_to in GivenTo:
        design = Design(2, 5, 3, given_to)
        right = trial_power(design, PARTS, 0.03)
        wrong = power.nctdtr(design.df, 0.03 / design.standard_error(PARTS), power.stdtrit(design.df, 0.025))
        assert any_difference_power(design, PARTS, [0.2, 0.23]) == pytest.approx(right + wrong, abs=1e-7)


def test_any_difference_as_r_has_it() -> None:
    # R 4.2.2: pf(qf(.95, a - 1, df), a - 1, df, ncp, lower = FALSE), deviations .05 and .02 or .03.
    parts = VarianceParts(1.0, 0.02**2, 0.05**2, "invented")
    three = [0.25, 0.28, 0.25]
    found = [any_difference_power(Design(3, 4, 6, given_to), parts, three) for given_to in GivenTo]
    assert [f"{value:.7f}" for value in found] == ["0.5452144", "0.2073686"]
    parts = VarianceParts(1.0, 0.03**2, 0.05**2, "invented")
    five = [0.25, 0.28, 0.22, 0.26, 0.30]
    found = [any_difference_power(Design(5, 6, 2, given_to), parts, five) for given_to in GivenTo]
    assert [f"{value:.7f}" for value in found] == ["0.9130453", "0.6137294"]


def test_units_cannot_make_up_for_blocks_where_the_batch_got_the_arm() -> None:
    many = trial_power(Design(2, 3, 10_000, GivenTo.BATCH), PARTS, 0.04)
    assert many < 0.5
    assert trial_power(Design(2, 30, 4, GivenTo.BATCH), PARTS, 0.04) > 0.95


@settings(max_examples=40, deadline=None)
@given(st.floats(0.1, 0.99), st.floats(0.2, 3), st.floats(0.5, 2))
def test_units_and_power_are_inverse(wanted: float, difference: float, deviation: float) -> None:
    units = t_test_units(wanted, difference, deviation)
    assert units >= 2
    if units > 2:
        assert t_test_power(units, difference, deviation) == pytest.approx(wanted, abs=1e-7)


@given(st.floats(0.1, 0.95), st.floats(0.0, 0.4), st.floats(0.5, 1.0))
def test_proportions_and_units_are_inverse(wanted: float, fraction: float, control: float) -> None:
    units = proportions_units(wanted, fraction, control)
    if units > 2:
        assert proportions_power(units, fraction, control) == pytest.approx(wanted, abs=1e-7)


@pytest.mark.parametrize("df", [np.arange(1.0, 40), np.arange(30.0, 400)])
def test_bounds_between_the_points_are_dunnetts(df: np.ndarray) -> None:
    bounds = power._bounds(df, 3, 0.95)
    assert (np.diff(bounds) < 0).all()
    for place in (1, 5, 17, len(df) - 2):
        assert bounds[place] == pytest.approx(power._dunnett(3, df[place], 0.95), rel=1e-5)
    assert power._bounds(np.array([20.0, 60.0, 20.0]), 3, 0.95).round(2).tolist() == [2.54, 2.41, 2.54]


def test_none_against_all() -> None:
    assert proportions_power(20, 0.0, 1.0) == 1.0
    assert proportions_power(1, 0.0, 1.0) == 0.0


def test_portions_add_up(monkeypatch: pytest.MonkeyPatch) -> None:
    design = Design(2, 6, 3)
    whole = simulated_power(design, PARTS, 0.03, trials=5000, seed=1)
    monkeypatch.setattr(power, "_CELLS", 1000)
    parted = simulated_power(design, PARTS, 0.03, trials=5000, seed=1)
    assert parted.trials == whole.trials
    assert parted.power == pytest.approx(whole.power, abs=6 * whole.error)


def test_curve() -> None:
    curve = power_curve(
        Design(2, 2, 4, GivenTo.BATCH), PARTS, 0.05, [3, 6, 12], unit_cost=2.0, block_cost=10.0, lost=0.1, trials=2000
    )
    assert [point.design.blocks for point in curve] == [3, 6, 12]
    assert [point.cost for point in curve] == [3 * 26.0, 6 * 26.0, 12 * 26.0]
    assert curve[0].power < curve[1].power < curve[2].power
    for point in curve:
        assert point.simulated.power == pytest.approx(point.power, abs=0.1)


def test_cheapest_design_is_cheapest() -> None:
    chosen = cheapest_design(2, GivenTo.BATCH, PARTS, 0.05, unit_cost=2.5, block_cost=15, most_blocks=12, most_units=6)
    assert chosen is not None
    assert trial_power(chosen, PARTS, 0.05) >= 0.8
    for blocks in range(2, 13):
        for units in range(1, 7):
            other = Design(2, blocks, units, GivenTo.BATCH)
            if other.cost(2.5, 15) < chosen.cost(2.5, 15):
                assert trial_power(other, PARTS, 0.05) < 0.8
    assert cheapest_design(2, GivenTo.BATCH, PARTS, 0.0001, unit_cost=1, most_blocks=3, most_units=3) is None


def test_assumed_parts_name_their_source() -> None:
    parts = assumed_parts(0.2)
    assert "6853627" in parts.source
    assert "assumed" in parts.source
    assert parts.unit == pytest.approx((0.2 * 0.2) ** 2)


@pytest.mark.parametrize(
    ("asked", "refusal"),
    [
        (lambda: Design(1, 3, 3), DesignTooSmall),
        (lambda: Design(2, 1, 3), DesignTooSmall),
        (lambda: Design(2, 3, 0), DesignTooSmall),
        (lambda: VarianceParts(0.0, -1.0, 1.0, ""), VarianceNegative),
        (lambda: VarianceParts(0.0, 0.0, 0.0, ""), VarianceNegative),
        (lambda: trial_power(Design(2, 3, 3), PARTS, 0.0), NoDifference),
        (lambda: simulated_power(Design(2, 3, 3), PARTS, 0.0), NoDifference),
        (lambda: simulated_power(Design(2, 3, 3), PARTS, 1.0, lost=1.0), NotAFraction),
        (lambda: any_difference_power(Design(3, 3, 3), PARTS, [0.1, 0.2]), MeansDoNotFit),
        (lambda: any_difference_power(Design(2, 3, 3), PARTS, [0.1, 0.1]), NoDifference),
        (lambda: proportions_power(20, 0.5, 0.5), NoDifference),
        (lambda: proportions_power(20, 0.5, 1.5), NotAFraction),
        (lambda: t_test_units(0.02, 1.0, 1.0), PowerOutOfReach),
        (lambda: t_test_units(1.0, 1.0, 1.0), PowerOutOfReach),
    ],
)
def test_refusals(asked: Callable[[], object], refusal: type[CannotPlan]) -> None:
    with pytest.raises(refusal):
        asked()
