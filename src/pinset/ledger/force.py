"""Which entries are in force: corrections and codes given twice, settled the same way in any order of arrival.

An entry and all that correct it, or correct its corrections, are one family; of a family the latest noted entry that
nobody corrected is in force. Two people who corrected the same entry make two such ends: the later one is in force and
both are shown. Of several entries in force that give the same code to different things, the earliest noted holds it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple


class Noted(NamedTuple):
    """What decides whether an entry is in force."""

    id: str
    replaces: str | None
    noted_at: int
    claim: str | None

    @property
    def age(self) -> tuple[int, str]:
        """Earlier noted entries sort first; the id settles ties."""
        return (self.noted_at, self.id)


def families(entries: Iterable[Noted]) -> list[list[Noted]]:
    """The entries grouped into families, whatever their order.

    >>> [[e.id for e in family] for family in families([Noted("b", "a", 2, None), Noted("a", None, 1, None)])]
    [['a', 'b']]
    """
    known = sorted(entries, key=lambda entry: entry.age)
    head: dict[str, str] = {}
    for entry in known:
        if entry.replaces is not None:
            head[_head(head, entry.id)] = _head(head, entry.replaces)
    grouped: dict[str, list[Noted]] = {}
    for entry in known:
        grouped.setdefault(_head(head, entry.id), []).append(entry)
    return list(grouped.values())


def _head(head: Mapping[str, str], entry_id: str) -> str:
    while entry_id in head and head[entry_id] != entry_id:
        entry_id = head[entry_id]
    return entry_id


def ends(family: Iterable[Noted]) -> list[Noted]:
    """The entries of a family that nobody corrected, latest noted first; more than one means that two disagree."""
    family = list(family)
    corrected = {entry.replaces for entry in family}
    return sorted((entry for entry in family if entry.id not in corrected), key=lambda entry: entry.age, reverse=True)


def in_force(entries: Iterable[Noted]) -> set[str]:
    """The ids of all entries in force.

    >>> first, mended = Noted("a", None, 1, "batch:A"), Noted("b", "a", 2, "batch:B")
    >>> sorted(in_force([first, mended, Noted("c", None, 3, "batch:A")]))
    ['b', 'c']
    """
    standing = [found[0] for family in families(entries) if (found := ends(family))]
    holders: dict[str, Noted] = {}
    for entry in standing:
        if entry.claim is not None:
            holder = holders.setdefault(entry.claim, entry)
            holders[entry.claim] = min(holder, entry, key=lambda one: one.age)
    return {entry.id for entry in standing if entry.claim is None or holders[entry.claim] is entry}
