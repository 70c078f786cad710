"""Several devices, lost replies, repeats, halves, any order, a restore from an older backup: and nothing is lost."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from pinset.farm import Farm
from pinset.journal import backup as backing
from pinset.journal.farms import add_farm
from pinset.journal.sync import MOST_OFFERS, Batch, since
from pinset.ledger import build

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
NAMES = ("phone", "tablet", "desk")
CODES = st.sampled_from(["A", "B"])
UNITS = st.builds("{}-{:02d}".format, CODES, st.integers(1, 3))
SAID = st.one_of(
    st.builds(lambda code, n: ("make", {"batch": code, "units": n, "fill_mg": 2_200_000}), CODES, st.integers(1, 3)),
    st.builds(lambda unit, mg: ("pick", {"units": [unit], "weight_mg": mg}), UNITS, st.integers(1, 500_000)),
    st.builds(lambda unit: ("check", {"units": [unit], "run": 0.5, "signs": ["green"]}), UNITS),
    st.just(("note", {"text": "did not happen"})),
)


@dataclass
class Device:
    """What a device must do: keep what it noted until told 'kept', and remember that for when the epoch changes."""

    name: str
    epoch: str = ""
    outbox: dict[str, dict[str, Any]] = field(default_factory=dict)
    told_kept: dict[str, dict[str, Any]] = field(default_factory=dict)

    def hears(self, epoch: str, words: dict[str, str]) -> None:
        """Take in a reply."""
        if epoch != self.epoch:
            self.outbox |= self.told_kept
            self.told_kept, self.epoch = {}, epoch
        for entry_id, word in words.items():
            assert word in ("kept", "already kept", "waiting")
            if entry_id in self.outbox:
                self.told_kept[entry_id] = self.outbox.pop(entry_id)


class Devices(RuleBasedStateMachine):
    """The farm's server is real; the net between it and the devices loses, repeats, cuts and delays."""

    @initialize()
    def starts(self) -> None:
        self.scratch = tempfile.TemporaryDirectory()
        self.folder = Path(self.scratch.name)
        self.farm = Farm.start(self.folder / "0", "Trial farm")
        self.devices = {name: Device(name) for name in NAMES}
        self.noted: dict[str, dict[str, Any]] = {}
        self.under_way: list[tuple[str, list[dict[str, Any]]]] = []
        self.backups: list[Path] = []
        self.restored = 0

    @rule(name=st.sampled_from(NAMES), said=SAID, minutes=st.integers(-5_000, 5_000), data=st.data())
    def notes(self, name: str, said: tuple[str, dict[str, Any]], minutes: int, data: st.DataObject) -> None:
        entry_id = f"00000000-0000-7000-8000-{len(self.noted):012d}"
        replaces = data.draw(st.one_of(st.none(), st.sampled_from(sorted(self.noted)))) if self.noted else None
        moment = (NOW - timedelta(days=30) + timedelta(minutes=minutes)).isoformat()
        made = {"id": entry_id, "kind": said[0], "body": said[1], "at": moment, "noted_at": moment, "by": name}
        self.noted[entry_id] = self.devices[name].outbox[entry_id] = {**made, "replaces": replaces}

    @precondition(lambda self: any(device.outbox for device in self.devices.values()))
    @rule(data=st.data(), reply_lost=st.booleans(), arrives=st.sampled_from(["now", "now and again", "later", "never"]))
    def sends(self, data: st.DataObject, reply_lost: bool, arrives: str) -> None:
        name = data.draw(st.sampled_from([name for name in NAMES if self.devices[name].outbox]))
        order = data.draw(st.permutations(list(self.devices[name].outbox.values())))
        some = order[: data.draw(st.integers(1, len(order)))]
        some += some[: data.draw(st.integers(0, len(some)))]
        if arrives in ("later", "now and again"):
            self.under_way.append((name, some))
        if arrives.startswith("now"):
            self._arrives(name, some, reply_lost)

    @precondition(lambda self: self.under_way)
    @rule(data=st.data())
    def arrives_late(self, data: st.DataObject) -> None:
        at = data.draw(st.integers(0, len(self.under_way) - 1))
        name, some = self.under_way.pop(at)
        self._arrives(name, some, reply_lost=True)  # nobody listens any more

    def _arrives(self, name: str, some: list[dict[str, Any]], reply_lost: bool) -> None:
        batch = {"device": name, "client_sent_at": NOW, "entries": some[:MOST_OFFERS]}
        reply = self.farm.receive(Batch.model_validate(batch), lambda: NOW)
        if not reply_lost:
            self.devices[name].hears(reply.epoch, {result.id: result.word for result in reply.results})

    @rule()
    def backs_up(self) -> None:
        folder = self.folder / "backups" / str(len(self.backups))
        self.backups.append(backing.back_up(self.farm.store, folder, NOW).path)

    @precondition(lambda self: self.backups)
    @rule(data=st.data())
    def is_restored_from_a_backup(self, data: st.DataObject) -> None:
        backup = data.draw(st.sampled_from(self.backups))
        self.farm.close()
        self.restored += 1
        backing.restore(backup, self.folder / str(self.restored))
        self.farm = Farm.open(self.folder / str(self.restored))

    def teardown(self) -> None:
        """At last all devices reach the server; then every entry is on record, and the ledger is what they say."""
        if not hasattr(self, "farm"):
            return
        for device in self.devices.values():
            self._arrives(device.name, [], reply_lost=False)
            self._arrives(device.name, list(device.outbox.values()), reply_lost=False)
            assert not device.outbox
        assert {told.id for told in since(self.farm.store, self.farm.settings, 0).entries} == set(self.noted)
        assert self.farm.verify() == []
        assert _ledger(self.farm) == self._ledger_in_one_go()
        self.farm.close()
        self.scratch.cleanup()

    def _ledger_in_one_go(self) -> str:
        """The ledger of a farm that was offered everything once, in order."""
        same = self.farm.settings
        with Farm.settle(same, self.folder / "peer", None, lambda connection: add_farm(connection, same)) as peer:
            entries = list(self.noted.values())
            batch = Batch.model_validate({"device": "one", "client_sent_at": NOW, "entries": entries})
            peer.receive(batch, lambda: NOW)
            return _ledger(peer)


def _ledger(farm: Farm) -> str:
    with farm.store.read() as connection:
        return build.fingerprint(connection, farm.settings.id)


TestDevices = Devices.TestCase
TestDevices.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)
