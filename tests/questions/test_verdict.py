"""The verdict: it tells what is there, holds back where the notes cannot carry it, and names why."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.questions._trial import NoSuchTrial, find_trial, flaws
from pinset.questions.answer import Answer
from pinset.questions.verdict import NotALook
from tests.questions.conftest import Say
from tests.questions.growing import Grown

TWO = {"old way": 0.50, "new way": 0.60}


def _figure(answer: Answer, arm: str, measure: str = "yield") -> tuple[float, float, float]:
    one = answer.figure(f"{measure}: {arm} less control")
    assert one.value is not None and one.low is not None and one.high is not None
    return one.low, one.value, one.high


def test_a_clear_difference_is_told_with_its_interval_and_what_to_do(farm: Farm, say: Say) -> None:
    Grown(TWO).note(farm)
    assert farm.ask("verdict").standing.word == "leaning", "the last batches may still give more"
    say("make", "2026-06-30", batch="LATER", units="1")
    answer = farm.ask("verdict")
    low, value, high = _figure(answer, "new way")
    assert 0 < low < value < high and value == pytest.approx(0.10, abs=0.04)
    assert answer.headline.startswith("New way gave 0.") and "new way is the better way" in answer.headline
    assert answer.standing.word == "settled"
    assert answer.basis.counts["units of new way"] == 36 and "the batch is the experimental unit" in answer.basis.level


def test_no_difference_is_not_settled_rather_than_the_same(farm: Farm) -> None:
    Grown({"old way": 0.5, "new way": 0.5}, days=4, seed=3).note(farm)
    answer = farm.ask("verdict")
    assert answer.standing.word == "open"
    assert "cannot be told from old way" in answer.headline
    assert answer.next


def test_intervals_cover_the_truth_about_as_often_as_they_say(tmp_path: Path) -> None:
    covered = []
    for seed in range(40):
        with Farm.start(tmp_path / str(seed), "x") as farm:
            Grown(TWO, days=4, units=3, seed=seed, weigh="batch").note(farm)
            low, _, high = _figure(farm.ask("verdict"), "new way")
            covered.append(low <= 0.10 <= high)
    # 95 % of 40 is 38; fewer than 34 would happen by chance in about 1 of 100 runs (binomial)
    assert sum(covered) >= 34


def test_units_of_a_batch_do_not_pass_for_independent_trials(tmp_path: Path) -> None:
    """With batches that differ by themselves, many bags must not make a narrow interval of few batches."""
    widths = []
    for units in (3, 30):
        with Farm.start(tmp_path / str(units), "x") as farm:
            Grown(TWO, days=4, units=units, batch_sd=0.08, unit_sd=0.02, seed=5).note(farm)
            low, _, high = _figure(farm.ask("verdict"), "new way")
            widths.append(high - low)
    assert widths[1] > 0.5 * widths[0]


def test_batch_weights_carry_the_same_verdict_as_unit_weights(tmp_path: Path) -> None:
    found = []
    for weigh in ("unit", "batch"):
        with Farm.start(tmp_path / weigh, "x") as farm:
            Grown(TWO, weigh=weigh).note(farm)
            found.append(_figure(farm.ask("verdict"), "new way"))
    assert found[0] == pytest.approx(found[1], abs=1e-5)


def test_contaminated_units_count_as_zero_per_unit_made(farm: Farm) -> None:
    Grown({"old way": 0.5, "new way": 0.5}, bad={"new way": 0.4}, days=8).note(farm)
    answer = farm.ask("verdict")
    rows = {row[0]: row for row in answer.table("arms").rows}
    made, fruited = rows["new way"][8], rows["new way"][9]
    assert isinstance(made, float) and isinstance(fruited, float)
    assert made < 0.4 < fruited
    assert _figure(answer, "new way", "contamination")[0] > 0


def test_days_are_compared_between_checks(farm: Farm) -> None:
    Grown(TWO, run={"old way": 14.0, "new way": 18.0}, days=5).note(farm)
    low, value, _ = _figure(farm.ask("verdict"), "new way", "days")
    assert 2.5 < value < 5.5 and low > 0


def test_arms_given_to_single_units_make_the_unit_the_experimental_unit(farm: Farm, say: Say) -> None:
    say("define", "2026-03-01", what="trial", name="t", arms="plain,fed", control="plain")
    for n in range(4):
        say("make", f"2026-03-{2 + 7 * n:02d}", batch=f"B{n}", units="6", fill="2kg", trial="t",
            unit_arms="plain,fed,plain,fed,plain,fed")  # fmt: skip
        for k in range(6):
            weight = 0.5 + 0.1 * (k % 2) + 0.01 * ((3 * n + k) % 5)
            say("pick", "2026-04-28", unit=f"B{n}-{k + 1:02d}", weight=f"{weight:.3f}kg")
    answer = farm.ask("verdict")
    assert "the unit is the experimental unit" in answer.basis.level
    low, value, high = _figure(answer, "fed")
    assert low > 0.08 and value == pytest.approx(0.10, abs=0.02) and high < 0.13


@pytest.mark.parametrize(("grown", "name", "lowers_to"), [
    (Grown(TWO, shift={"new way": 3}), "no same-day control", "open"),
    (Grown(TWO, skip=[("old way", 0)]), "days without control", "leaning"),
    (Grown(TWO, skip=[("new way", 0)]), "arms missing on days", "leaning"),
    (Grown(TWO, days=1), "one batch per arm", "open"),
    (Grown(TWO, days=2), "few days", "open"),
    (Grown(TWO, lots={"old way": "G1", "new way": "G4"}), "one spawn lot per arm", "leaning"),
    (Grown(TWO, extra={"old way": {"load": "1"}, "new way": {"load": "2"}}), "load goes with arm", "leaning"),
    (Grown(TWO, extra={"old way": {"room": "A"}, "new way": {"room": "B"}}), "room goes with arm", "leaning"),
])  # fmt: skip
def test_each_flaw_of_a_trial_is_named_and_lowers_the_standing(
    farm: Farm, grown: Grown, name: str, lowers_to: str
) -> None:
    grown.note(farm)
    answer = farm.ask("verdict")
    with farm.reader() as ledger:
        found = {flaw.name: flaw for flaw in flaws(find_trial(ledger, None, None, None))}
    assert found[name].lowers_to == lowers_to
    assert answer.standing.word in (lowers_to, "open")
    assert any(found[name].words in caution for caution in answer.cautions)


def test_arms_on_shelves_of_their_own_are_named(farm: Farm, say: Say) -> None:
    Grown(TWO, days=3).note(farm)
    for n in range(3):
        say("move", f"2026-03-{3 + 7 * n:02d}", batch=f"oldway{n:02d}", to="F", shelf="top")
        say("move", f"2026-03-{3 + 7 * n:02d}", batch=f"newway{n:02d}", to="F", shelf="low")
    answer = farm.ask("verdict")
    assert answer.standing.word != "settled"
    assert any(caution.startswith("Position tied to arm") for caution in answer.cautions)
    assert any("change places" in said for said in answer.next)


def test_arms_that_change_shelves_are_no_flaw(farm: Farm, say: Say) -> None:
    Grown(TWO, days=4).note(farm)
    for n in range(4):
        shelves = ("top", "low") if n % 2 else ("low", "top")
        for arm, shelf in zip(("oldway", "newway"), shelves, strict=True):
            say("move", f"2026-03-{3 + 7 * n:02d}", batch=f"{arm}{n:02d}", to="F", shelf=shelf)
    assert not any("Position" in caution for caution in farm.ask("verdict").cautions)


@pytest.mark.parametrize(("days_later", "tied"), [(3, True), (0, False)])
def test_passages_without_a_same_day_control_are_tied_to_the_season(
    farm: Farm, say: Say, days_later: int, tied: bool
) -> None:
    for lot, passage in (("G1", "1"), ("G4", "4")):
        say("receive", "2026-01-01", lot=lot, what="spawn", item="rye", passage=passage, weight="99kg")
    lots = {"old way": "G1", "new way": "G4"}
    Grown(TWO, lots=lots, shift={"new way": days_later}).note(farm)
    answer = farm.ask("verdict")
    assert any(caution.startswith("Passage tied to season") for caution in answer.cautions) is tied
    assert answer.standing.word == ("open" if tied else "leaning")


def test_batches_that_met_on_one_day_only_are_no_ground_for_a_claim(farm: Farm) -> None:
    """Two days of one arm alone and one of both: least squares within days has nothing left to judge the error by."""
    skip = [("old way", 0), ("new way", 1), ("old way", 3), ("new way", 4)]
    Grown(TWO, days=5, skip=skip, day_sd=0.3).note(farm)
    low, value, high = _figure(farm.ask("verdict"), "new way")
    assert low < value < high and high - low < 10
    assert farm.ask("verdict").standing.word != "settled"


def test_looking_again_widens_every_interval_and_says_so(farm: Farm) -> None:
    Grown(TWO, run={"old way": 14.0, "new way": 18.0}).note(farm)
    once, often = farm.ask("verdict"), farm.ask("verdict", looks=5)
    low, value, high = _figure(once, "new way")
    wider_low, same, wider_high = _figure(often, "new way")
    assert same == value and wider_low < low and wider_high > high
    assert "5 looks" in often.figure("yield: new way less control").how and "5 looks" in often.basis.method
    days, later = _figure(once, "new way", "days"), _figure(often, "new way", "days")
    assert later[0] <= days[0] and later[2] >= days[2] and later != days
    with pytest.raises(NotALook, match="came 0"):
        farm.ask("verdict", looks=0)


def test_what_would_settle_an_open_arm_is_days_and_their_chance(farm: Farm) -> None:
    Grown({"old way": 0.5, "new way": 0.53}, days=4, batch_sd=0.03, seed=2).note(farm)
    answer = farm.ask("verdict")
    assert answer.standing.word == "open"
    settle = [said for said in answer.next if "would settle" in said]
    assert len(settle) == 1 and "more day" in settle[0] and "the chance that they do is" in settle[0]


def test_flushes_add_up_to_the_yield(farm: Farm, say: Say) -> None:
    say("define", "2026-03-01", what="trial", name="t", arms="plain,fed", control="plain")
    for n in range(3):
        for k, arm in enumerate(("plain", "fed")):
            say("make", f"2026-03-{2 + 7 * n:02d}", batch=f"{arm}{n}", units="5", fill="2kg", trial="t", arm=arm)
            for flush, kilos in ((1, 2.0 + 0.1 * k + 0.02 * n * k), (2, 1.0 - 0.3 * k + 0.01 * n)):
                say("pick", f"2026-0{4 + flush}-{1 + n:02d}", batch=f"{arm}{n}", weight=f"{kilos}kg", flush=str(flush))
    answer = farm.ask("verdict")
    rows = {(row[0], row[1]): row for row in answer.table("flushes").rows}
    first, second = rows[1, "fed"][3], rows[2, "fed"][3]
    assert isinstance(first, float) and isinstance(second, float)
    assert first == pytest.approx(0.024, abs=1e-9) and second == pytest.approx(-0.06, abs=1e-9)
    assert first + second == pytest.approx(_figure(answer, "fed")[1])


def test_days_to_the_first_pick_lie_between_two_rounds_of_picking(farm: Farm, say: Say) -> None:
    say("define", "2026-03-01", what="trial", name="t", arms="plain,fast", control="plain")
    for n in range(4):
        for arm, day in (("plain", 20), ("fast", 14)):
            say("make", f"2026-03-{2 + 7 * n:02d}", batch=f"{arm}{n}", units="5", fill="2kg", trial="t", arm=arm)
            first = date(2026, 3, 2 + 7 * n) + timedelta(days=day + n % 2)
            say("pick", first.isoformat(), batch=f"{arm}{n}", weight=f"{2 + 0.1 * n}kg")
    answer = farm.ask("verdict")
    low, value, high = _figure(answer, "fast", "first pick")
    assert -12 < low <= value <= high < 0 and value == pytest.approx(-6, abs=2)
    median = {row[0]: row[2] for row in answer.table("first pick").rows}["plain"]
    assert isinstance(median, float) and 14 < median < 21, "before the day of the pick, after the round before"


def test_days_of_batches_that_mostly_never_got_there_are_resampled(farm: Farm, say: Say) -> None:
    Grown(TWO, days=4, run={"old way": 14.0, "new way": 28.5}).note(farm)
    figure = farm.ask("verdict").figure("days: new way less control")
    assert "resampled" in figure.how and figure.low is not None and figure.low > 8
    usual = farm.ask("verdict").figure("first pick: new way less control")
    assert "within their days" in usual.how


def test_every_picture_says_in_words_what_it_shows(farm: Farm) -> None:
    Grown(TWO, run={"old way": 14.0, "new way": 18.0}).note(farm)
    charts = {chart.name: chart for chart in farm.ask("verdict").charts}
    assert set(charts) == {"yield-differences", "yield-points", "days-curves", "first pick-curves"}
    assert all("new way" in chart.alt for chart in charts.values())
    points = charts["yield-points"].spec["layer"][0]["data"]["values"]
    assert len(points) == 12
    curve = charts["days-curves"].spec["data"]["values"]
    assert all(0 <= row["least"] <= row["done"] <= row["most"] <= 100 for row in curve)


def test_a_recipe_that_is_the_arm_is_no_flaw(farm: Farm) -> None:
    Grown(TWO, extra={"old way": {"recipe": "oak"}, "new way": {"recipe": "oak + hulls"}}).note(farm)
    with farm.reader() as ledger:
        assert flaws(find_trial(ledger, None, None, None)) == []


def test_weights_missing_more_often_in_one_arm_are_named(farm: Farm, say: Say) -> None:
    Grown(TWO).note(farm)
    for n in (8, 9):
        say("make", f"2026-05-{n:02d}", batch=f"X{n}", units="6", fill="2kg", trial="t", arm="new way")
        say("make", f"2026-05-{n:02d}", batch=f"Y{n}", units="6", fill="2kg", trial="t", arm="old way")
        say("pick", "2026-06-20", batch=f"Y{n}", weight="3kg")
    assert any("Weights missing unevenly" in caution for caution in farm.ask("verdict").cautions)


def test_money_decides_where_every_cost_is_on_record(farm: Farm, say: Say) -> None:
    recipes = {"old way": {"recipe": "oak", "room": "A"}, "new way": {"recipe": "dear", "room": "A"}}
    Grown({"old way": 0.50, "new way": 0.53}, batch_sd=0.005, unit_sd=0.01, extra=recipes).note(farm)
    for name, amount in (("oak", "0.20"), ("dear", "2.00")):
        say("define", "2026-01-01", what="price", name=name, amount=amount, per="kg")
    for n in range(6):
        say("receive", "2026-01-01", lot=f"L{n}", what="spawn", item="rye", weight="10kg", cost="34")
    say("dispatch", "2026-05-01", to="market", weight="10kg", price="10")
    answer = farm.ask("verdict")
    assert _figure(answer, "new way")[0] > 0, "it yields more"
    assert _figure(answer, "new way", "money")[2] < 0, "and does not pay"
    assert "stay with old way" in answer.headline and "per 100 shelf-days" in answer.headline
    assert {row[-1] for row in answer.table("money").rows} == {"the control", "does not pay"}
    chance = answer.figure("chance that new way pays").value
    assert chance is not None and chance < 2.5
    assert "no worse" not in {table.name for table in answer.tables}, "the other way is the dearer one"


def test_a_cheaper_arm_is_held_against_the_margin_that_its_saving_sets(farm: Farm, say: Say) -> None:
    recipes = {"old way": {"recipe": "dear", "room": "A"}, "new way": {"recipe": "oak", "room": "A"}}
    Grown({"old way": 0.50, "new way": 0.47}, batch_sd=0.02, unit_sd=0.01, days=5, extra=recipes).note(farm)
    for name, amount in (("oak", "0.20"), ("dear", "0.90")):
        say("define", "2026-01-01", what="price", name=name, amount=amount, per="kg")
    for n in range(5):
        say("receive", "2026-01-01", lot=f"L{n}", what="spawn", item="rye", weight="10kg", cost="34")
    say("dispatch", "2026-05-01", to="market", weight="10kg", price="10")
    answer = farm.ask("verdict")
    arm, saving, margin, worst, _, word = answer.table("no worse").rows[0]
    # 2 kg a unit at 0.70 less a kg save 1.40; at 10 a kg sold that is 0.14 kg (worked by hand)
    assert arm == "new way" and saving == pytest.approx(1.40) and margin == pytest.approx(0.14)
    assert isinstance(worst, float) and -0.14 < worst < 0 and word == "no worse than its saving"


def test_an_open_verdict_says_whether_more_days_are_worth_their_cost(farm: Farm, say: Say) -> None:
    recipes = {"old way": {"recipe": "oak", "room": "A"}, "new way": {"recipe": "dear", "room": "A"}}
    Grown({"old way": 0.50, "new way": 0.53}, days=4, batch_sd=0.03, seed=2, extra=recipes).note(farm)
    for name, amount in (("oak", "0.20"), ("dear", "0.22")):
        say("define", "2026-01-01", what="price", name=name, amount=amount, per="kg")
    for n in range(4):
        say("receive", "2026-01-01", lot=f"L{n}", what="spawn", item="rye", weight="10kg", cost="34")
    say("dispatch", "2026-05-01", to="market", weight="10kg", price="10")
    told = " ".join(farm.ask("verdict").next)
    assert "what they teach is worth about" in told and "worth its while" in told
    # a day: 12 units of 2 kg at 0.20 and 0.22, and 1.2 kg of spawn at 3.40 (worked by hand): 9.12 EUR
    assert "One more day of the trial costs 9 EUR to make" in told


def test_days_picked_together_with_other_batches_are_left_out(farm: Farm, say: Say) -> None:
    room = {"old way": {"room": "F"}, "new way": {"room": "F"}}
    Grown(TWO, extra=room).note(farm)
    say("pick", "2026-06-20", room="F", weight="4kg")
    answer = farm.ask("verdict")
    assert any("Picked together" in caution for caution in answer.cautions)
    assert answer.standing.word == "open"


def test_a_trial_without_weights_says_what_to_weigh(farm: Farm, say: Say) -> None:
    say("define", "2026-03-01", what="trial", name="t", arms="a,b", control="a")
    for arm in "ab":
        say("make", "2026-03-02", batch=arm, units="3", fill="2kg", trial="t", arm=arm)
    answer = farm.ask("verdict")
    assert answer.standing.word == "open" and "Weigh" in answer.next[0]


def test_the_trial_has_to_be_named_where_there_are_several(farm: Farm) -> None:
    with pytest.raises(NoSuchTrial, match=r"none is on record.*define what=trial"):
        farm.ask("verdict")
    Grown(TWO).note(farm, "first")
    assert farm.ask("verdict", trial="first").options == {"trial": "first"}
    with pytest.raises(NoSuchTrial, match="first"):
        farm.ask("verdict", trial="second")
