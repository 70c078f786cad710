"""The family of lots: who was drawn from whom, as arrays that stay fast for a million lots.

Lots are numbered 0 to n - 1 and each drawing is a pair (parent, child). A lot from two lots has two parents, so that a
family is a directed graph without circles and no tree. Links are kept sorted by their one end (compressed sparse
rows): the children of lot i are ``ends[starts[i]:starts[i + 1]]``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pinset.science.arrays import Floats, Integers

# Below so many lots a walk in plain Python beats the overhead of arrays.
_FEW: Final = 256
# Sweeps after which a layout seldom gets better (common practice for the barycentre method).
_SWEEPS: Final = 4
# A number of 64 bits holds a lot below two thousand million and a row below four thousand million.
_ROW_BITS: Final = 32


class CannotFollow(ValueError):
    """These drawings make no family."""


class LotUnknown(CannotFollow):
    """A drawing, or a question, names a lot that is not among those numbered."""


class DrawnInACircle(CannotFollow):
    """A lot cannot be drawn from its own offspring; one drawing of the circle must be wrong."""

    def __init__(self, lots: Integers) -> None:
        super().__init__(f"{DrawnInACircle.__doc__} The circle: {', '.join(map(str, lots.tolist()))}.")
        self.lots = lots


@dataclass(frozen=True, eq=False, slots=True)
class Links:
    """For each lot its ``ends`` (m,), those of lot i from ``starts[i]`` to ``starts[i + 1]``, (n + 1,).

    ``rows`` (m,) says which drawing, in the order they were given, a link stands for.
    """

    starts: Integers
    ends: Integers
    rows: Integers

    def reach(self, lots: ArrayLike) -> Integers:
        """Every lot that can be reached from some ``lots`` along the links, rising, without those it sets out from.

        Raises `LotUnknown`.

        >>> family([0, 0, 1, 2], [1, 2, 3, 3]).children.reach([1]), family([0, 1], [1, 2]).parents.reach(2)
        (array([3]), array([0, 1]))
        """
        first = np.unique(np.atleast_1d(np.asarray(lots, dtype=np.intp)))
        if len(first) and not 0 <= first[0] <= first[-1] < len(self.starts) - 1:
            raise LotUnknown(LotUnknown.__doc__)
        seen, waiting = self._walk(first.tolist())
        if not waiting:
            return np.array(sorted(seen.difference(first.tolist())), dtype=np.intp)
        found = self._spread(seen, waiting)
        found[first] = False
        return np.flatnonzero(found)

    def _walk(self, first: list[int]) -> tuple[set[int], list[int]]:
        """The lots found one by one until there are many, and those of them whose links were not followed yet."""
        seen, waiting = set(first), list(first)
        while waiting and len(seen) < _FEW:
            links = slice(self.starts[waiting[-1]], self.starts[waiting[-1] + 1])
            if links.stop - links.start > _FEW:
                break
            waiting.pop()
            fresh = set(self.ends[links].tolist()) - seen
            seen |= fresh
            waiting.extend(fresh)
        return seen, waiting

    def _spread(self, seen: set[int], waiting: list[int]) -> NDArray[np.bool_]:
        """Which lots are found (n,), in waves, each the whole front of the last one's links."""
        found = np.zeros(len(self.starts) - 1, dtype=bool)
        found[list(seen)] = True
        front = np.array(waiting, dtype=np.intp)
        mark = np.empty(len(found), dtype=np.intp)
        while len(front):
            fresh = self.ends[self.positions(front)]
            fresh = fresh[~found[fresh]]
            found[fresh] = True
            # A lot met twice in one wave goes on once: only its last mark stands.
            mark[fresh] = np.arange(len(fresh))
            front = fresh[mark[fresh] == np.arange(len(fresh))]
        return found

    def positions(self, lots: Integers) -> Integers:
        """Where in ``ends`` the links of some ``lots`` stand, lot by lot.

        >>> family([0, 0, 2], [1, 2, 3]).children.positions(np.array([0, 2]))
        array([0, 1, 2])
        """
        counts = self.starts[lots + 1] - self.starts[lots]
        before = counts.cumsum() - counts
        places: Integers = np.arange(counts.sum()) + np.repeat(self.starts[lots] - before, counts)
        return places


@dataclass(frozen=True, eq=False, slots=True)
class Family:
    """Lots with their links both ways, as `family` makes them."""

    children: Links
    parents: Links

    @property
    def count(self) -> int:
        """How many lots there are."""
        return len(self.children.starts) - 1


@dataclass(frozen=True, eq=False, slots=True)
class Layout:
    """Where to draw some ``lots`` (k,): their ``layer`` from left to right and ``height`` from 0 to 1 in it, (k,)."""

    lots: Integers
    layer: Integers
    height: Floats


def family(parent: ArrayLike, child: ArrayLike, count: int | None = None) -> Family:
    """The family of ``count`` lots (as many as are named, where left out) from drawings, (m,) each.

    Raises `LotUnknown`. That nothing runs in a circle is seen by `passages`.

    >>> family([0, 0, 1], [1, 2, 3]).children.ends
    array([1, 2, 3])
    """
    source, drawn = (np.asarray(each, dtype=np.intp).reshape(-1) for each in (parent, child))
    both = np.concatenate([source, drawn])
    lots = int(both.max(initial=-1)) + 1 if count is None else count
    if len(source) != len(drawn) or both.min(initial=0) < 0 or both.max(initial=-1) >= lots:
        raise LotUnknown(LotUnknown.__doc__)
    return Family(_links(source, drawn, lots), _links(drawn, source, lots))


