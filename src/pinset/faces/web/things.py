"""The things: one batch, unit, lot or entry, what is on record of it, and what was noted about it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final
from urllib.parse import urlencode

from pinset.faces import telling, words
from pinset.faces.web.lists import picked_mg, units_table
from pinset.faces.web.record import Record
from pinset.faces.web.views import Context, Fact, NotOnRecord, arm, day, days, in_time, kilos, link
from pinset.journal.keep import Kept
from pinset.journal.kinds import SIGNS
from pinset.ledger.tables import Batch, Culled, Link, Lot, Picked, SignSeen, Stay, Unit
from pinset.questions._words import listed, several
from pinset.questions.answer import Column, Table

MOST_NOTES: Final = 60


def batch(record: Record, code: str) -> Context:
    """One batch: what it was made of, what it gave, its units."""
    one = _the(record, Batch, "batch", code)
    of_it = record.units_of([code]).get(code, [])
    spoken_of = [code, *(unit.code for unit in of_it)]
    headline = f"{_made(record, one)}, {_gave(record, code)}{_thrown_out(record, one, spoken_of)}."
    its_units = units_table(record, of_it, "Its units")
    return _thing(record, "Batch", code, headline, _batch_facts(record, one), [its_units], spoken_of)


def _made(record: Record, one: Batch) -> str:
    fill = f" of {words.weight(one.fill_mg, record.farm.decimal_mark)}" if one.fill_mg else ""
    containers = words.counted(one.units, f"{one.container or 'unit'}s")
    return f"{containers}{fill}, made on {day(record, one.at)}"


def _gave(record: Record, code: str) -> str:
    picked = picked_mg(record, [code]).get(code)
    return "nothing picked yet" if picked is None else f"gave {words.weight(picked, record.farm.decimal_mark)}"


def _thrown_out(record: Record, one: Batch, codes: list[str]) -> str:
    culls = record.ledger.of(Culled, "subject", codes)
    units = len({cull.subject for cull in culls if cull.level == "unit"})
    count = min(one.units, units + sum(cull.number or one.units for cull in culls if cull.level == "batch"))
    return f"; {count} thrown out" if count else ""


def _batch_facts(record: Record, one: Batch) -> list[Fact]:
    stays = in_time(record.ledger.rows(Stay, subject=one.code))
    spawn = [row for row in record.ledger.rows(Link, child=one.code) if row.child_kind == "batch"]
    voice = telling.Voice(record.farm)
    return _said(
        Fact("strain", one.strain or ""), Fact("recipe", one.recipe or ""), Fact("mix", one.mix or ""),
        Fact("moisture", voice.share(one.moisture)), Fact("load", one.load or ""),
        Fact("trial", arm(one.trial, one.arm) or ""),
        *(Fact("spawn from", row.parent + voice.weight(row.weight_mg, ", "), link("lot", row.parent)) for row in spawn),
        Fact("rooms", ", then ".join(stay.room for stay in stays)),
        Fact("units", "in the list of units", f"/units?{urlencode({'batch': one.code})}"),
    )  # fmt: skip


def unit(record: Record, code: str) -> Context:
    """One unit: what it gave and what was seen of it."""
    one = _the(record, Unit, "unit", code)
    picks = record.ledger.rows(Picked, subject=code)
    culls = record.ledger.rows(Culled, subject=code)
    signs = [SIGNS[row.sign].split(";")[0] for row in in_time(record.ledger.rows(SignSeen, subject=code))]
    gave = words.weight(sum(pick.weight_mg for pick in picks), record.farm.decimal_mark)
    headline = f"Gave {gave} in {several(len(picks), 'pick')}" if picks else "Nothing picked from it"
    for cull in culls[:1]:
        headline += f"; thrown out on {day(record, cull.at)}: {cull.reason}"
    stays = in_time([*record.ledger.rows(Stay, subject=one.batch), *record.ledger.rows(Stay, subject=code)])
    facts = _said(
        Fact("batch", one.batch, link("batch", one.batch)), Fact("arm", one.arm or ""),
        Fact("signs", listed(list(dict.fromkeys(signs)), 5)), Fact("stands in", stays[-1].room if stays else ""),
    )  # fmt: skip
    return _thing(record, "Unit", code, headline + ".", facts, [_flushes(record, picks)], [code])


def _flushes(record: Record, picks: list[Picked]) -> Table:
    rows = tuple(
        (words.moment(pick.at, record.farm.zone), pick.flush, kilos(pick.weight_mg), pick.grade,
         "shared evenly among units" if pick.shared else None)
        for pick in in_time(picks)
    )  # fmt: skip
    columns = (Column("picked"), Column("flush"), Column("weight", "kg", 3), Column("grade"), Column("remark"))
    return Table("picks", "What was picked", columns, rows)


def lot(record: Record, code: str) -> Context:
    """One lot: where it came from and what it went into."""
    one = _the(record, Lot, "lot", code)
    parents, children = record.ledger.rows(Link, child=code), record.ledger.rows(Link, parent=code)
    weight = f"{words.weight(one.weight_mg, record.farm.decimal_mark)} of " if one.weight_mg is not None else ""
    came = day(record, one.at)
    whence = f" from {listed([row.parent for row in parents])}" if parents else ""
    headline = f"{weight}{one.item}, {one.origin} on {came}{whence}"
    headline += f"; went into {listed([row.child for row in children])}." if children else "."
    ends = [_parents(record, parents), _children(record, children)]
    return _thing(record, "Lot", code, words.capital(headline), _lot_facts(record, one), ends, [code])


def _lot_facts(record: Record, one: Lot) -> list[Fact]:
    voice = telling.Voice(record.farm)
    return _said(
        Fact("kind", one.what), Fact("strain", one.strain or ""), Fact("carrier", one.carrier or ""),
        Fact("passage", "" if one.passage is None else str(one.passage)), Fact("number", str(one.number or "")),
        Fact("cost", voice.money(one.cost_minor)), Fact("moisture", voice.share(one.moisture)),
        Fact("supplier", one.supplier or ""), Fact("supplier's lot", one.supplier_lot or ""),
    )  # fmt: skip


def _parents(record: Record, parents: list[Link]) -> Table:
    return _linked(record, "Came from", "from", parents, lambda row: row.parent)


def _children(record: Record, children: list[Link]) -> Table:
    return _linked(record, "Went into", "into", children, lambda row: row.child)


def _linked(record: Record, title: str, way: str, rows: list[Link], end: Callable[[Link], str]) -> Table:
    """The other ends of links: batches and lots lead to their pages."""
    codes = {end(row) for row in rows}
    batches = {one.code for one in record.ledger.of(Batch, "code", codes)}
    kinds = {"batch" if code in batches else "lot" for code in codes}
    kind = kinds.pop() if len(kinds) == 1 else ""
    columns = (Column(way, link=kind), Column("as"), Column("day"), Column("weight", "kg", 2))
    made = tuple(
        (end(row), "batch" if end(row) in batches else row.child_kind if way == "into" else "lot",
         day(record, row.at), kilos(row.weight_mg))
        for row in in_time(rows)
    )  # fmt: skip
    return Table(way, title, columns, made)


def entry(record: Record, entry_id: str) -> Context:
    """One entry, what it says, and the history of its corrections."""
    family = record.family(entry_id)
    this = next((one for one in family if one.entry.id == entry_id), None)
    if this is None:
        raise NotOnRecord("entry", entry_id, [])
    zone, said = record.farm.zone, this.entry
    facts = [
        Fact("happened", words.moment(said.at, zone)), Fact("noted", words.moment(said.noted_at, zone)),
        Fact("kept", words.moment(this.kept_at, zone)), Fact("by", said.by),
        *(Fact(name, value) for name, value in telling.fields(said, record.farm)), Fact("id", said.id),
    ]  # fmt: skip
    headline = f"{telling.told(said, record.farm)}. {_state(record, family, entry_id)}"
    told = days(record, family) if len(family) > 1 else []
    shown = {"kind": f"Entry {this.place}:", "name": said.kind, "headline": headline.strip(), "facts": facts}
    return shown | {"tables": [], "told": told, "told_title": "Its corrections", "more": 0}


def _state(record: Record, family: list[Kept], entry_id: str) -> str:
    if len(family) == 1:
        return ""
    return "This is in force." if record.in_force(family) == entry_id else "This was corrected since."


def _thing(record: Record, kind: str, code: str, headline: str, facts: list[Fact], tables: list[Table],
           spoken_of: list[str]) -> Context:  # fmt: skip
    told = record.about(spoken_of)
    noted = {"told": days(record, told[:MOST_NOTES]), "told_title": "What was noted"}
    more = max(0, len(told) - MOST_NOTES)
    return {"kind": kind, "name": code, "headline": headline, "facts": facts, "tables": tables, "more": more} | noted


def _the(record: Record, table: type[Any], kind: str, code: str) -> Any:
    for row in record.ledger.rows(table, code=code):
        return row
    raise NotOnRecord(kind, code, record.near(table, code))


def _said(*facts: Fact) -> list[Fact]:
    return [fact for fact in facts if fact.words]
