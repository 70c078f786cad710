"""How is each spawn line doing, passage by passage?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np

from pinset.ledger.read import Reader
from pinset.questions._batches import BatchRecord, Gathered, UnitRecord, gather, run_interval
from pinset.questions._compare import ArmResult, Compared, Measured, compare, share_contaminated
from pinset.questions._measures import Later, Timed, differences_in_time
from pinset.questions._spawn import SpawnBook, SpawnLot
from pinset.questions._words import in_sentences, listed, number, several, span
from pinset.questions.answer import Answer, Basis, Cell, Chart, Column, Figure, Standing, Table
from pinset.questions.catalogue import question
from pinset.science.intervals import TooFewToResample, time_estimate
from pinset.science.ratios import ratio_of_totals
from pinset.science.turnbull import NothingSeen

ASKS = "how is each spawn line doing, passage by passage?"
METHOD = (
    "batches by the passage of the spawn they were made with; each passage less the lowest made on the same days with "
    "the same mix, the day and mix as a random effect (REML, Satterthwaite), 95 % for all passages of a line at once "
    "(Dunnett); only days on which at least two passages of the line were made with one mix count for it"
)
CONFIDENCE = 0.95
SOURCES = (
    "Dunnett 1955, J. Am. Stat. Assoc. 50:1096",
    "Turnbull 1976, J. R. Stat. Soc. B 38:290 (days between checks)",
)


@dataclass(frozen=True, slots=True)
class Line:
    """A culture and all that was drawn from it: its batches by passage, compared where days allow it."""

    name: str
    passages: dict[int, list[BatchRecord]]
    compared: Compared | None
    slower: dict[int, Later]
    """How many days later the spawn run of a passage was complete than the lowest's."""
    alone: tuple[int, ...]
    """Passages never made beside the lowest, on the same day with the same mix: season and passage look alike."""


@question("lines", ASKS)
def lines(ledger: Reader, *, since: date | None = None, until: date | None = None) -> Answer:
    """Each line of spawn, passage by passage, beside the lowest passage made on the same days.

    since: only batches made on or after this day
    until: only batches made on or before this day
    """
    book = SpawnBook(ledger)
    gathered = gather(ledger, since, until)
    found = _lines(book, gathered)
    lots = list(book.lots.values())
    if not found:
        return _nothing_known(gathered, lots)
    return Answer(
        question="lines", asks=ASKS, headline=_headline(found), standing=_standing(found),
        figures=tuple(figure for line in found for figure in _figures(line)), basis=_basis(gathered, found),
        tables=(_passages_table(found), _lots_table(gathered, book)), charts=tuple(_charts(found, lots)),
        cautions=tuple(_cautions(found, gathered, book)), next=tuple(_next(found)),
    )  # fmt: skip


def _nothing_known(gathered: Gathered, lots: list[SpawnLot]) -> Answer:
    lacks = "no batch says which spawn of known passage it was made with"
    words = f"{several(len(lots), 'spawn lot')} on record, but {lacks}."
    return Answer(
        "lines", ASKS, words, Standing("open", "batches and spawn lots are not linked on record"), (),
        Basis({"lots": len(lots), "batches": len(gathered.batches)}, "none", None, None, METHOD, SOURCES),
        next=("Name the spawn of a batch: make spawn=LOT:0.7kg; and where it came from: draw lot=LOT parents=OLDER",),
    )  # fmt: skip


def _lines(book: SpawnBook, gathered: Gathered) -> list[Line]:
    by_line: dict[str, dict[int, list[BatchRecord]]] = {}
    for batch in gathered.batches:
        known = [book.passage(lot) for lot in batch.spawn_lots]
        passages = [passage for passage in known if passage is not None]
        if passages and len(passages) == len(known):
            by_line.setdefault(book.line(batch.spawn_lots), {}).setdefault(max(passages), []).append(batch)
    return [_line(name, dict(sorted(passages.items())), gathered) for name, passages in sorted(by_line.items())]


