"""The rows that one entry yields. Pure: an entry's rows depend on that entry alone, never on what came before."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

from pinset.journal.codes import unit_code
from pinset.journal.entry import Entry, seconds
from pinset.ledger.tables import (
    Batch,
    Claim,
    Cleaned,
    Counted,
    Culled,
    Definition,
    Delivery,
    Labour,
    Link,
    Load,
    Lot,
    MixMade,
    Picked,
    Price,
    Remark,
    Row,
    Seen,
    SignSeen,
    Stay,
    Unit,
)  # fmt: skip

Body = dict[str, Any]
Yields = Callable[[Entry, Body, int], Iterator[Row]]


def rows(entry: Entry) -> list[Row]:
    """Every row of an entry, in a fixed order.

    >>> pick = Entry("0", "f", "pick", "2026-03-27T12:00:00+01:00", "2026-03-27T12:00:00+01:00", "Ana",
    ...              {"units": ["A-01"], "weight_mg": 328000, "flush": 1})
    >>> rows(pick)[0].subject, rows(pick)[0].weight_mg
    ('A-01', 328000)
    """
    at = seconds(entry.at)
    made = list(_BY_KIND[entry.kind](entry, entry.body, at))
    code = claimed(entry)
    if code is not None:
        made.append(Claim(entry.farm, entry.id, 0, code, seconds(entry.noted_at)))
    remarks = entry.body.get("remarks")
    if remarks:
        made.append(Remark(entry.farm, entry.id, 0, at, entry.kind, _about(entry.body), remarks))
    return made


def claimed(entry: Entry) -> str | None:
    """The code that an entry gives to something new, with its sort before it; None where it names nothing new."""
    field = _CLAIMS.get(entry.kind)
    return None if field is None else f"{field}:{entry.body[field]}"


_CLAIMS = {"make": "batch", "receive": "lot", "draw": "lot", "pack": "lot", "mix": "mix", "treat": "load"}


def subjects(entry: Entry) -> list[tuple[str, str]]:
    """What an entry is about, as (level, code).

    >>> subjects(Entry("0", "f", "check", "", "", "Ana", {"batch": "A"}))
    [('batch', 'A')]
    """
    body = entry.body
    if "units" in body and entry.kind != "make":
        return [("unit", code) for code in body["units"]]
    return [(level, body[level]) for level in ("batch", "room") if level in body]


def _about(body: Body) -> str | None:
    for field in ("units", "batch", "lot", "load", "mix", "room", "name"):
        if field in body:
            value = body[field]
            return str(value[0]) if isinstance(value, list) else str(value)
    return None


def _define(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield Definition(
        entry.farm,
        entry.id,
        0,
        at,
        body["what"],
        body["name"],
        json.dumps(body, sort_keys=True, ensure_ascii=False),
    )
    if "amount_minor" in body and "per" in body:
        yield Price(entry.farm, entry.id, 0, at, body["name"], body["amount_minor"], body["per"])


def _receive(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield Lot(
        entry.farm, entry.id, 0, at, body["lot"], body["what"], body["item"], body.get("strain"), body.get("carrier"),
        body.get("passage"), body.get("weight_mg"), body.get("number"), body.get("cost_minor"), body.get("moisture"),
        body.get("supplier"), body.get("supplier_lot"), "received",
    )  # fmt: skip


def _draw(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield Lot(
        entry.farm, entry.id, 0, at, body["lot"], "spawn", body["carrier"], body.get("strain"), body["carrier"],
        body.get("passage"), body.get("weight_mg"), body.get("number"), body.get("cost_minor"), None, None, None,
        "drawn",
    )  # fmt: skip
    yield from _links(entry, body["parents"], body["lot"], "lot", at)
    yield from _labour(entry, body, at, "draw", "lot", body["lot"])


def _links(entry: Entry, parts: list[Body], child: str, child_kind: str, at: int) -> Iterator[Row]:
    for n, part in enumerate(parts):
        yield Link(entry.farm, entry.id, n, at, part["lot"], child, child_kind, part.get("weight_mg"))


def _labour(entry: Entry, body: Body, at: int, task: str, level: str, subject: str | None) -> Iterator[Row]:
    if body.get("minutes"):
        yield Labour(entry.farm, entry.id, 0, at, task, body["minutes"], entry.by, level, subject)


def _mix(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield MixMade(
        entry.farm, entry.id, 0, at, body["mix"], body.get("recipe"), body.get("water_mg"), body.get("total_mg"),
        body.get("moisture"),
    )  # fmt: skip
    yield from _links(entry, body.get("parts", []), body["mix"], "mix", at)


def _treat(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield Load(
        entry.farm, entry.id, 0, at, body["load"], body["method"], body.get("celsius"), body.get("held_min"),
        body.get("energy_kwh"),
    )  # fmt: skip


def _make(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    code, units = body["batch"], body["units"]
    total = body.get("total_mg")
    fill = body.get("fill_mg") or (None if total is None else round(total / units))
    yield Batch(
        entry.farm, entry.id, 0, at, code, units, fill, body.get("strain"), body.get("recipe"), body.get("mix"),
        body.get("moisture"), body.get("load"), body.get("room"), body.get("trial"), body.get("arm"),
        body.get("container"),
    )  # fmt: skip
    arms = body.get("unit_arms") or [body.get("arm")] * units
    for n in range(1, units + 1):
        name = unit_code(code, n, body.get("checked_codes", False))
        yield Unit(entry.farm, entry.id, n, name, code, arms[n - 1])
    yield from _links(entry, body.get("spawn", []), code, "batch", at)
    if "room" in body:
        yield Stay(entry.farm, entry.id, 0, at, "batch", code, body["room"], None)
    yield from _labour(entry, body, at, "make", "batch", code)


def _move(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    for n, (level, subject) in enumerate(subjects(entry)):
        yield Stay(entry.farm, entry.id, n, at, level, subject, body["to"], body.get("shelf"))


def _check(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    signs = body.get("signs", [])
    pinning = body.get("pinning")
    for n, (level, subject) in enumerate(subjects(entry)):
        yield Seen(
            entry.farm, entry.id, n, at, level, subject, body.get("run"), body.get("looked_at"),
            None if pinning is None else int(pinning),
        )  # fmt: skip
        for m, sign in enumerate(signs):
            yield SignSeen(
                entry.farm, entry.id, n * len(signs) + m, at, level, subject, sign, body.get("affected")
            )  # fmt: skip


def _pick(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    about = subjects(entry)
    each, over = divmod(body["weight_mg"], len(about))
    for n, (level, subject) in enumerate(about):
        yield Picked(
            entry.farm, entry.id, n, at, level, subject, each + (n < over), body.get("flush"), body.get("grade"),
            int(len(about) > 1),
        )  # fmt: skip
    level, subject = about[0]
    yield from _labour(entry, body, at, "pick", level, subject)


def _cull(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    for n, (level, subject) in enumerate(subjects(entry)):
        yield Culled(entry.farm, entry.id, n, at, level, subject, body["reason"], body.get("number"))


def _clean(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield Cleaned(entry.farm, entry.id, 0, at, body["room"], body.get("method"))
    yield from _labour(entry, body, at, "clean", "room", body["room"])


def _pack(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield Lot(
        entry.farm, entry.id, 0, at, body["lot"], "product", body["product"], None, None, None, body["weight_mg"],
        body.get("number"), None, None, None, None, "packed",
    )  # fmt: skip
    yield from _links(entry, [{"lot": code} for code in body["batches"]], body["lot"], "sale lot", at)


def _dispatch(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    amount = body.get("amount_minor")
    if amount is None and "price_minor" in body:
        amount = round(body["price_minor"] * body["weight_mg"] / 1_000_000)
    yield Delivery(
        entry.farm, entry.id, 0, at, body["to"], body["weight_mg"], body.get("lot"), body.get("product"), amount
    )  # fmt: skip


def _work(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    level = "batch" if "batch" in body else "farm"
    person = body.get("person", entry.by)
    yield Labour(entry.farm, entry.id, 0, at, body["task"], body["minutes"], person, level, body.get("batch"))


def _count(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield Counted(entry.farm, entry.id, 0, at, body["lot"], body.get("weight_mg"), body.get("number"))


def _note(entry: Entry, body: Body, at: int) -> Iterator[Row]:
    yield Remark(entry.farm, entry.id, 1, at, "note", body.get("about"), body["text"])


_BY_KIND: dict[str, Yields] = {
    "define": _define, "receive": _receive, "mix": _mix, "treat": _treat, "make": _make, "draw": _draw,
    "move": _move, "check": _check, "pick": _pick, "cull": _cull, "clean": _clean, "pack": _pack,
    "dispatch": _dispatch, "work": _work, "count": _count, "note": _note,
}  # fmt: skip
