from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.lineage import DrawnInACircle, Family, Layout, LotUnknown, family, layout, passages, relatives

Drawings = list[tuple[int, int]]


@st.composite
def records(draw: st.DrawFn, most: int = 14) -> tuple[int, Drawings]:
    """Lots in some order of numbers, each drawn from any that come before it in a hidden order; no drawing twice."""
    count = draw(st.integers(1, most))
    order = draw(st.permutations(range(count)))
    pairs = [(order[i], order[j]) for i, j in combinations(range(count), 2)]
    return count, draw(st.lists(st.sampled_from(pairs), unique=True, max_size=30) if pairs else st.just([]))


def made(count: int, drawings: Drawings) -> Family:
    parent, child = zip(*drawings, strict=True) if drawings else ((), ())
    return family(parent, child, count)


def offspring(lot: int, drawings: Drawings) -> set[int]:
    """Child by child, as a person would follow it."""
    found: set[int] = set()
    waiting = [lot]
    while waiting:
        now = waiting.pop()
        fresh = {child for parent, child in drawings if parent == now} - found
        found |= fresh
        waiting += fresh
    return found


@settings(deadline=None)
@given(records())
def test_offspring_and_forebears_are_those_followed_by_hand(record: tuple[int, Drawings]) -> None:
    count, drawings = record
    lots = made(count, drawings)
    back = [(child, parent) for parent, child in drawings]
    assert lots.count == count
    for lot in range(count):
        down, up = offspring(lot, drawings), offspring(lot, back)
        assert lots.children.reach(lot).tolist() == sorted(down)
        assert lots.parents.reach([lot]).tolist() == sorted(up)
        assert relatives(lots, lot).tolist() == sorted(down | up | {lot})


@settings(deadline=None)
@given(records(), st.data())
def test_from_several_lots_it_is_what_each_reaches(record: tuple[int, Drawings], data: st.DataObject) -> None:
    count, drawings = record
    some = data.draw(st.lists(st.integers(0, count - 1)))
    reached = set().union(*(offspring(lot, drawings) for lot in some)) - set(some)
    assert made(count, drawings).children.reach(some).tolist() == sorted(reached)


@settings(deadline=None)
@given(records())
def test_a_passage_is_the_longest_way_from_a_culture(record: tuple[int, Drawings]) -> None:
    count, drawings = record
    found = passages(made(count, drawings))
    for lot in range(count):
        before = [found[parent] for parent, child in drawings if child == lot]
        assert found[lot] == (1 + max(before) if before else 0)


@settings(deadline=None)
@given(records(), st.data())
def test_stated_passages_and_links_that_are_no_transfer_count(
    record: tuple[int, Drawings], data: st.DataObject
) -> None:
    count, drawings = record
    stated = data.draw(st.lists(st.integers(0, 5), min_size=count, max_size=count))
    transfers = data.draw(st.lists(st.integers(0, 2), min_size=len(drawings), max_size=len(drawings)))
    found = passages(made(count, drawings), stated, transfers)
    for lot in range(count):
        before = [
            found[parent] + adds for (parent, child), adds in zip(drawings, transfers, strict=True) if child == lot
        ]
        assert found[lot] == (max(before) if before else stated[lot])


@settings(deadline=None)
@given(records())
def test_rows_lead_back_to_the_drawings(record: tuple[int, Drawings]) -> None:
    count, drawings = record
    links = made(count, drawings).children
    told = np.repeat(np.arange(count), np.diff(links.starts))
    assert [drawings[row] for row in links.rows] == list(zip(told.tolist(), links.ends.tolist(), strict=True))


@settings(deadline=None)
@given(records(), st.data())
def test_a_circle_is_named(record: tuple[int, Drawings], data: st.DataObject) -> None:
    count, drawings = record
    lot = data.draw(st.integers(0, count - 1))
    below = sorted(offspring(lot, drawings)) or [lot]
    closed = [*drawings, (data.draw(st.sampled_from(below)), lot)]
    with pytest.raises(DrawnInACircle) as caught:
        passages(made(count, closed))
    ring = caught.value.lots.tolist()
    assert all(pair in closed for pair in zip(ring, ring[1:] + ring[:1], strict=True))
    assert str(ring[0]) in str(caught.value)


