"""A number is read exactly, in the unit that was meant, or not at all."""

from __future__ import annotations

from datetime import time, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.intake.numbers import (
    Mark,
    marks_shown,
    marks_unsure,
    number_and_unit,
    read_celsius,
    read_decimal,
    read_money,
    read_share,
    read_span,
    read_weight,
    read_whole,
)  # fmt: skip
from pinset.intake.problem import CannotRead
from pinset.intake.table import Cell, Unread

MARKS = st.sampled_from((".", ","))
AMOUNTS = st.decimals(Decimal("0.001"), Decimal(9999), places=3)


def written(amount: Decimal, mark: str, digits: int) -> str:
    return f"{amount:.{digits}f}".replace(".", mark)


@given(amount=AMOUNTS, mark=MARKS, digits=st.sampled_from((1, 2, 3)))
def test_a_known_mark_reads_every_number_exactly(amount: Decimal, mark: Mark, digits: int) -> None:
    text = written(amount, mark, digits)
    number, unit = number_and_unit(f"{text} kg", mark, "a weight")
    assert (number, unit) == (Decimal(text.replace(",", ".")), "kg")


@given(amount=AMOUNTS, mark=MARKS, digits=st.sampled_from((1, 2, 3)))
def test_without_a_known_mark_a_comma_is_read_rightly_or_refused(amount: Decimal, mark: Mark, digits: int) -> None:
    text = written(amount, ",", digits)
    try:
        number, _ = number_and_unit(text, None, "a number")
    except CannotRead as refused:
        assert "one way only" in refused.needed
        assert digits == 3
    else:
        assert number == Decimal(text.replace(",", "."))


@given(amounts=st.lists(AMOUNTS, min_size=1, max_size=20), mark=MARKS, digits=st.sampled_from((1, 2, 3)))
def test_a_column_proves_only_its_true_mark(amounts: list[Decimal], mark: Mark, digits: int) -> None:
    texts = [written(amount, mark, digits) for amount in amounts]
    assert marks_shown(texts) <= {mark}
    assert marks_unsure(texts) <= {mark}
    if digits != 3:
        assert marks_shown(texts) == {mark}
        assert marks_unsure(texts) == set()


def test_days_and_codes_prove_no_mark() -> None:
    assert marks_shown(["13.03.26", "1.2.3", "KB001-01", "v1.5b"]) <= {"."}
    assert marks_shown(["13.03.26", "1.2.3", "KB001-01"]) == set()
    assert marks_shown(["1.234.567"]) == {","}


@pytest.mark.parametrize(
    ("cell", "unit", "mark", "milligrams"),
    [
        (0.328, "kg", None, 328_000),
        (2, "kg", None, 2_000_000),
        ("2.2 kg", "", None, 2_200_000),
        ("0,156", "kg", ",", 156_000),
        ("328", "g", None, 328_000),
        ("328g", "kg", None, 328_000),
        ("328 Gramm", "kg", None, 328_000),
        ("1 lb 4 oz", "", None, 566_990),
        ("1lb 4.5oz", "", ".", 581_165),
        ("2 pounds 3 ounces", "kg", None, 992_233),
        ("5 lb", "", None, 2_267_962),
        ("12 oz", "kg", None, 340_194),
        ("1,250", "kg", ",", 1_250_000),
        ("1.250", "kg", ",", 1_250_000_000),
        ("0", "kg", None, 0),
        (0.1 + 0.2, "kg", None, 300_000),
    ],
)
def test_weights(cell: Cell, unit: str, mark: Mark | None, milligrams: int) -> None:
    assert read_weight(cell, unit, mark) == milligrams


@pytest.mark.parametrize(
    ("cell", "unit"),
    [
        ("ver foto", "kg"), ("0.328", ""), (5, ""), (-0.146, "kg"), ("-1 lb", ""), ("3 4", "kg"), ("12 5 kg", ""),
        ("3 bags", ""), ("1e400", "kg"), (1e300, "kg"), (float("nan"), "kg"), (float("inf"), "kg"), (True, "kg"),
        ("0.30.4", "kg"), ("", "kg"), (Unread("a value", "#REF!", "Mend it."), "kg"), ("1 lb of 4 oz", ""),
    ],
)  # fmt: skip
def test_what_is_no_weight_is_refused_with_a_reason(cell: Cell, unit: str) -> None:
    with pytest.raises(CannotRead) as refused:
        read_weight(cell, unit, None)
    assert "weight" in refused.value.needed


def test_a_weight_without_a_unit_says_where_to_write_it() -> None:
    with pytest.raises(CannotRead) as refused:
        read_weight(328, "", None)
    assert "in the map" in refused.value.mend


@pytest.mark.parametrize(
    ("read", "cell", "unit", "value"),
    [
        (read_share, "40 %", "", 0.4), (read_share, 40, "%", 0.4), (read_share, 0.4, "", 0.4),
        (read_share, "100%", "%", 1.0), (read_share, 0, "%", 0.0),
        (read_span, "1.5 h", "", 90), (read_span, 37, "min", 37), (read_span, "2", "h", 120),
        (read_span, timedelta(hours=2), "", 120), (read_span, time(1, 30), "", 90), (read_span, "1:30", "", 90),
        (read_span, "1h 30min", "", 90), (read_span, "40 minutos", "", 40),
        (read_celsius, "207 F", "", 97.222222), (read_celsius, 212, "°f", 100.0), (read_celsius, "97 °C", "°f", 97.0),
        (read_whole, "8 Beutel", "", 8), (read_whole, 8.0, "", 8), (read_whole, "1,200", "", 1200),
        (read_decimal, "45.9 kWh", "kwh", 45.9), (read_decimal, 45.9, "kwh", 45.9),
    ],
)  # fmt: skip
def test_other_values(read: Any, cell: Cell, unit: str, value: float) -> None:
    assert read(cell, unit, ".") == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize(
    ("read", "cell", "unit"),
    [
        (read_share, 140, "%"), (read_share, "-5 %", ""), (read_share, "12 kg", ""), (read_share, 1.5, ""),
        (read_span, 37, ""), (read_span, "-2 h", ""), (read_span, "2 kg", ""), (read_celsius, "97 kg", ""),
        (read_whole, 8.5, ""), (read_whole, -1, ""), (read_whole, "8 kg", ""), (read_decimal, "45 kg", "kwh"),
    ],
)  # fmt: skip
def test_other_values_refused(read: Any, cell: Cell, unit: str) -> None:
    with pytest.raises(CannotRead) as refused:
        read(cell, unit, ".")
    assert refused.value.needed


def test_a_percentage_over_100_is_told_as_one() -> None:
    with pytest.raises(CannotRead, match="0 to 100 %") as refused:
        read_share(140, "%", None)
    assert refused.value.came == "140 %"


@pytest.mark.parametrize(
    ("cell", "digits", "minor"),
    [("€ 18.50", 2, 1850), ("18,50 EUR", 2, 1850), (11.5, 2, 1150), ("$1,200.00", 2, 120_000), ("1200", 0, 1200),
     ("Fr. 3.40", 2, 340), ("3.40 €/kg", 2, 340), ("-5", 2, -500)],
)  # fmt: skip
def test_money(cell: Cell, digits: int, minor: int) -> None:
    assert read_money(cell, digits, None) == minor


@pytest.mark.parametrize("cell", ["free", "3 kg", None])
def test_what_is_no_money(cell: Cell) -> None:
    with pytest.raises(CannotRead, match="money"):
        read_money(cell, 2, None)