def _line(name: str, passages: dict[int, list[BatchRecord]], gathered: Gathered) -> Line:
    beside = {passage: {_block(gathered, batch) for batch in some} for passage, some in passages.items()}
    lowest = min(passages)
    alone = tuple(passage for passage in passages if passage != lowest and not beside[passage] & beside[lowest])
    measured = [
        Measured(f"passage {passage}", _block(gathered, batch), batch.code, _per_unit(batch))
        for passage, some in passages.items()
        for batch in some
        if passage not in alone and batch.level != "none" and batch.shared_kg == 0
    ]
    shared = {one.block for one in measured if len({other.arm for other in measured if other.block == one.block}) > 1}
    fair = [one for one in measured if one.block in shared]
    compared = compare(fair, [f"passage {passage}" for passage in passages])
    slower = {
        passage: found
        for passage, some in passages.items()
        if passage != lowest and (found := _slower(gathered, passages[lowest], some)) is not None
    }
    return Line(name, passages, compared, slower, alone)


def _block(gathered: Gathered, batch: BatchRecord) -> str:
    """What is alike but for the passage: the day of making and the mix."""
    return f"{gathered.day(batch.batch.at)} {batch.batch.recipe or ''} {batch.batch.strain or ''}"


def _slower(gathered: Gathered, lowest: list[BatchRecord], some: list[BatchRecord]) -> Later | None:
    """How much later a passage's spawn run was complete than the lowest's beside it; None where too few stood there."""
    both = {_block(gathered, batch) for batch in lowest} & {_block(gathered, batch) for batch in some}
    timed = [
        Timed(
            arm, _block(gathered, batch), batch.code, unit.run_after, math.inf if unit.run_by is None else unit.run_by
        )
        for arm, batches in (("lowest", lowest), ("other", some))
        for batch in batches
        if _block(gathered, batch) in both
        for unit in batch.units
        if unit.looked_at
    ]
    if len(both) < 2 or len({one.arm for one in timed}) < 2:
        return None
    return differences_in_time(timed, ("lowest", "other"), "batch", CONFIDENCE).get("other")


def _run(unit: UnitRecord) -> tuple[float, float]:
    return unit.run_after, math.inf if unit.run_by is None else unit.run_by


def _per_unit(batch: BatchRecord) -> float:
    return batch.picked_kg / batch.batch.units


def _told(line: Line) -> list[ArmResult]:
    """Passages that can be told from the lowest, the largest loss first."""
    results = line.compared.arms[1:] if line.compared else ()
    told = [one for one in results if one.lies]
    return sorted(told, key=lambda one: one.difference.value if one.difference else 0.0)


def _headline(found: list[Line]) -> str:
    sentences = [_loss(line, told) for line in found if (told := _told(line))]
    sentences += [_delay(line, *late) for line in found if (late := _latest(line)) is not None]
    blind = [line for line in found if line.alone]
    if blind:
        names = listed([f"{line.name} (passage {listed([str(one) for one in line.alone])})" for line in blind])
        sentences.append(
            f"Season and passage cannot be told apart for {names}: no lower passage was made on the same days"
        )
    if not sentences:
        compared = [line.name for line in found if line.compared]
        if not compared:
            return "No two passages of a line were made on the same days yet, so nothing can be said of any decline."
        return f"No passage of {listed(compared)} can be told from the lowest made beside it."
    return in_sentences(sentences)


def _loss(line: Line, told: list[ArmResult]) -> str:
    """What the passage that lost most did beside the lowest, then the others that can be told from it."""
    assert line.compared is not None, "a loss without a comparison"
    lowest, first = line.compared.arms[0], told[0]
    share = _share(line.compared, first)
    verb, ending = ("less", "draw the next lot from a lower passage") if share < 0 else ("more", "it may be drawn from")
    others = "".join(f", {one.arm} {number(100 * abs(_share(line.compared, one)), 0)} %" for one in told[1:])
    return (
        f"{line.name} at {first.arm} gave {number(100 * abs(share), 0)} % {verb} a unit than {lowest.arm} made on the "
        f"same days, {first.size('kg')}{others}: {ending}"
    )


