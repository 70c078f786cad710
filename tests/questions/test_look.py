"""How many units to look at: the exact numbers, the looks on record, and pests as a range."""

from __future__ import annotations

import math

import pytest

from pinset.farm import Farm
from pinset.questions.catalogue import NoSuchOption
from tests.questions.conftest import Say


def test_a_large_lot_needs_59_looks_for_a_share_of_one_in_twenty(farm: Farm) -> None:
    # Cannon & Roe 1982, as cited by the science's own published test; 0.95^59 = 0.0485 is below 0.05, 0.95^58 is not
    answer = farm.ask("look")
    assert answer.figure("units to look at").value == 59
    assert "Look at 59 units" in answer.headline and answer.standing.word == "settled"


def test_a_finite_lot_needs_fewer_and_a_poor_eye_more(farm: Farm) -> None:
    assert farm.ask("look", units="100").figure("units to look at").value == 45
    assert farm.ask("look", units="100", sensitivity="0.9").figure("units to look at").value == 50
    blind = farm.ask("look", units="20", sensitivity="0.9")
    assert blind.figure("units to look at").value is None and blind.headline.startswith("Not even looking at all")


def test_what_can_be_said_after_none_and_after_some(farm: Farm) -> None:
    # 45 of 100 without a bad one leave at most 4; 2 of 20 of 40 leave 2 to 10 (bad_units' own examples)
    clean = farm.ask("look", units="100", seen="0", of="45")
    assert clean.figure("share that may be bad at most").value == pytest.approx(4)
    assert "can be trusted" in clean.headline and clean.standing.word == "settled"
    some = farm.ask("look", units="40", seen="2", of="20")
    figure = some.figure("share that is bad")
    assert (figure.value, figure.low, figure.high) == pytest.approx((10, 5, 25))
    assert "do not trust" in some.headline


def test_the_looks_on_record_are_counted_with_their_signs(farm: Farm, say: Say) -> None:
    say("make", "2026-03-02", batch="A", units="40", fill="2kg")
    for unit in range(1, 11):
        say("check", "2026-03-09", unit=f"A-{unit:02d}", run="40%")
    say("check", "2026-03-12", unit="A-03", run="50%", signs="mites")
    answer = farm.ask("look", batch="A")
    assert answer.basis.counts == {"units": 40, "looked at": 10, "bad": 1}
    assert "1 of 10 units looked at of 40" in answer.headline
    assert any("2026-03-12" in caution for caution in answer.cautions)
    say("check", "2026-03-14", batch="A", looked_at="30", signs="green", affected="3")
    assert farm.ask("look", batch="A").basis.counts == {"units": 40, "looked at": 30, "bad": 3}


def test_few_clean_looks_leave_it_open_and_say_how_many_more(farm: Farm, say: Say) -> None:
    say("make", "2026-03-02", batch="A", units="40", fill="2kg")
    for unit in range(1, 6):
        say("check", "2026-03-09", unit=f"A-{unit:02d}", run="40%")
    answer = farm.ask("look", batch="A")
    needed = answer.figure("units to look at").value
    assert needed is not None and answer.standing.word == "open"
    assert f"look at {needed - 5} more" in answer.headline and str(round(needed) - 5) in answer.next[0]


def test_pests_are_a_range_over_species_and_a_colder_room_buys_time(farm: Farm) -> None:
    warm, cold = farm.ask("look", units="200", temperature="24"), farm.ask("look", units="200", temperature="20")
    for answer in (warm, cold):
        figure = answer.figure("doubling of pests")
        assert figure.low is not None and figure.high is not None and 0 < figure.low < figure.high
        assert (figure.count or 0) > 1
        assert any("advises no treatment" in caution for caution in answer.cautions)
    assert (warm.figure("days between looks").low or 0) <= (cold.figure("days between looks").low or 0)
    # Brennandania lambi doubles in ln 2 / 0.22 = 3.15 days at 24 °C (Gao & Zou 2001, abstract)
    row = next(row for row in warm.table("pests").rows if str(row[0]).startswith("Brennandania"))
    assert row[1] == pytest.approx(math.log(2) / 0.22)


def test_where_no_pest_was_measured_nothing_is_guessed(farm: Farm) -> None:
    answer = farm.ask("look", units="50", temperature="45")
    assert [table.name for table in answer.tables] == ["needed"]
    assert any("not guessed" in caution for caution in answer.cautions)


@pytest.mark.parametrize(
    "given", [{"share": "5"}, {"confidence": "1"}, {"units": "0"}, {"units": "9", "of": "12"}, {"batch": "NONE"},
              {"lot": "NONE"}, {"seen": "2"}]
)  # fmt: skip
def test_what_cannot_be_is_said_with_the_option_it_came_in(farm: Farm, given: dict[str, str]) -> None:
    with pytest.raises(NoSuchOption, match="needed"):
        farm.ask("look", **given)


def test_a_lot_is_counted_by_its_vessels(farm: Farm, say: Say) -> None:
    say("receive", "2026-01-05", lot="G1", what="spawn", item="rye", number="20")
    answer = farm.ask("look", lot="G1")
    assert answer.basis.counts["units"] == 20 and answer.figure("units to look at").value == 19