def _links(at: Integers, to: Integers, count: int) -> Links:
    # One number for lot and row sorts much faster than rows by their lot, and this kind of sort is fastest where most
    # are in order, as drawings are by the lots drawn.
    rows = np.sort((at << _ROW_BITS) | np.arange(len(at)), kind="stable") & (2**_ROW_BITS - 1)
    starts = np.zeros(count + 1, dtype=np.intp)
    np.cumsum(np.bincount(at, minlength=count), out=starts[1:])
    return Links(starts, to[rows], rows)


def relatives(lots: Family, lot: int) -> Integers:
    """A lot with all it came from and all that came from it, rising: from mother culture to last unit.

    Raises `LotUnknown`.

    >>> relatives(family([0, 0, 1, 2, 5], [1, 2, 3, 4, 3]), 1)
    array([0, 1, 3])
    """
    return np.sort(np.concatenate([lots.parents.reach(lot), [lot], lots.children.reach(lot)]))


def passages(lots: Family, stated: ArrayLike = 0, transfers: ArrayLike = 1) -> Integers:
    """The passage of each lot, (n,): that of its parent and one more, and of several parents the largest.

    ``stated`` (one for all, or (n,)) is the passage of lots without a parent: nought for a mother culture, more for
    spawn that was bought at a known passage. ``transfers`` (one for all, or (m,) in the order of the drawings) is what
    a drawing adds: nought where a link is no transfer. Found wave by wave, each lot once all its parents are known.
    Raises `DrawnInACircle`.

    >>> passages(family([0, 0, 1, 2, 4], [1, 2, 3, 4, 3]))
    array([0, 1, 1, 3, 2])
    """
    found = np.array(np.broadcast_to(stated, lots.count), dtype=np.intp)
    adds = np.broadcast_to(np.asarray(transfers, dtype=np.intp), len(lots.children.rows))[lots.children.rows]
    unknown = np.diff(lots.parents.starts)
    found[unknown > 0] = np.iinfo(np.intp).min
    front = np.flatnonzero(unknown == 0)
    left = lots.count - len(front)
    while len(front):
        links = lots.children.positions(front)
        ends = lots.children.ends[links]
        sources = np.repeat(front, np.diff(lots.children.starts)[front])
        np.maximum.at(found, ends, found[sources] + adds[links])
        np.subtract.at(unknown, ends, 1)
        front = np.unique(ends[unknown[ends] == 0])
        left -= len(front)
    if left:
        raise DrawnInACircle(_circle(lots, unknown > 0))
    return found


def _circle(lots: Family, among: NDArray[np.bool_]) -> Integers:
    """The lots of one circle: from any lot that waits for a parent, go to such a parent until a lot comes again."""
    way = [int(np.flatnonzero(among)[0])]
    while True:
        links = lots.parents
        parents = links.ends[links.starts[way[-1]] : links.starts[way[-1] + 1]]
        before = int(parents[among[parents]][0])
        if before in way:
            return np.array(way[way.index(before) :][::-1], dtype=np.intp)
        way.append(before)


def layout(lots: Family, shown: ArrayLike, passage: Integers) -> Layout:
    """Where to draw the ``shown`` lots: a layer for each ``passage`` (n,), and in it parents beside their children.

    Each layer is put in order by the mean height of what each of its lots is linked to, from the left and from the
    right by turns, ending from the left: the barycentre method. A tree comes out without crossings; of other families
    few are left. Lots that share a passage are spread evenly. Raises `LotUnknown`.

    Source: Sugiyama, Tagawa & Toda (1981), IEEE Trans. Syst. Man Cybern. 11:109 (from memory).

    >>> found = layout(family([0, 0, 2, 1], [1, 2, 3, 4]), range(5), np.array([0, 1, 1, 2, 2]))
    >>> found.layer, found.height
    (array([0, 1, 1, 2, 2]), array([0.5 , 0.75, 0.25, 0.25, 0.75]))
    """
    chosen = np.unique(np.asarray(shown, dtype=np.intp))
    if len(chosen) and not 0 <= chosen[0] <= chosen[-1] < lots.count:
        raise LotUnknown(LotUnknown.__doc__)
    layer = passage[chosen]
    left, right = _shown_links(lots, chosen)
    members = [np.flatnonzero(layer == each) for each in np.unique(layer)]
    height = np.zeros(len(chosen))
    for each in members:
        height[each] = _spread_evenly(len(each))
    for _ in range(_SWEEPS):
        _sweep(height, members[::-1], right, left)
        _sweep(height, members, left, right)
    return Layout(chosen, layer, height)


def _shown_links(lots: Family, chosen: Integers) -> tuple[Integers, Integers]:
    """The links among the chosen lots, both ends as places in ``chosen``."""
    links = lots.children.positions(chosen)
    left = np.repeat(np.arange(len(chosen)), np.diff(lots.children.starts)[chosen])
    right = np.searchsorted(chosen, lots.children.ends[links])
    inside = np.append(chosen, -1)[right] == lots.children.ends[links]
    return left[inside], right[inside]


def _sweep(height: Floats, members: list[Integers], near: Integers, far: Integers) -> None:
    """Put each layer in the order of the mean height of the near ends of its links; lots without any keep theirs."""
    for here in members:
        linked = np.isin(far, here)
        degree = np.bincount(far[linked], minlength=len(height))[here]
        total = np.bincount(far[linked], weights=height[near[linked]], minlength=len(height))[here]
        wanted = np.where(degree > 0, total / np.maximum(degree, 1), height[here])
        height[here[np.lexsort((height[here], wanted))]] = _spread_evenly(len(here))


def _spread_evenly(count: int) -> Floats:
    return (np.arange(count) + 0.5) / count
