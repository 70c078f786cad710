"""Spawn lines: passages from draws, judged beside a lower one of the same days, or not at all."""

from __future__ import annotations

from pinset.farm import Farm
from pinset.questions._spawn import SpawnBook
from tests.questions.conftest import Say
from tests.questions.growing import Grown


def _family(say: Say) -> None:
    say("receive", "2026-01-05", lot="M", what="culture", item="plate")
    say("receive", "2026-01-05", lot="X", what="spawn", item="rye", passage="2")
    say("draw", "2026-01-10", lot="G1", parents="M", carrier="grain")
    say("draw", "2026-01-20", lot="G2", parents="G1", carrier="grain")
    say("draw", "2026-01-30", lot="MIXED", parents="G1,X", carrier="sawdust")
    say("make", "2026-02-10", batch="A", units="3", fill="2kg", spawn="G2:0.3kg")
    say("draw", "2026-03-10", lot="FROM-UNIT", parents="A-02", carrier="substrate")
    say("draw", "2026-03-10", lot="FROM-NOWHERE", parents="LOST", carrier="grain")


def test_passages_count_the_draws_since_the_culture(farm: Farm, say: Say) -> None:
    _family(say)
    with farm.reader() as ledger:
        book = SpawnBook(ledger)
    assert {code: lot.passage for code, lot in book.lots.items()} == {
        "M": 0, "X": 2, "G1": 1, "G2": 2, "MIXED": 3, "FROM-UNIT": 3, "FROM-NOWHERE": None,
    }  # fmt: skip
    assert book.lots["MIXED"].line == "M + X"
    assert book.lots["FROM-UNIT"].line == "M"
    assert (book.passage("A-02"), book.passage("A")) == (2, 2)


def test_a_lot_drawn_from_itself_has_no_passage_and_stops_nothing(farm: Farm, say: Say) -> None:
    say("draw", "2026-01-10", lot="P", parents="Q", carrier="grain")
    say("draw", "2026-01-10", lot="Q", parents="P", carrier="grain")
    with farm.reader() as ledger:
        assert {lot.passage for lot in SpawnBook(ledger).lots.values()} == {None}
    assert farm.ask("lines").standing.word == "open"


def test_a_tired_passage_is_told_from_a_lower_one_of_the_same_days(farm: Farm, say: Say) -> None:
    _family(say)
    Grown({"fresh": 0.5, "passed on": 0.35}, lots={"fresh": "G1", "passed on": "G2"}).note(farm)
    answer = farm.ask("lines")
    assert answer.headline.startswith("M at passage 2 gave 3") and "lower passage" in answer.headline
    assert answer.standing.word == "leaning" and "one lot" in answer.standing.reason
    figure = answer.figure("M: passage 2")
    assert figure.low is not None and figure.high is not None and figure.low < -0.15 < figure.high < 0


def test_a_passage_made_on_other_days_is_not_judged(farm: Farm, say: Say) -> None:
    _family(say)
    lots = {"fresh": "G1", "passed on": "G2"}
    Grown({"fresh": 0.5, "passed on": 0.3}, lots=lots, shift={"passed on": 60}).note(farm)
    answer = farm.ask("lines")
    assert "Season and passage cannot be told apart for M (passage 2)" in answer.headline
    assert answer.standing.word == "open"
    assert any("lowest passage beside" in hint for hint in answer.next)


def test_no_links_say_what_to_note(farm: Farm, say: Say) -> None:
    say("receive", "2026-01-05", lot="M", what="culture", item="plate")
    answer = farm.ask("lines")
    assert "1 spawn lot on record" in answer.headline and "spawn=LOT" in answer.next[0]