def many(count: int = 30_000) -> tuple[np.ndarray, np.ndarray]:
    generator = np.random.default_rng(2)
    child = np.arange(20, count)
    parent = (child * generator.beta(6, 3, len(child))).astype(int)
    mixed = generator.choice(child, count // 33, replace=False)
    return np.append(parent, mixed // 2), np.append(child, mixed)


def test_large_families_are_found_whole() -> None:
    parent, child = many()
    lots = family(parent, child)
    for lot in (0, 3, 19, 700):
        found = np.zeros(lots.count, dtype=bool)
        found[lot] = True
        # Parents have lower numbers here: one pass in the order of children sees every lot.
        for each in np.argsort(child, kind="stable"):
            found[child[each]] |= found[parent[each]]
        found[lot] = False
        assert lots.children.reach(lot).tolist() == np.flatnonzero(found).tolist()
    assert len(lots.children.reach(range(20))) == lots.count - 20


def test_a_lot_with_very_many_children_is_found_whole() -> None:
    lots = family(np.zeros(5000, dtype=int), np.arange(1, 5001))
    assert len(lots.children.reach(0)) == 5000
    assert passages(lots).max() == 1


def crossings(drawn: Layout, drawings: Drawings) -> int:
    """Pairs of links between the same two layers that lie one way at their left end and the other at their right."""
    place = {lot: (layer, height) for lot, layer, height in zip(*map(np.ndarray.tolist, parts(drawn)), strict=True)}
    links = [(place[parent], place[child]) for parent, child in drawings if parent in place and child in place]
    return sum(
        (left[0], right[0]) == (other_left[0], other_right[0])
        and (left[1] - other_left[1]) * (right[1] - other_right[1]) < 0
        for (left, right), (other_left, other_right) in combinations(links, 2)
    )


def parts(drawn: Layout) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return drawn.lots, drawn.layer, drawn.height


@settings(deadline=None)
@given(st.data())
def test_trees_are_drawn_without_crossings(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 25))
    drawings = [(data.draw(st.integers(0, lot - 1)), lot) for lot in range(1, count)]
    lots = made(count, drawings)
    assert crossings(layout(lots, range(count), passages(lots)), drawings) == 0


def test_mixed_families_are_plainer_than_in_the_order_of_their_numbers() -> None:
    parent, child = many(220)
    drawings = list(zip(parent.tolist(), child.tolist(), strict=True))
    lots = made(220, drawings)
    passage = passages(lots)
    drawn = layout(lots, range(220), passage)
    height = np.zeros(220)
    for layer in np.unique(passage):
        here = passage == layer
        height[here] = (np.arange(here.sum()) + 0.5) / here.sum()
    by_number = Layout(np.arange(220), passage, height)
    assert crossings(drawn, drawings) < 0.5 * crossings(by_number, drawings)


@settings(deadline=None)
@given(records(), st.data())
def test_what_is_shown_is_spread_evenly_by_passage(record: tuple[int, Drawings], data: st.DataObject) -> None:
    count, drawings = record
    lots = made(count, drawings)
    passage = passages(lots)
    shown = data.draw(st.lists(st.integers(0, count - 1), unique=True))
    drawn = layout(lots, shown, passage)
    assert drawn.lots.tolist() == sorted(shown)
    assert drawn.layer.tolist() == passage[sorted(shown)].tolist()
    for layer in set(drawn.layer.tolist()):
        heights = np.sort(drawn.height[drawn.layer == layer])
        assert heights.tolist() == pytest.approx((np.arange(len(heights)) + 0.5) / len(heights))


def test_no_lots_at_all() -> None:
    none = family([], [])
    assert none.count == 0
    assert len(passages(none)) == 0
    assert len(layout(none, [], passages(none)).lots) == 0


@pytest.mark.parametrize(("parent", "child", "count"), [([0], [3], 3), ([-1], [0], 3), ([0, 1], [1], 3)])
def test_drawings_of_unknown_lots_are_refused(parent: list[int], child: list[int], count: int) -> None:
    with pytest.raises(LotUnknown):
        family(parent, child, count)


def test_questions_of_unknown_lots_are_refused() -> None:
    lots = family([0, 1], [1, 2])
    for wrong in (-1, 3):
        with pytest.raises(LotUnknown):
            lots.children.reach(wrong)
        with pytest.raises(LotUnknown):
            layout(lots, [wrong], np.arange(3))
