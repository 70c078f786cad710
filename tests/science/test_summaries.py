from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science import summaries
from pinset.science.anova import one_way_from_summary
from pinset.science.summaries import (
    Agreement,
    CannotCheck,
    Comparison,
    LettersMissing,
    NotAPrintedNumber,
    Summary,
    check_letters,
    check_p,
    letters,
    pair_p,
    printed,
)

sizes = st.integers(2, 9)
arms = st.builds(
    Summary,
    name=st.just("arm"),
    mean=st.integers(-20, 20).map(lambda tenths: tenths / 10),
    deviation=st.integers(2, 30).map(lambda tenths: tenths / 10),
    units=sizes,
    mean_rounding=st.sampled_from([0.0, 0.05, 0.5]),
    deviation_rounding=st.sampled_from([0.0, 0.05]),
)
tables = st.lists(arms, min_size=2, max_size=3)


@st.composite
def differences(draw: st.DrawFn) -> np.ndarray:
    count = draw(st.integers(1, 7))
    upper = np.zeros((count, count), dtype=bool)
    for first, second in combinations(range(count), 2):
        upper[first, second] = draw(st.booleans())
    return upper | upper.T


@given(differences())
def test_letters_say_exactly_what_differs(differ: np.ndarray) -> None:
    shown = letters(differ, list(range(len(differ))))
    for first, second in combinations(range(len(differ)), 2):
        assert bool(set(shown[first]) & set(shown[second])) != differ[first, second]
    assert all(shown)


@given(differences())
def test_no_letter_is_idle(differ: np.ndarray) -> None:
    shown = letters(differ, list(range(len(differ))))
    groups = {letter: {arm for arm, own in enumerate(shown) if letter in own} for letter in "".join(shown)}
    assert not any(one < other for one in groups.values() for other in groups.values())


def test_the_smallest_mean_has_the_first_letter() -> None:
    differ = np.array([[False, True], [True, False]])
    assert letters(differ, [2.0, 1.0]) == ("b", "a")
    assert letters(differ, [1.0, 2.0]) == ("a", "b")


def test_more_groups_than_letters() -> None:
    differ = ~np.eye(30, dtype=bool)
    shown = letters(differ, list(range(30)))
    assert shown[:2] == ("a", "b")
    assert shown[26] == "a'"
    assert len(set(shown)) == 30


@settings(max_examples=30, deadline=None)
@given(tables)
def test_rounding_leaves_open_what_the_corners_reach(table: list[Summary]) -> None:
    found = check_p(table, "0.5").open
    corners = []
    for signs in product((-1, 0, 1), repeat=2 * len(table)):
        means = [arm.mean + sign * arm.mean_rounding for arm, sign in zip(table, signs[::2], strict=True)]
        spreads = [arm.deviation + sign * arm.deviation_rounding for arm, sign in zip(table, signs[1::2], strict=True)]
        corners.append(one_way_from_summary(means, spreads, [arm.units for arm in table]).p)
    assert found.low == pytest.approx(min(corners), abs=1e-9)
    # The highest p lies inside the box as a rule, so that corners come close and never beyond.
    assert found.high >= max(corners) - 1e-9
    exact = one_way_from_summary(*zip(*((arm.mean, arm.deviation, arm.units) for arm in table), strict=True)).p
    assert found.low - 1e-9 <= exact <= found.high + 1e-9


def test_many_arms_are_cut_in_two() -> None:
    counts, means = np.full(14, 3.0), np.arange(14.0)
    apart = np.where(means > 6.5, 1.0, -1.0)
    most = summaries._most_between(counts, means, np.full(14, 0.25))
    assert most == pytest.approx(summaries._between(counts, means + 0.25 * apart))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0, 1), sizes), min_size=2, max_size=4))
def test_no_means_within_rounding_lie_closer(columns: list[tuple[float, float, int]]) -> None:
    means, halves, counts = (np.array(column, dtype=float) for column in zip(*columns, strict=True))
    least = summaries._least_between(counts, means, halves)
    tries = np.random.default_rng(0).uniform(-1, 1, (300, len(means))) * halves + means
    assert least <= min(summaries._between(counts, attempt) for attempt in tries) + 1e-9


