"""Spawn on record: which lot was drawn from which, and its passage: how many draws lie between it and its culture.

A lot that came in has the passage noted for it; a culture without one is taken for a mother culture, passage 0. A lot
drawn from others has one more than the largest of its parents'; drawn from units, one more than the spawn that they
were made with. Making units with a lot is no draw.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from pinset.ledger.read import Reader
from pinset.ledger.tables import Link, Lot, Unit


@dataclass(frozen=True, slots=True)
class SpawnLot:
    """One lot of spawn or one culture."""

    lot: Lot
    parents: tuple[str, ...]
    passage: int | None
    """None where a parent is not on record."""
    line: str
    """The culture or bought lot that it goes back to; several where it was mixed."""


class SpawnBook:
    """Every spawn lot of a farm, with its passage and line."""

    def __init__(self, ledger: Reader) -> None:
        self._lots = {lot.code: lot for lot in ledger.rows(Lot) if lot.what in ("culture", "spawn")}
        links = ledger.rows(Link)
        self._batch_of = {unit.code: unit.batch for unit in ledger.rows(Unit)}
        self._parents: dict[str, list[str]] = defaultdict(list)
        for link in links:
            if link.child_kind == "lot" or (link.child_kind == "batch" and link.parent in self._lots):
                self._parents[link.child].append(link.parent)
        self._passages: dict[str, int | None] = {}
        self.lots = {code: self._spawn_lot(lot) for code, lot in self._lots.items()}

    def _spawn_lot(self, lot: Lot) -> SpawnLot:
        roots = sorted(self._roots(lot.code, frozenset()))
        return SpawnLot(lot, tuple(self._parents.get(lot.code, [])), self.passage(lot.code), " + ".join(roots))

    def passage(self, code: str) -> int | None:
        """The passage of a lot, or of the spawn that a unit or batch was made with; None where it cannot be told."""
        if code not in self._passages:
            self._passages[code] = None  # a lot that was drawn from itself has no passage
            self._passages[code] = self._counted(code)
        return self._passages[code]

    def _counted(self, code: str) -> int | None:
        lot = self._lots.get(code)
        if lot is None:
            return self._largest(self._parents.get(self._batch_of.get(code, code), []))
        if lot.passage is not None:
            return lot.passage
        if lot.origin == "received":
            return 0 if lot.what == "culture" else None
        largest = self._largest(self._parents.get(code, []))
        return None if largest is None else largest + 1

    def _largest(self, codes: list[str]) -> int | None:
        passages = [self.passage(code) for code in codes]
        known = [passage for passage in passages if passage is not None]
        return max(known) if known and len(known) == len(passages) else None

    def _roots(self, code: str, seen: frozenset[str]) -> set[str]:
        if code in seen:
            return set()
        parents = self._parents.get(self._batch_of.get(code, code), [])
        if not parents:
            return {code}
        return {root for parent in parents for root in self._roots(parent, seen | {code})}

    def line(self, lots: tuple[str, ...]) -> str:
        """The line that a batch's spawn lots go back to."""
        return " + ".join(sorted({self.lots[lot].line if lot in self.lots else lot for lot in lots}))
