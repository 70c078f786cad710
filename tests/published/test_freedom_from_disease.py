"""Chances to see, and numbers to look at, come out as they are printed for surveys of disease."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pinset.science.looking import Eye, chance_clean, chance_seen, looks_needed, plan_looks

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def lot(row: dict[str, str]) -> int | None:
    return int(row["lot"]) if row["lot"] else None


@pytest.mark.parametrize("row", rows("freedom_from_disease.csv"), ids=lambda row: " ".join(row.values()))
def test_chances_to_see(row: dict[str, str]) -> None:
    eye = Eye(float(row["sensitivity"]), float(row["specificity"]))
    found = chance_seen(float(row["share"]), int(row["looked"]), lot(row), eye, int(row["cut"]))
    # Half a unit in the last printed place.
    assert found == pytest.approx(float(row["printed"]), abs=0.51 * 10 ** -len(row["printed"].partition(".")[2]))


@pytest.mark.parametrize("row", rows("looks_needed.csv"), ids=lambda row: " ".join(row.values()))
def test_numbers_to_look_at(row: dict[str, str]) -> None:
    found = looks_needed(float(row["share"]), 0.95, lot(row), Eye(float(row["sensitivity"])))
    assert found == int(row["printed"])


@pytest.mark.parametrize(
    ("share", "sensitivity", "printed_looks", "printed_cut"),
    [(0.05, 0.9, 221, 8), (0.10, 0.9, 82, 4), (0.05, 0.95, 194, 7)],
)
def test_plans_for_an_eye_that_errs_both_ways(
    share: float, sensitivity: float, printed_looks: int, printed_cut: int
) -> None:
    # epiR's vignette epiR_surveillance, example 2, and its help page rsu.sssep.rsfreecalc (read): 5,000 herds,
    # specificity 0.98, 95 % both ways. They say "a cut-point of 8 or more" where their own chances are those of more
    # than 8, as in Cameron & Baldock (1998): a cut of 9 in the words used here.
    plan = plan_looks(share, lot=5000, eye=Eye(sensitivity, 0.98))
    assert plan is not None
    assert (plan.looked, plan.cut) == (printed_looks, printed_cut + 1)


@pytest.mark.parametrize(
    ("approximate", "number", "bad", "confidence"),
    [(13, 100, 5, 0.5), (28, 100, 5, 0.8), (37, 100, 5, 0.9), (46, 100, 5, 0.95), (78, 80, 2, 0.95), (46, 80, 5, 0.95)],
)
def test_tables_by_the_usual_approximation_ask_for_a_little_more(
    approximate: int, number: int, bad: int, confidence: float
) -> None:
    # RSurveillance's n.hypergeo, help page output (read); the last two with sensitivity 0.8.
    eye = Eye(0.8 if number == 80 else 1.0)
    exact = looks_needed(bad / number, confidence, number, eye)
    assert exact is not None
    assert approximate - 3 <= exact <= approximate


def test_chance_of_being_clean_after_ten_rounds() -> None:
    # RSurveillance 0.2.1 tests, pfree.calc(rep(0.4, 10), 0.01, 0.5) and pfree.1 (read).
    printed = [
        0.6203008,
        0.7261937,
        0.8099976,
        0.8709093,
        0.9124970,
        0.9396922,
        0.9569776,
        0.9677666,
        0.9744246,
        0.9785045,
    ]
    assert chance_clean([0.4] * 10, prior=0.5, introduced=0.01).tolist() == pytest.approx(printed, abs=5e-8)
    for seen, clean in ((0.44, 0.6364104), (0.51, 0.6667116), (0.58, 0.7000424), (0.6, 0.7101865), (0.47, 0.6490526)):
        assert chance_clean(seen, prior=0.5, introduced=0.01)[0] == pytest.approx(clean, abs=5e-8)