def _latest(line: Line) -> tuple[int, Later] | None:
    """The passage whose spawn run took longest beyond the lowest's, where that can be told."""
    told = [(passage, days) for passage, days in line.slower.items() if days.low > 0]
    return max(told, key=lambda one: one[1].value, default=None)


def _delay(line: Line, passage: int, days: Later) -> str:
    lowest = min(line.passages)
    took = span(days.value, days.low, days.high, "days")
    return f"{line.name} at passage {passage} ran {took} longer than passage {lowest} beside it"


def _share(compared: Compared, result: ArmResult) -> float:
    """The difference as a share of what the lowest passage gave."""
    return result.difference.value / compared.arms[0].mean.value if result.difference else 0.0


def _standing(found: list[Line]) -> Standing:
    compared = [line for line in found if line.compared]
    if not compared:
        return Standing("open", "no two passages of a line were made on the same day")
    single = [line.name for line in compared if _single_lots(line)]
    if any(line.alone for line in found):
        return Standing("leaning", "some passages have no lower one made on the same days to stand beside")
    if single:
        words = f"each passage of {listed(single)} was one lot: a passage and its lot cannot be told apart"
        return Standing("leaning", words)
    return Standing("settled", "passages made on the same days, from more than one lot each, are compared")


def _single_lots(line: Line) -> bool:
    return any(len({lot for batch in some for lot in batch.spawn_lots}) == 1 for some in line.passages.values())


def _figures(line: Line) -> list[Figure]:
    figures = [
        Figure(
            f"{line.name}: spawn run of passage {passage}", days.value, "days longer", days.low, days.high, days.count,
            "median days to full colonisation of each batch, less the lowest passage's beside it, compared within days",
        )
        for passage, days in line.slower.items()
    ]  # fmt: skip
    if line.compared is None:
        return figures
    lowest = line.compared.arms[0].arm
    how = f"kg a unit made, less {lowest} of the same days and mix; all passages of the line at once"
    return [_figure(f"{line.name}: {one.arm}", one, how) for one in line.compared.arms[1:]] + figures


def _figure(name: str, result: ArmResult, how: str) -> Figure:
    assert result.difference is not None, "the lowest passage less itself"
    one = result.difference
    return Figure(name, one.value, "kg a unit", one.low, one.high, result.count, how)


def _basis(gathered: Gathered, found: list[Line]) -> Basis:
    batches = [batch for line in found for some in line.passages.values() for batch in some]
    days = [gathered.day(batch.batch.at) for batch in batches]
    counts = {"lines": len(found), "batches": len(batches), "units": sum(batch.batch.units for batch in batches)}
    return Basis(counts, "by batch, because spawn is given to a batch", min(days), max(days), METHOD, SOURCES)


def _passages_table(found: list[Line]) -> Table:
    columns = (
        Column("line", link="lot"), Column("passage"), Column("batches"), Column("units"),
        Column("per unit made", "kg", 3), Column("less the lowest", "kg", 3), Column("from", "kg", 3),
        Column("to", "kg", 3),
        Column("spawn run", "days", 1), Column("contaminated", "%", 1), Column("from", "%", 1), Column("to", "%", 1),
    )  # fmt: skip
    rows = tuple(_passage_row(line, passage, some) for line in found for passage, some in line.passages.items())
    title = "Each passage; differences only from the lowest passage made on the same days"
    return Table("passages", title, columns, rows)


def _passage_row(line: Line, passage: int, some: list[BatchRecord]) -> tuple[Cell, ...]:
    units = np.array([float(batch.batch.units) for batch in some])
    each = ratio_of_totals(np.array([batch.picked_kg for batch in some]), units)
    bad = share_contaminated(some)
    results = line.compared.arms if line.compared else ()
    difference = next((one.difference for one in results if one.arm == f"passage {passage}"), None)
    beside = (None, None, None) if difference is None else (difference.value, difference.low, difference.high)
    return (
        line.name, passage, len(some), int(units.sum()), each.value, *beside, _median_days(some),
        100 * bad.value, 100 * bad.low, 100 * bad.high,
    )  # fmt: skip


