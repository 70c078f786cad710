"""What people type becomes what is meant, or a sentence that says what was needed."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.journal import codes, measures
from pinset.journal.entry import NotAnEntry
from pinset.journal.farms import settings
from pinset.journal.kinds import KINDS, SIGNS, Sign, plain
from pinset.journal.said import body_said, moment_said, noon, stored


@pytest.mark.parametrize(("kind", "words", "body"), [
    ("pick", {"unit": "KB001-01", "weight": "0,328 kg"}, {"units": ["KB001-01"], "weight_mg": 328_000}),
    ("pick", {"batch": "KB001", "weight": "5 lb"}, {"batch": "KB001", "weight_mg": 2_267_962}),
    ("check", {"units": "A-09..11; B-01", "run": "40 %", "signs": "green,mites"},
     {"units": ["A-09", "A-10", "A-11", "B-01"], "run": 0.4, "signs": ["green", "mites"]}),
    ("make", {"batch": "A", "units": "8", "fill": "2.2kg", "spawn": "G1:0.7kg, G2", "checked_codes": "yes"},
     {"batch": "A", "units": 8, "fill_mg": 2_200_000, "spawn": [{"lot": "G1", "weight_mg": 700_000}, {"lot": "G2"}],
      "checked_codes": True}),
    ("define", {"what": "recipe", "name": "oak", "parts": "oak:80 %;bran:0.2"},
     {"what": "recipe", "name": "oak",
      "parts": [{"ingredient": "oak", "share": 0.8}, {"ingredient": "bran", "share": 0.2}]}),
    ("treat", {"load": "6", "method": "pasteurise", "celsius": "149 F", "held": "1.5 h"},
     {"load": "6", "method": "pasteurise", "celsius": 65.0, "held_min": 90}),
    ("work", {"task": "picking", "minutes": "2 h"}, {"task": "picking", "minutes": 120}),
    ("dispatch", {"to": "market", "weight": "33kg", "price": "€ 11,50"},
     {"to": "market", "weight_mg": 33_000_000, "price_minor": 1150}),
])  # fmt: skip
def test_words_become_the_body(kind: str, words: dict[str, str], body: dict[str, object]) -> None:
    said = body_said(kind, words)
    assert said == body
    KINDS[kind].model_validate(said)


@pytest.mark.parametrize(("kind", "words", "needed"), [
    ("pick", {"weigt": "1kg"}, "a field of pick"),
    ("pick", {"weight": "heavy"}, "does not read as a number"),
    ("pick", {"weight": "3 cups"}, "a weight is given in"),
    ("pick", {"flush": "1.5"}, "a whole number"),
    ("pick", {"units": "A-05..02"}, "a range that runs upwards"),
    ("make", {"checked_codes": "perhaps"}, "yes or no"),
    ("guess", {}, "one of define"),
    ("check", {"run": "3 kg"}, "a share is given in"),
    ("treat", {"celsius": "60 K"}, "a temperature is given in"),
])  # fmt: skip
def test_words_that_say_nothing_are_answered(kind: str, words: dict[str, str], needed: str) -> None:
    with pytest.raises(NotAnEntry, match=needed):
        body_said(kind, words)


@pytest.mark.parametrize(("text", "mark", "number"), [
    ("1,5", None, "1.5"), ("1.5", ",", "1.5"), ("1,500", ".", "1500"), ("1.500", ",", "1500"), ("1.500", None, "1.500"),
    ("1,500", ",", "1.500"), ("12'345.5", None, "12345.5"), ("1 234,5", None, "1234.5"), ("-0,146", None, "-0.146"),
    ("1.234.567", None, "1234567"), ("0,150", None, "0.150"), ("+3", None, "3"),
    ("1,234.5", None, "1234.5"),
])  # fmt: skip
def test_numbers_in_many_hands(text: str, mark: str | None, number: str) -> None:
    assert measures.split_number(text, mark)[0] == Decimal(number)


@pytest.mark.parametrize(("text", "fault"), [
    ("1,500", measures.AmbiguousNumber), ("1,2,3", measures.NotANumber), ("12,34.5", measures.NotANumber),
    ("", measures.NotANumber), ("kg", measures.NotANumber), ("1.2.3,4", measures.NotANumber),
])  # fmt: skip
def test_numbers_with_two_readings_or_none_are_refused(text: str, fault: type[Exception]) -> None:
    with pytest.raises(fault):
        measures.split_number(text)


@given(st.decimals(0, 10_000, places=3), st.sampled_from(".,"))
def test_a_number_written_with_a_known_mark_is_read_back(number: Decimal, mark: str) -> None:
    text = str(number).replace(".", mark)
    assert measures.split_number(text, mark)[0] == number
    assert measures.milligrams(f"{text} kg", decimal_mark=mark) == number * 1_000_000


@given(st.text("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", min_size=2, max_size=12), st.data())
def test_a_single_wrong_character_of_a_checked_code_is_noticed(code: str, data: st.DataObject) -> None:
    whole = codes.checked(code)
    place = data.draw(st.integers(0, len(whole) - 1))
    wrong = data.draw(
        st.sampled_from([each for each in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ" if each != whole[place]])
    )
    assert codes.is_checked(whole)
    assert not codes.is_checked(whole[:place] + wrong + whole[place + 1 :])


def test_codes_stay_within_twenty_characters() -> None:
    with pytest.raises(codes.CodeTooLong):
        codes.checked("A" * 20)
    assert not codes.is_checked("7")


def test_ids_sort_by_the_time_they_were_made() -> None:
    made = [codes.new_id(now_ms) for now_ms in (1, 2, 3_000_000_000_000)]
    assert made == sorted(made)
    assert codes.id_from("a")[14] == "8"


@pytest.mark.parametrize(("text", "moment"), [
    ("2026-03-02", "2026-03-02T12:00:00+01:00"), ("2026-07-02T09:30", "2026-07-02T09:30:00+02:00"),
    ("2026-03-02T09:30:00Z", "2026-03-02T09:30:00+00:00"),
    ("", "2026-01-05T09:00:00+01:00"), ("now", "2026-01-05T09:00:00+01:00"),
])  # fmt: skip
def test_moments(text: str, moment: str) -> None:
    assert moment_said(text, "Europe/Vienna", datetime(2026, 1, 5, 8, tzinfo=UTC)) == moment


def test_a_moment_that_is_none_says_what_was_needed() -> None:
    with pytest.raises(NotAnEntry, match="a date as"):
        moment_said("02/03/2026", "Europe/Vienna", datetime(2026, 1, 5, tzinfo=UTC))
    assert noon(date(2028, 2, 29), "America/New_York") == "2028-02-29T12:00:00-05:00"


@pytest.mark.parametrize(("kind", "body", "words"), [
    ("pick", {"weight_mg": 1}, "exactly one of units, batch, room; came: none"),
    ("pick", {"weight_mg": 1, "batch": "A", "room": "B"}, "came: batch and room"),
    ("move", {"room": "A", "to": "B"}, "exactly one of units, batch;"),
    ("make", {"batch": "A", "units": 2, "fill_mg": 1, "total_mg": 2}, "not both"),
    ("make", {"batch": "A", "units": 2, "arm": "x"}, "name the trial"),
    ("make", {"batch": "A", "units": 2, "trial": "t", "unit_arms": ["x"]}, "1 arms for 2 units"),
    ("define", {"what": "price", "name": "x"}, "a price needs amount_minor, per"),
    ("define", {"what": "trial", "name": "x", "arms": ["a"], "control": "b"}, "not one of the arms"),
])  # fmt: skip
def test_bodies_that_contradict_themselves_are_refused(kind: str, body: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        KINDS[kind].model_validate(body)


def test_every_sign_is_explained_and_every_field_can_be_said() -> None:
    assert set(get_args(Sign)) == set(SIGNS)
    for kind, model in KINDS.items():
        for field in model.model_fields:
            assert stored(kind, field) == field
    assert plain(KINDS["note"](text="x")) == {"text": "x"}  # type: ignore[call-arg]


def test_money_follows_its_currency() -> None:
    assert [settings("x", currency, "UTC", ".", "").minor_digits for currency in ("eur", "JPY", "KWD")] == [2, 0, 3]
