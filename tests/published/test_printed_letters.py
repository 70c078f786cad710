"""Pairs of arms from printed summaries: p-values as R gives them from the units, and letters as a paper prints them.

Every letter of the olive-prunings trial follows from its means and deviations by Duncan's ranges with three or four
bags an arm, and from no other number; the p-values then tell three from four. Read as standard errors the ± would
contradict the letters of five of the seven responses, so they are standard deviations.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pinset.science.summaries import (
    Agreement,
    Comparison,
    Summary,
    check_letters,
    check_p,
    letters,
    pair_p,
    printed,
    read_as_standard_errors,
    units_that_fit,
)

HERE = Path(__file__).parent
ARMS = ("straw", "three_to_one", "one_to_three")
# Means and deviations as R gives them from the values of the two data sets.
GROUPS = {
    "plants": [
        Summary("control", 5.032, 0.583091378, 10),
        Summary("treatment 1", 4.661, 0.793675696, 10),
        Summary("treatment 2", 5.526, 0.442573283, 10),
    ],
    "unequal": [
        Summary("A", 10.5, 1.118033989, 5),
        Summary("B", 12.95, 1.014889157, 4),
        Summary("C", 11.9333333333, 0.898146239, 6),
    ],
}


def rows(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def olive(units: int = 3) -> dict[str, tuple[list[Summary], str]]:
    found = {row["response"]: row for row in rows("olive_letters.csv")}
    return {
        row["response"]: (
            [printed(arm, row[arm], row[f"{arm}_sd"], units, found[row["response"]][arm]) for arm in ARMS],
            row["printed_p"],
        )
        for row in rows("olive_prunings.csv")
    }


@pytest.mark.parametrize("row", rows("pairs_r.csv"), ids=lambda row: " ".join(list(row.values())[:-1]))
def test_pairs_as_r_has_them(row: dict[str, str]) -> None:
    arms = GROUPS[row["data"]]
    names = [arm.name for arm in arms]
    p = pair_p(arms, Comparison(row["comparison"]))
    # The summaries carry nine digits, and so does R's own studentised range.
    assert p[names.index(row["first"]), names.index(row["second"])] == pytest.approx(float(row["printed"]), abs=2e-8)


@pytest.mark.parametrize("response", olive())
def test_letters_follow(response: str) -> None:
    arms, _ = olive()[response]
    assert all(pair.agreement is Agreement.FOLLOWS for pair in check_letters(arms, Comparison.DUNCAN))
    rebuilt = letters(pair_p(arms, Comparison.DUNCAN) < 0.05, [arm.mean for arm in arms])
    assert rebuilt == tuple(arm.letters for arm in arms)


def test_three_or_four_bags_give_all_letters() -> None:
    def followed(units: int) -> int:
        checked = (check_letters(arms, Comparison.DUNCAN) for arms, _ in olive(units).values())
        return sum(all(pair.agreement is Agreement.FOLLOWS for pair in pairs) for pairs in checked)

    assert {units: followed(units) for units in (2, 3, 4, 5)} == {2: 2, 3: 7, 4: 7, 5: 5}


def test_three_bags_give_most_p() -> None:
    tables, p = zip(*olive().values(), strict=True)
    found = units_that_fit(tables, p)
    assert found[3] == 5
    assert max(count for units, count in found.items() if units != 3) <= 3


def test_standard_errors_would_not_follow() -> None:
    checked = {
        response: check_letters(read_as_standard_errors(arms), Comparison.DUNCAN)
        for response, (arms, _) in olive().items()
    }
    against = {
        response for response, pairs in checked.items() if any(pair.agreement is Agreement.DOES_NOT for pair in pairs)
    }
    assert against == {
        "flushes",
        "days to first harvest",
        "biological yield in g per bag",
        "biological efficiency in %",
        "economic yield in g per bag",
    }


def test_printed_p() -> None:
    found = {response: check_p(arms, p).agreement for response, (arms, p) in olive().items()}
    assert found.pop("weight of a mushroom in g") is Agreement.WITHIN_ROUNDING
    assert found.pop("economic yield in g per bag") is Agreement.DOES_NOT
    assert set(found.values()) == {Agreement.FOLLOWS}