def _median_days(some: list[BatchRecord]) -> float | None:
    looked = [(batch.code, unit) for batch in some for unit in batch.units if unit.looked_at]
    left, right = run_interval([unit for _, unit in looked])
    try:
        value = time_estimate(left, right, clusters=np.array([code for code, _ in looked]), resamples=10).value
    except (NothingSeen, TooFewToResample):
        return None
    return value if math.isfinite(value) else None


def _lots_table(gathered: Gathered, book: SpawnBook) -> Table:
    columns = (
        Column("lot", link="lot"), Column("made or came"), Column("carrier"), Column("drawn from"), Column("passage"),
        Column("line"), Column("batches made"),
    )  # fmt: skip
    used = [lot for batch in gathered.whole for lot in batch.spawn_lots]
    family = sorted(book.lots.items(), key=lambda item: (item[1].line, item[1].passage or 0, item[0]))
    rows = tuple(_lot_row(gathered, code, one, used.count(code)) for code, one in family)
    return Table("lots", "Every culture and spawn lot, and what it was drawn from", columns, rows)


def _lot_row(gathered: Gathered, code: str, one: SpawnLot, used: int) -> tuple[Cell, ...]:
    came = gathered.day(one.lot.at).isoformat()
    carrier, source = one.lot.carrier or one.lot.item, listed(one.parents) or one.lot.origin
    return (code, came, carrier, source, one.passage, one.line, used)


def _charts(found: list[Line], lots: list[SpawnLot]) -> list[Chart]:
    values = [
        {"line": line.name, "passage": passage, "kg per unit made": round(_per_unit(batch), 4)}
        for line in found
        for passage, some in line.passages.items()
        for batch in some
    ]
    spec = {
        "data": {"values": values},
        "mark": {"type": "point", "filled": True, "size": 60},
        "encoding": {
            "x": {"field": "passage", "type": "ordinal", "title": "passage"},
            "y": {"field": "kg per unit made", "type": "quantitative", "title": "kg per unit made"},
            "shape": {"field": "line", "type": "nominal", "title": "line"},
            "color": {"field": "line", "type": "nominal", "title": "line"},
        },
    }
    whole = f"{several(len(found), 'line')} and {several(len(lots), 'lot')}"
    alt = f"One point a batch by the passage of its spawn, for {whole}."
    return [Chart("passages", "What each batch gave, by the passage of its spawn", alt, spec)]


def _cautions(found: list[Line], gathered: Gathered, book: SpawnBook) -> list[str]:
    said = []
    for line in found:
        if line.alone:
            said.append(
                f"{line.name}: passage {listed([str(one) for one in line.alone])} was made on other days than the "
                "lowest; a change may be the season's."
            )
        elif _single_lots(line) and line.compared:
            said.append(f"{line.name}: where a passage was one lot only, the lot may be what differs.")
    unknown = [code for code, one in book.lots.items() if one.passage is None]
    if unknown:
        said.append(f"The passage of {listed(unknown)} is not known: no parent or passage is on record.")
    unlinked = [batch.code for batch in gathered.batches if not batch.spawn_lots]
    if unlinked:
        said.append(f"No spawn is on record for {listed(unlinked)}: left out.")
    return said


def _next(found: list[Line]) -> list[str]:
    said = []
    if any(line.alone for line in found) or not any(line.compared for line in found):
        said.append(
            "On the next make day, make a batch from the lowest passage beside the later one: it tells them apart."
        )
    if any(_single_lots(line) for line in found):
        said.append(
            "Draw two lots of a passage and make batches from both: then a bad lot is not taken for a tired line."
        )
    return said
