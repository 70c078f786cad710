"""A day is read as it was meant, or not at all."""

from __future__ import annotations

from datetime import date, datetime, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.intake.dates import Order, is_day, needs_order, order_shown, read_clock, read_day
from pinset.intake.problem import CannotRead
from pinset.intake.table import Cell

DAYS = st.dates(date(2000, 1, 1), date(2099, 12, 31))


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("2026-03-02", date(2026, 3, 2)),
        ("2026/3/2", date(2026, 3, 2)),
        ("20260302", date(2026, 3, 2)),
        ("02 Mar 2026", date(2026, 3, 2)),
        ("2-Mar-26", date(2026, 3, 2)),
        ("March 2nd, 2026", date(2026, 3, 2)),
        ("Mon 2 Mar 2026", date(2026, 3, 2)),
        ("2. März 2026", date(2026, 3, 2)),
        ("Montag, 2. März 2026", date(2026, 3, 2)),
        ("2 de marzo de 2026", date(2026, 3, 2)),
        ("lunes 2 de marzo de 2026", date(2026, 3, 2)),
        ("1er août 2026", date(2026, 8, 1)),
        ("13/03/2026", date(2026, 3, 13)),
        ("13.3.26", date(2026, 3, 13)),
        ("03/13/2026", date(2026, 3, 13)),
        ("05/05/2026", date(2026, 5, 5)),
        (46083, date(2026, 3, 2)),
        (46083.0, date(2026, 3, 2)),
        (46083.75, datetime(2026, 3, 2, 18)),
        (datetime(2026, 3, 2), date(2026, 3, 2)),
        (date(2026, 3, 2), date(2026, 3, 2)),
        ("2026-03-02 14:30", datetime(2026, 3, 2, 14, 30)),
        ("2026-03-02T14:30:00", datetime(2026, 3, 2, 14, 30)),
        ("2 Mar 2026, 2:30 pm", datetime(2026, 3, 2, 14, 30)),
    ],
)
def test_days_that_can_be_read_in_one_way_only(cell: Cell, day: date) -> None:
    assert read_day(cell) == day


@pytest.mark.parametrize(
    "cell",
    [
        "181", 181, "0.328", 0.328, "KB001-01", "", "small caps", "Mar 2026", "2026", "31.04.2025", "29 Feb 2026",
        "13/13/2026", "2/3/4/5", "March", "2026-13-01", "1.5", True, None, "-", "12 eggs 2026", "2 or 3 March 2026",
        "ver foto", "TOTAL", 99999999, -5, "2026-03-02 25:00",
    ],
)  # fmt: skip
def test_what_is_no_day_never_becomes_one(cell: Cell) -> None:
    with pytest.raises(CannotRead) as refused:
        read_day(cell)
    assert refused.value.needed
    assert not is_day(cell)


@pytest.mark.parametrize("cell", ["02/03/2026", "2.3.26", "1-12-2026"])
def test_a_day_that_can_be_read_in_two_ways_is_refused_and_says_how_to_settle_it(cell: str) -> None:
    with pytest.raises(CannotRead, match="one way only") as refused:
        read_day(cell)
    assert 'date_order = "d/m/y"' in refused.value.mend


@given(day=DAYS, order=st.sampled_from(("d/m/y", "m/d/y")), mark=st.sampled_from("/.-"), short=st.booleans())
def test_an_order_once_known_reads_every_day(day: date, order: Order, mark: str, short: bool) -> None:
    year = f"{day:%y}" if short else str(day.year)
    parts = [str(day.day), str(day.month)] if order == "d/m/y" else [str(day.month), str(day.day)]
    assert read_day(mark.join([*parts, year]), order) == day


@given(day=DAYS, order=st.sampled_from(("d/m/y", "m/d/y")))
def test_without_an_order_a_day_is_right_or_refused(day: date, order: Order) -> None:
    text = f"{day:%d/%m/%Y}" if order == "d/m/y" else f"{day:%m/%d/%Y}"
    try:
        found = read_day(text)
    except CannotRead:
        assert day.day <= 12
        assert day.day != day.month
    else:
        assert found == day


@given(days=st.lists(DAYS, min_size=1, max_size=30), order=st.sampled_from(("d/m/y", "m/d/y")))
def test_a_column_proves_only_its_true_order(days: list[date], order: Order) -> None:
    texts = [f"{day:%d/%m/%Y}" if order == "d/m/y" else f"{day:%m/%d/%Y}" for day in days]
    assert order_shown(texts) == (order if any(day.day > 12 for day in days) else None)
    assert needs_order(texts) == any(day.day <= 12 and day.day != day.month for day in days)


def test_rows_that_contradict_one_another_are_seen() -> None:
    assert order_shown(["13/02/2026", "02/13/2026"]) == "both"


def test_an_order_that_is_set_holds_for_every_row() -> None:
    with pytest.raises(CannotRead, match="calendar"):
        read_day("13/02/2026", "m/d/y")


def test_a_day_without_its_year_asks_for_it() -> None:
    with pytest.raises(CannotRead, match="year") as refused:
        read_day("2 Mar")
    assert "year = 2026" in refused.value.mend
    assert read_day("2 Mar", year=2026) == date(2026, 3, 2)
    assert read_day("13/3", year=2026) == date(2026, 3, 13)


@pytest.mark.parametrize(
    ("cell", "clock"),
    [("14:30", time(14, 30)), ("2:30 pm", time(14, 30)), ("12:05 am", time(0, 5)), ("9.15", time(9, 15)),
     ("14h05", time(14, 5)), (time(8, 0), time(8, 0)), (datetime(2026, 3, 2, 7, 45), time(7, 45))],
)  # fmt: skip
def test_times_of_day(cell: Cell, clock: time) -> None:
    assert read_clock(cell) == clock


@pytest.mark.parametrize("cell", ["25:00", "noon", 14, None, "14:75"])
def test_what_is_no_time_of_day(cell: Cell) -> None:
    with pytest.raises(CannotRead, match="time of day"):
        read_clock(cell)
