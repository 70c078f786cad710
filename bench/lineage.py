"""How fast the family of a lot is found among a million, beside networkx."""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter
from typing import Any, Final

import networkx
import numpy as np

from bench.row import Row
from pinset.science.arrays import Integers
from pinset.science.lineage import Family, family

LOTS: Final = 1_000_000
CULTURES: Final = 200


def invented() -> tuple[Integers, Integers]:
    """A million lots of two hundred cultures in the order they were made, one in fifty of them drawn from two."""
    generator = np.random.default_rng(3)
    child = np.arange(CULTURES, LOTS)
    # Each is drawn from one made not long before, at most some forty passages deep.
    parent = (child * generator.beta(6.0, 2.5, size=len(child))).astype(np.intp)
    second = generator.choice(child, size=len(child) // 50, replace=False)
    parent, child = (
        np.append(parent, (second * generator.random(len(second))).astype(np.intp)),
        np.append(child, second),
    )
    noted = np.argsort(child, kind="stable")
    return parent[noted], child[noted]


def best(work: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """The shortest of some runs, in seconds, and what the last one gave."""
    times, given = [], None
    for _ in range(repeats):
        begun = perf_counter()
        given = work()
        times.append(perf_counter() - begun)
    return min(times), given


def timed(lots: Family, graph: Any, lot: int, what: str, target: float, longest: float | None = None) -> Row:
    """One closure of both; where ``longest`` is given the target is a time in seconds, else a ratio."""
    ours, found = best(lambda: lots.children.reach(lot), 7)
    peer, expected = best(lambda: networkx.descendants(graph, lot), 2)
    if set(found.tolist()) != expected:
        raise AssertionError(f"the offspring of lot {lot} differ")
    met = ours <= longest if longest else peer >= target * ours
    asked = f"<= {longest * 1e3:g} ms" if longest else f">= {target:g}"
    what = f"{what}: offspring of a lot of a million, {len(found):,} lots"
    return Row(what, f"{ours * 1e3:.3f} ms", f"{peer * 1e3:.3f} ms networkx", peer / ours, asked, met)


def with_offspring(lots: Family, fewest: int, most: int) -> int:
    """The first lot with so many lots drawn from it, going back from the newest."""
    for lot in range(LOTS - 1, -1, -1):
        if fewest <= len(lots.children.reach(lot)) <= most:
            return lot
    raise LookupError(f"no lot has {fewest} to {most} offspring")


def rows() -> list[Row]:
    """Loading and asking once, and asking with the record at hand, for large and small families."""
    parent, child = invented()
    load, lots = best(lambda: family(parent, child, LOTS), 5)
    begun = perf_counter()
    graph = networkx.DiGraph()
    graph.add_edges_from(zip(parent.tolist(), child.tolist(), strict=True))
    peer_load = perf_counter() - begun
    large, small = int(np.argmax(np.diff(lots.children.starts[: CULTURES + 1]))), with_offspring(lots, 60, 99)
    first = load + best(lambda: lots.children.reach(large), 5)[0]
    peer_first = peer_load + best(lambda: networkx.descendants(graph, large), 1)[0]
    one_shot = Row(
        "load a million lots and find the offspring of one",
        f"{first * 1e3:.0f} ms",
        f"{peer_first * 1e3:.0f} ms networkx",
        peer_first / first,
        ">= 40",
        peer_first >= 40 * first,
    )
    return [one_shot, timed(lots, graph, large, "large", 20.0), timed(lots, graph, small, "small", 0.0, longest=1e-3)]
