"""Each rule of what is doubted: what it lets pass, and what it asks about."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from pinset.intake.known import BatchFact, Known
from pinset.intake.plausible import Bench, Doubt, doubts
from pinset.journal.codes import id_from
from pinset.journal.entry import Entry, seconds
from pinset.ledger.rows import rows
from pinset.reference.limits import NoSuchLimit, limit, limits

NOON = "T12:00:00+01:00"
NOW = datetime(2026, 6, 1, tzinfo=UTC)
MADE = seconds(f"2026-03-02{NOON}")


def entry(kind: str, day: str, body: dict[str, Any]) -> Entry:
    at = f"{day}{NOON}"
    return Entry(id_from(kind, day, str(body)), "f", kind, at, at, "Ana", body)


def pick(day: str = "2026-03-30", kg: float = 0.3, unit: str = "A-01", flush: int = 1) -> Entry:
    return entry("pick", day, {"units": [unit], "weight_mg": round(kg * 1e6), "flush": flush})


def bench(*noted: Entry, usual: float | None = None, **more: Any) -> Bench:
    known = Known({"A": BatchFact(MADE, 2, 2_000_000)}, {"A-01": "A", "A-02": "A"}, **more)
    for one in noted:
        known.learn(rows(one))
    return Bench(known, NOW, {"weight_mg": usual * 1e6} if usual else {})


def asked(one: Entry, held_against: Bench) -> list[Doubt]:
    return doubts(one, rows(one), held_against)


@pytest.mark.parametrize(
    ("one", "field", "word"),
    [
        (pick("2026-06-03"), "at", "a day that has been"),
        (pick("1985-03-02"), "at", "after 1990"),
        (pick(unit="A-09"), "unit", "a unit that was made"),
        (pick("2026-02-20"), "at", "on or after 2026-03-02"),
        (entry("check", "2028-05-01", {"batch": "A", "run": 0.5}), "at", "that has been"),
        (entry("check", "2026-04-01", {"batch": "B", "run": 0.5}), "batch", "a batch that was made"),
        (entry("check", "2026-04-01", {"batch": "A", "affected": 3, "signs": ["green"]}), "affected", "at most 2"),
        (entry("check", "2026-04-01", {"batch": "A", "affected": 2, "looked_at": 1}), "affected", "at most 1"),
        (entry("cull", "2026-04-01", {"batch": "A", "number": 3, "reason": "spent"}), "number", "at most 2"),
        (entry("move", "2026-04-01", {"units": ["Z-01"], "to": "Fruit 1"}), "unit", "a unit that was made"),
        (entry("pack", "2026-04-01", {"lot": "S1", "product": "x", "batches": ["B"], "weight_mg": 1}), "batch", "made"),
        (entry("work", "2026-04-01", {"task": "picking", "minutes": 1500}), "minutes", "at most 24 h"),
        (entry("work", "2026-04-01", {"task": "picking", "minutes": 40, "batch": "B"}), "batch", "that was made"),
        (pick(kg=1.5), "weight", "at most 1.4 kg in all from 2 kg"),
        (entry("make", "2026-04-01", {"batch": "C", "units": 2, "fill_mg": 200 * 10**6}), "fill", "100 kg each"),
        (entry("make", "2026-04-01", {"batch": "C", "units": 2, "total_mg": 500 * 10**6}), "total", "100 kg each"),
        (entry("make", "2026-04-01", {"batch": "C", "units": 2, "fill_mg": 10**6,
                                      "spawn": [{"lot": "G", "weight_mg": 70 * 10**6}]}), "spawn weight", "less spawn"),
    ],
)  # fmt: skip
def test_doubted(one: Entry, field: str, word: str) -> None:
    found = asked(one, bench())
    assert found[0].field == field
    assert word in found[0].needed
    assert found[0].mend


@pytest.mark.parametrize(
    "one",
    [
        pick(),
        pick("2026-03-02"),
        pick("2026-06-01"),
        entry("pick", "2026-03-30", {"room": "Fruit 1", "weight_mg": 50_000_000}),
        entry("check", "2026-04-01", {"batch": "A", "affected": 2, "looked_at": 2, "signs": ["green"]}),
        entry("cull", "2026-04-01", {"batch": "A", "reason": "spent"}),
        entry("work", "2026-04-01", {"task": "picking", "minutes": 1440}),
        entry("make", "2026-04-01", {"batch": "C", "units": 2, "fill_mg": 2_000_000}),
        entry("make", "2026-04-01", {"batch": "C", "units": 2, "spawn": [{"lot": "G", "weight_mg": 700_000}]}),
        entry("draw", "2026-04-01", {"lot": "G2", "parents": [{"lot": "G1"}], "carrier": "grain", "passage": 2}),
        entry("note", "2026-04-01", {"text": "fan repaired"}),
    ],
)
def test_not_doubted(one: Entry) -> None:
    assert asked(one, bench()) == []


def test_a_year_written_wrong_is_asked_about() -> None:
    held_against = Bench(bench().known, datetime(2030, 1, 1, tzinfo=UTC))
    (doubt,) = asked(pick("2027-05-30"), held_against)
    assert "within 400 days of making" in doubt.needed
    assert "year" in doubt.mend


def test_a_thousandfold_slip_is_named_with_what_was_likely_meant() -> None:
    heavy = asked(pick(kg=181), bench(usual=0.2))[0]
    assert heavy.needed == "a weight like the others, about 0.2 kg"
    assert heavy.came == "181 kg"
    assert "weight=181g" in heavy.mend
    light = asked(pick(kg=0.000328), bench(usual=0.2))[0]
    assert "weight=328g" in light.mend
    assert asked(pick(kg=1.2), bench(usual=0.2)) == []


def test_a_yield_is_judged_over_all_flushes() -> None:
    first = pick(kg=1.0)
    assert asked(first, bench()) == []
    (doubt,) = asked(pick("2026-04-20", kg=0.5, flush=2), bench(first))
    assert doubt.came == "1.5 kg with this pick"
    whole = entry("pick", "2026-03-30", {"batch": "A", "weight_mg": 2_700_000})
    assert asked(whole, bench()) == []
    (doubt,) = asked(entry("pick", "2026-03-30", {"batch": "A", "weight_mg": 2_900_000}), bench())
    assert "from 4 kg" in doubt.needed


def test_two_notes_of_one_thing_are_asked_about() -> None:
    (doubt,) = asked(pick(kg=0.31), bench(pick(kg=0.3)))
    assert doubt.instead == pick(kg=0.3).id
    assert doubt.came == "a second one, weight 0.31 kg, not 0.3 kg as what is on record"
    assert asked(pick(kg=0.31, flush=2), bench(pick(kg=0.3))) == []
    assert asked(pick("2026-03-31", kg=0.31), bench(pick(kg=0.3))) == []


def test_crates_of_one_sheet_are_several_notes_and_one_on_record_is_asked_about() -> None:
    first = entry("pick", "2026-03-30", {"batch": "A", "weight_mg": 500_000})
    second = entry("pick", "2026-03-30", {"batch": "A", "weight_mg": 400_000})
    held_against = bench(first)
    assert len(asked(second, held_against)) == 1
    held_against.taken = {first.id: "row 2", second.id: "row 3"}
    assert asked(second, held_against) == []


def test_a_code_given_twice_can_only_be_put_in_place_of_the_first() -> None:
    first = entry("make", "2026-03-02", {"batch": "C", "units": 8})
    (doubt,) = asked(entry("make", "2026-03-02", {"batch": "C", "units": 9}), bench(first))
    assert doubt.needed == "one batch C"
    assert "units 9, not 8" in doubt.came
    assert "instead" in doubt.mend
    assert "Accept" not in doubt.mend


def test_a_passage_follows_its_parent() -> None:
    known = bench(entry("receive", "2026-01-02", {"lot": "G1", "what": "spawn", "item": "x", "passage": 1}))
    body = {"lot": "G2", "parents": [{"lot": "G1"}], "carrier": "grain"}
    assert asked(entry("draw", "2026-02-02", body | {"passage": 2}), known) == []
    (doubt,) = asked(entry("draw", "2026-02-02", body | {"passage": 3}), known)
    assert doubt.needed.startswith("passage 2")


def test_passages_go_through_units_drawn_from() -> None:
    known = bench(
        entry("receive", "2026-01-02", {"lot": "G1", "what": "spawn", "item": "x", "passage": 1}),
        entry("draw", "2026-02-02", {"lot": "G2", "parents": [{"lot": "G1"}], "carrier": "grain"}),
        entry("make", "2026-03-02", {"batch": "C", "units": 1, "spawn": [{"lot": "G2"}]}),
    ).known
    assert (known.passage("G2"), known.passage("C-01"), known.passage("nobody")) == (2, 2, None)


def test_a_circle_of_parents_ends() -> None:
    known = bench(
        entry("draw", "2026-02-02", {"lot": "X", "parents": [{"lot": "Y"}], "carrier": "grain"}),
        entry("draw", "2026-02-02", {"lot": "Y", "parents": [{"lot": "X"}], "carrier": "grain"}),
    ).known
    assert known.passage("X") is None


def test_a_code_that_looks_like_one_on_record_is_pointed_out() -> None:
    (doubt,) = asked(pick(unit="A-O1"), bench())
    assert "unit=A-01" in doubt.mend


@pytest.mark.parametrize("code", ["a-1", "A 01", "a/01", "A01"])
def test_units_are_known_by_their_letters_and_numbers(code: str) -> None:
    known = Known()
    known.learn(rows(entry("make", "2026-03-02", {"batch": "A", "units": 2})))
    assert known.unit_named(code) == "A-01"
    assert known.unit_named("2", "A") == "A-02"


def test_what_is_forgotten_was_never_known() -> None:
    known, before = Known(), Known()
    some = rows(entry("make", "2026-03-02", {"batch": "A", "units": 2})) + rows(pick())
    known.learn(some)
    known.forget(some)
    assert (known.batches, known.units) == (before.batches, before.units)
    assert not any(known.noted.values())
    assert not any(known.picked_mg.values())


def test_every_limit_has_its_source() -> None:
    assert len(limits()) >= 7
    assert all(len(one.source) > 10 and one.unit for one in limits().values())
    with pytest.raises(NoSuchLimit, match="yield_of_wet_substrate"):
        limit("nonsense")
