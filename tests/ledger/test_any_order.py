"""Any order of arrival, any repeats, corrections in any order, and a full replay give the same ledger."""

from __future__ import annotations

import dataclasses
import random
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.farm import Farm
from pinset.journal.entry import Entry
from pinset.ledger import build, force
from pinset.ledger.tables import TABLES
from tests.homes import cluster, new_database

__all__ = ["cluster"]

MOMENTS = [f"2026-03-{day:02d}T12:00:00+01:00" for day in range(1, 29)]
IDS = [f"00000000-0000-7000-8000-{n:012d}" for n in range(14)]
codes = st.sampled_from(["A", "B", "C"])
units = st.builds("{}-{:02d}".format, codes, st.integers(1, 3))

several_units = st.lists(units, min_size=2, max_size=3, unique=True)
bodies = st.one_of(
    st.builds(lambda code, n: ("make", {"batch": code, "units": n, "fill_mg": 2_200_000}), codes, st.integers(1, 3)),
    st.builds(lambda unit, mg: ("pick", {"units": [unit], "weight_mg": mg}), units, st.integers(0, 500_000)),
    st.builds(lambda some, mg: ("pick", {"units": some, "weight_mg": mg}), several_units, st.integers(0, 9)),
    st.builds(lambda code: ("pick", {"batch": code, "weight_mg": 7}), codes),
    st.builds(lambda unit: ("check", {"units": [unit], "run": 0.5, "signs": ["green", "mites"]}), units),
    st.builds(lambda code: ("receive", {"lot": code, "what": "spawn", "item": "rye"}), codes),
    st.builds(lambda code: ("draw", {"lot": code, "parents": [{"lot": "M"}], "carrier": "grain", "minutes": 2}), codes),
    st.just(("note", {"text": "did not happen"})),
)  # fmt: skip


@st.composite
def journals(draw: st.DrawFn) -> list[Entry]:
    """Entries with corrections that point anywhere: forwards, at each other, at what never arrives."""
    count = draw(st.integers(1, 10))
    entries = []
    for n in range(count):
        kind, body = draw(bodies)
        replaces = draw(st.one_of(st.none(), st.sampled_from([each for each in IDS if each != IDS[n]])))
        noted = draw(st.sampled_from(MOMENTS))
        entries.append(Entry(IDS[n], "", kind, draw(st.sampled_from(MOMENTS)), noted, "Ana", body, replaces=replaces))
    return entries


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def farm(request: pytest.FixtureRequest) -> Iterator[Farm]:
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        address = None
        if request.param == "postgresql":
            address = stack.enter_context(new_database(request.getfixturevalue("cluster")))
        yield stack.enter_context(Farm.start(folder, "Trial farm", address=address))


def _empty(farm: Farm) -> None:
    with farm.store.transaction() as connection:
        connection.execute("DELETE FROM entry")
        connection.execute("DELETE FROM conflict")
        connection.execute("UPDATE farm SET entries = 0, head = ?", (farm.settings.genesis,))
        build.rebuild(connection, farm.settings.id)


def _ledger(farm: Farm) -> str:
    with farm.store.read() as connection:
        return build.fingerprint(connection, farm.settings.id)


@settings(max_examples=150, deadline=None)
@given(journals(), st.randoms(use_true_random=False))
def test_any_order_any_repeats_and_a_replay_give_one_ledger(
    farm: Farm, entries: list[Entry], chance: random.Random
) -> None:
    entries = [dataclasses.replace(entry, farm=farm.settings.id) for entry in entries]
    ledgers = set()
    for _ in range(3):
        _empty(farm)
        shuffled = [*entries, *chance.sample(entries, chance.randrange(len(entries) + 1))]
        chance.shuffle(shuffled)
        while shuffled:
            cut = chance.randrange(1, len(shuffled) + 1)
            farm.keep(shuffled[:cut])
            shuffled = shuffled[cut:]
        ledgers.add(_ledger(farm))
        farm.rebuild()
        ledgers.add(_ledger(farm))
    assert len(ledgers) == 1
    assert farm.verify() == []


@settings(max_examples=300, deadline=None)
@given(journals(), st.randoms(use_true_random=False))
def test_what_is_in_force_does_not_depend_on_order(entries: list[Entry], chance: random.Random) -> None:
    noted = [build._as_noted(entry) for entry in entries]
    first = force.in_force(noted)
    chance.shuffle(noted)
    assert force.in_force(noted) == first
    for family in force.families(noted):
        assert len(first & {entry.id for entry in family}) <= 1


def test_every_table_names_farm_entry_and_number_first() -> None:
    for table in TABLES:
        assert table._fields[:3] == ("farm", "entry", "n")
