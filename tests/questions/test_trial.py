"""Setting up a trial: as many days as this farm's own variation asks for, drawn from a recorded seed."""

from __future__ import annotations

import shlex
from collections import Counter

import pytest

from pinset.farm import Farm
from pinset.questions.answer import Answer
from pinset.questions.trial import CannotSetUp
from pinset.science.power import Design, GivenTo, VarianceParts, trial_power
from tests.questions.conftest import Say
from tests.questions.growing import Grown

WAYS = {"arms": "plain,fed"}


def _value(answer: Answer, name: str) -> float:
    value = answer.figure(name).value
    assert value is not None
    return value


def test_a_farm_without_a_record_is_asked_for_a_mean(farm: Farm) -> None:
    answer = farm.ask("trial", **WAYS)
    assert answer.standing.word == "open" and "--mean" in answer.next[0]


def test_without_a_record_the_assumption_is_named_with_its_source(farm: Farm) -> None:
    answer = farm.ask("trial", mean=0.25, difference=0.05, units=4, **WAYS)
    assert answer.standing.word == "open" and "Advances in Agriculture 2019" in answer.standing.reason
    # 4 units a batch and 10 days is what `cheapest_design`'s example finds for the same numbers
    assert _value(answer, "make days") == 10 and _value(answer, "units") == 80


def test_the_variance_parts_come_from_the_record(farm: Farm) -> None:
    Grown({"old": 0.5, "new": 0.6}, days=30, units=5, day_sd=0.06, batch_sd=0.04, unit_sd=0.05).note(farm)
    answer = farm.ask("trial", **WAYS)
    assert answer.standing.word == "settled" and answer.basis.counts["batches"] > 50
    assert _value(answer, "days differ by") == pytest.approx(0.06, rel=0.4)
    assert _value(answer, "batches differ by") == pytest.approx(0.04, rel=0.4)
    assert _value(answer, "units differ by") == pytest.approx(0.05, rel=0.15)


def test_the_days_are_the_fewest_that_find_the_difference(farm: Farm) -> None:
    Grown({"old": 0.5, "new": 0.5}, days=20, units=6).note(farm)
    answer = farm.ask("trial", difference=0.05, decides="yield", **WAYS)
    parts = VarianceParts(0.0, _value(answer, "batches differ by") ** 2, _value(answer, "units differ by") ** 2, "")
    days, units = int(_value(answer, "make days")), int(_value(answer, "units"))
    each = units // days // 2
    assert each == 6, "as batches usually are"
    powers = [trial_power(Design(2, some, each, GivenTo.BATCH), parts, 0.05) for some in (days - 1, days) if some > 1]
    assert powers[-1] >= 0.8 and all(power < 0.8 for power in powers[:-1])
    assert abs(_value(answer, "chance to find it") / 100 - powers[-1]) < 0.04, "simulation and formula agree"


def test_money_decides_where_there_is_a_price(farm: Farm, say: Say) -> None:
    Grown({"old": 0.5, "new": 0.5}, days=6).note(farm)
    in_kilos = farm.ask("trial", **WAYS)
    say("dispatch", "2026-05-01", to="market", weight="10kg", price="12")
    answer = farm.ask("trial", **WAYS)
    assert answer.figure("mean").unit == "EUR per 100 shelf-days" and in_kilos.figure("mean").unit == "kg a unit"
    # units stand 30 days: 100 shelf-days are 100/30 units, each of them worth its kilos at 12 EUR (worked by hand)
    assert _value(answer, "mean") == pytest.approx(_value(in_kilos, "mean") * 12 * 100 / 30, rel=1e-6)
    assert _value(answer, "chance to find it") == pytest.approx(_value(in_kilos, "chance to find it"), abs=5)


def test_what_it_costs_follows_from_the_cost_of_a_unit(farm: Farm, say: Say) -> None:
    Grown({"old": 0.5, "new": 0.5}, days=4, extra={"old": {"recipe": "oak"}, "new": {"recipe": "oak"}}).note(farm)
    say("define", "2026-01-01", what="price", name="oak", amount="0.50", per="kg")
    answer = farm.ask("trial", blocks=5, units=6, **WAYS)
    # 60 units of 2 kg at 0.50 (worked by hand)
    assert _value(answer, "cost") == pytest.approx(60.0, abs=0.5) and "about 60 EUR" in answer.headline


def test_every_unit_has_its_place_its_arm_and_a_code_of_its_own(farm: Farm) -> None:
    answer = farm.ask("trial", mean=0.3, blocks=4, units=6, levels="6,6", given_to="unit", **WAYS)
    rows = answer.table("make sheet").rows
    assert len(rows) == 48 and len({row[-1] for row in rows}) == 48
    assert set(Counter((row[0], row[2]) for row in rows).values()) == {6}, "six of each arm on each day"
    assert set(Counter((row[2], row[4]) for row in rows).values()) == {12}, "each arm alike on both levels"
    told = " ".join(str(cell) for row in answer.table("labels").rows for cell in row)
    assert "plain" not in told and "fed" not in told
    first = str(answer.table("order").rows[0][1]).split(",")
    assert first == [row[2] for row in rows if row[0] == 1]


def test_the_line_to_note_is_taken_as_it_stands_and_draws_the_same_trial_again(farm: Farm, say: Say) -> None:
    asked = {"name": "spring hulls", "blocks": 3, "units": 4, "mean": 0.3}
    before = farm.ask("trial", arms="as now,hulls 20 %", difference=0.05, decides="yield", **asked)
    line = shlex.split(before.next[0].partition(": ")[2])
    assert line[:3] == ["pinset", "note", "define"]
    say("define", "2026-03-01", **dict(word.split("=", 1) for word in line[3:]))
    after = farm.ask("trial", **asked)
    assert after.table("make sheet") == before.table("make sheet")
    assert _value(after, "chance to find it") == _value(before, "chance to find it")
    assert not any("note define" in said.replace("pinset ", "") for said in after.next)


def test_a_trial_that_is_too_small_is_called_so(farm: Farm) -> None:
    answer = farm.ask("trial", mean=0.3, blocks=2, difference=0.01, **WAYS)
    assert any("too small a trial" in caution for caution in answer.cautions)


def test_contamination_and_days_are_planned_in_their_own_units(farm: Farm) -> None:
    Grown({"old": 0.5, "new": 0.5}, days=6, bad={"old": 0.3, "new": 0.3}, run={"old": 14.0, "new": 15.0}).note(farm)
    bad = farm.ask("trial", decides="contamination", **WAYS)
    assert bad.figure("mean").unit == "%" and 10 < _value(bad, "mean") < 50
    run = farm.ask("trial", decides="days", **WAYS)
    assert run.figure("mean").unit == "days" and 12 < _value(run, "mean") < 17


@pytest.mark.parametrize(("words", "said"), [
    ({"arms": "plain"}, "two or more different arms"),
    ({"arms": "plain,fed", "control": "other"}, "'other' among them"),
    ({"given_to": "farm"}, "batch or unit"),
    ({"decides": "luck"}, "money, yield, days or contamination"),
    ({"levels": "many", "mean": 0.3}, "whole numbers"),
    ({"levels": "3,3", "units": 6, "mean": 0.3}, "must add up"),
    ({"blocks": 1, "mean": 0.3}, "2 or more blocks"),
])  # fmt: skip
def test_words_that_describe_no_trial_are_refused(farm: Farm, words: dict[str, object], said: str) -> None:
    with pytest.raises(CannotSetUp, match=said):
        farm.ask("trial", **words)