@settings(max_examples=20, deadline=None)
@given(st.lists(arms, min_size=2, max_size=5))
def test_comparisons_are_in_order(table: list[Summary]) -> None:
    least, tukey, duncan = (pair_p(table, comparison) for comparison in Comparison)
    for p in (least, tukey, duncan):
        assert np.allclose(p, p.T)
        assert np.allclose(np.diag(p), 1)
    # Tukey asks most. Duncan asks at least what the least significant difference does (from his p's definition).
    assert (tukey >= least - 1e-7).all()
    assert (duncan >= least - 1e-7).all()
    if len(table) == 2:
        assert np.allclose(tukey, least, atol=1e-7)
        assert np.allclose(duncan, least, atol=1e-7)


def test_duncan_keeps_pairs_within_a_wider_range_together() -> None:
    # The middle arms lie where they would differ from the low one alone, but the whole range does not differ.
    table = [Summary(name, mean, 1.0, 4) for name, mean in [("a", 0.0), ("b", 1.55), ("c", 1.6)]]
    p = pair_p(table, Comparison.DUNCAN)
    assert p[0, 1] >= p[0, 2]


def test_duncan_at_his_printed_ranges() -> None:
    # Duncan (1955), table of 5 % ranges, 10 degrees of freedom: 3.151 for two means, 3.293 for three (from memory; the
    # two first digits after the point agree with scipy's studentised range at 1 - 0.95^(m - 1)).
    error, units = 1.0, 4
    deviation = np.sqrt(error)
    step = 3.293 * deviation / np.sqrt(units)
    # Three arms of units 4, 4 and 5 have 10 degrees of freedom.
    table = [Summary("a", 0.0, deviation, 4), Summary("b", step / 2, deviation, 5), Summary("c", step, deviation, 4)]
    assert pair_p(table, Comparison.DUNCAN)[0, 2] == pytest.approx(0.05, abs=0.0005)


@pytest.mark.parametrize(
    ("printed_p", "agreement"),
    [
        ("0.013", Agreement.FOLLOWS),
        ("0.01", Agreement.FOLLOWS),
        ("<0.05", Agreement.FOLLOWS),
        ("0.014", Agreement.WITHIN_ROUNDING),
        ("<0.013", Agreement.WITHIN_ROUNDING),
        ("0.03", Agreement.DOES_NOT),
        ("<0.008", Agreement.DOES_NOT),
    ],
)
def test_agreement_of_p(printed_p: str, agreement: Agreement) -> None:
    table = [printed("a", "10.0", "1.0", 5), printed("b", "12.0", "1.0", 5)]  # p = 0.0133, 0.0083 to 0.0211 open
    assert check_p(table, printed_p).agreement is agreement


def test_letters_that_contradict_their_table() -> None:
    def of(first: str, second: str, mean: str = "12.0") -> Agreement:
        table = [printed("a", "10.0", "1.0", 5, first), printed("b", mean, "1.0", 5, second)]
        (pair,) = check_letters(table, Comparison.LEAST)
        return pair.agreement

    assert of("a", "b") is Agreement.FOLLOWS
    assert of("a", "ab") is Agreement.DOES_NOT
    assert of("a", "b", mean="10.5") is Agreement.DOES_NOT
    assert of("a", "b", mean="11.4") is Agreement.WITHIN_ROUNDING  # p = 0.058 as printed
    assert of("a", "a", mean="11.5") is Agreement.WITHIN_ROUNDING  # p = 0.045 as printed


def test_arms_without_spread_within_rounding() -> None:
    table = [printed("a", "3", "0.0", 3, "b"), Summary("b", 2.0, 0.04, 3, "a", 0.5, 0.05)]
    (pair,) = check_letters(table, Comparison.TUKEY)
    assert pair.open.low == 0
    assert check_p(table, "0.00").open.low == 0


def test_refusals() -> None:
    for text in ("", "a", "1,5", "<0.05", "1.2.3"):
        with pytest.raises(NotAPrintedNumber):
            printed("a", text, "1.0", 3)
    with pytest.raises(NotAPrintedNumber):
        check_p([Summary("a", 1, 1, 3), Summary("b", 2, 1, 3)], "n.s.")
    with pytest.raises(LettersMissing):
        check_letters([Summary("a", 1, 1, 3, "a"), Summary("b", 2, 1, 3)], Comparison.LEAST)
    assert issubclass(LettersMissing, CannotCheck)
    assert printed("a", "-1.50", "0.3", 3).mean == -1.5
