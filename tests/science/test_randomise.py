from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.science import randomise as lots
from pinset.science.randomise import (
    SYMBOLS,
    CannotRandomise,
    NothingToPlace,
    Placement,
    PlacesDoNotFit,
    SeedNegative,
    TooFewArms,
    balance,
    blind_codes,
    randomise,
    tie,
)


@st.composite
def trials(draw: st.DrawFn) -> tuple[list[str], int, int, list[int], tuple[Placement, ...]]:
    arms = [f"arm {number}" for number in range(draw(st.integers(2, 6)))]
    blocks, units = draw(st.integers(1, 9)), draw(st.integers(1, 7))
    cuts = sorted(draw(st.lists(st.integers(0, len(arms) * units), max_size=4)))
    levels = np.diff([0, *cuts, len(arms) * units]).tolist()
    seed = draw(st.integers(0, 2**80))
    return arms, blocks, units, levels, randomise(arms, blocks, units, seed, levels)


@given(trials())
def test_every_block_is_whole_and_even(
    trial: tuple[list[str], int, int, list[int], tuple[Placement, ...]],
) -> None:
    arms, blocks, units, levels, placements = trial
    assert Counter((unit.block, unit.arm) for unit in placements) == {
        (block, arm): units for block in range(1, blocks + 1) for arm in arms
    }
    for block in range(1, blocks + 1):
        here = [unit for unit in placements if unit.block == block]
        spots = {(unit.level, unit.place) for unit in here}
        assert spots == {(level, place) for level, size in enumerate(levels, 1) for place in range(1, size + 1)}
        assert balance(here).widest["level"] <= 1
        assert {unit.arm: unit.turn for unit in here}.keys() == set(arms)
        assert sorted({unit.turn for unit in here}) == list(range(1, len(arms) + 1))


@given(trials())
def test_a_whole_round_is_exactly_even(
    trial: tuple[list[str], int, int, list[int], tuple[Placement, ...]],
) -> None:
    arms, blocks, _, _, placements = trial
    whole = blocks - blocks % len(arms)
    if whole:
        assert balance([unit for unit in placements if unit.block <= whole]).widest == {
            "block": 0,
            "level": 0,
            "turn": 0,
        }
    left_over = blocks % len(arms)
    assert balance(placements).widest["level"] <= left_over
    assert balance(placements).widest["turn"] <= trial[2]  # a block left over gives each turn to one arm


@given(trials())
def test_codes_are_all_different(trial: tuple[list[str], int, int, list[int], tuple[Placement, ...]]) -> None:
    codes = [unit.code for unit in trial[-1]]
    assert len(set(codes)) == len(codes)
    assert set("".join(codes)) <= set(SYMBOLS)


def test_a_seed_gives_the_same_draw_for_ever() -> None:
    # Written down once: a change here breaks the promise that a recorded draw can be repeated.
    trial = randomise(["control", "bran", "gypsum"], 4, 2, seed=1906, levels=[3, 2, 1])
    drawn = "".join(unit.arm[0] for unit in trial)
    assert drawn == "bgcbgcgbcgcbcbgcbggcbgbc"
    assert [unit.code for unit in trial[:4]] == ["MWC", "N73", "RFF", "T76"]


def test_codes_do_not_hang_on_the_arms() -> None:
    one = randomise(["A", "B"], 3, 4, seed=5)
    other = randomise(["other", "names"], 3, 4, seed=5, levels=[3, 5])
    assert [unit.code for unit in one] == [unit.code for unit in other]


def test_many_codes_grow_longer() -> None:
    assert {len(code) for code in blind_codes(400, 1)} == {3}
    assert {len(code) for code in blind_codes(401, 1)} == {4}


def test_every_order_is_equally_likely() -> None:
    draws = 6000
    seen = Counter(tuple(lots._Lot(seed).shuffled("abc")) for seed in range(draws))
    assert len(seen) == 6
    expected = draws / 6
    # Chi-squared with 5 degrees of freedom exceeds 20.5 once in a thousand; the seeds are fixed, so this is stable.
    assert sum((count - expected) ** 2 / expected for count in seen.values()) < 20.5


def test_below_passes_over_what_would_tilt_it(monkeypatch: pytest.MonkeyPatch) -> None:
    class Bits:
        def __init__(self, seed: list[int]) -> None:
            self.numbers = iter([2**64 - 1, 7])

        def random_raw(self) -> int:
            return next(self.numbers)

    monkeypatch.setattr(np.random, "PCG64", Bits)
    assert lots._Lot(0).below(3) == 1  # 2^64 - 1 is the largest multiple of 3 below 2^64, so it is passed over


def test_each_arm_comes_to_each_place() -> None:
    seen = Counter(
        (unit.level, unit.place, unit.arm)
        for seed in range(400)
        for unit in randomise(["A", "B"], 1, 2, seed, levels=[2, 2])
    )
    for count in seen.values():
        assert abs(count - 200) < 4 * np.sqrt(400 / 4)


@pytest.mark.parametrize(
    ("arms", "blocks", "units", "seed", "levels", "refusal"),
    [
        (["A"], 2, 2, 1, None, TooFewArms),
        (["A", "A"], 2, 2, 1, None, TooFewArms),
        (["A", "B"], 0, 2, 1, None, NothingToPlace),
        (["A", "B"], 2, 0, 1, None, NothingToPlace),
        (["A", "B"], 2, 2, -1, None, SeedNegative),
        (["A", "B"], 2, 2, 1, [3, 2], PlacesDoNotFit),
        (["A", "B"], 2, 2, 1, [5, -1], PlacesDoNotFit),
    ],
)
def test_refusals(
    arms: list[str], blocks: int, units: int, seed: int, levels: list[int] | None, refusal: type[CannotRandomise]
) -> None:
    with pytest.raises(refusal):
        randomise(arms, blocks, units, seed, levels)


def test_blind_codes_refuse_a_negative_seed() -> None:
    with pytest.raises(SeedNegative):
        blind_codes(3, -1)


def test_tie_lies_between_none_and_all() -> None:
    assert tie(["A"] * 4, ["top", "low", "top", "low"]) == 0
    assert tie(["A", "B", "C"], [1, 2, 3]) == 0
    assert tie(["A", "B"] * 10, [1, 2] * 10) == pytest.approx(1)
    partly = tie(["A"] * 10 + ["B"] * 10, [1] * 8 + [2] * 2 + [1] * 2 + [2] * 8)
    # χ²/n = 0.36; corrected 0.36 - 1/19; k' - 1 = 1 - 1/19
    assert partly == pytest.approx(np.sqrt((0.36 - 1 / 19) / (1 - 1 / 19)))


@given(st.integers(0, 10_000))
def test_a_draw_is_seldom_tied(seed: int) -> None:
    trial = randomise(["A", "B", "C"], 3, 4, seed, levels=[4, 4, 4])
    assert tie([unit.arm for unit in trial], [unit.level for unit in trial]) == 0
