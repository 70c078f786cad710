"""What did each batch really give?"""

from __future__ import annotations

from datetime import date

import numpy as np

from pinset.ledger.read import Reader
from pinset.questions._batches import BatchRecord, Gathered, gather
from pinset.questions._words import listed, number, several, span
from pinset.questions.answer import Answer, Basis, Chart, Column, Figure, Standing, Table
from pinset.questions.catalogue import question
from pinset.science.ratios import Ratio, ratio_of_totals

# A batch is named as weak or strong when it lies further out than this many robust standard deviations: 3.5 is the
# usual limit for the modified z-score (Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers; from memory).
FAR_OUT = 3.5
MAD_TO_SD = 1.4826  # makes the median absolute deviation of normal data its standard deviation
METHOD = (
    "kg picked over kg wet substrate, summed over batches; units that gave nothing count as zero; 95 % interval by "
    "linearisation over batches, because units of one batch are alike"
)


@question("yields", "what did each batch really give?")
def yields(
    ledger: Reader, *, since: date | None = None, until: date | None = None, recipe: str | None = None
) -> Answer:
    """What each batch gave, per unit made and per kg of substrate.

    since: only batches made on or after this day
    until: only batches made on or before this day
    recipe: only batches of this recipe
    """
    gathered = gather(ledger, since, until)
    batches = [batch for batch in gathered.batches if recipe is None or batch.batch.recipe == recipe]
    picked = [batch for batch in batches if batch.all_kg > 0]
    if not picked:
        return _nothing_picked(batches)
    figures = _figures(batches)
    return Answer(
        question="yields", asks=QUESTION_ASKS, headline=_headline(batches, figures),
        standing=_standing(gathered, batches), figures=tuple(figures), basis=_basis(gathered, batches),
        tables=(_table(gathered, batches), *_by_recipe(batches)), charts=tuple(_charts(gathered, batches)),
        cautions=tuple(_cautions(gathered, batches)), next=tuple(_next(batches)),
    )  # fmt: skip


QUESTION_ASKS = "what did each batch really give?"


def _nothing_picked(batches: list[BatchRecord]) -> Answer:
    words = f"{several(len(batches), 'batch', 'batches')} on record, and nothing picked from them yet."
    return Answer(
        "yields", QUESTION_ASKS, words, Standing("open", "no weight has been noted for these batches"), (),
        Basis({"batches": len(batches)}, "none", None, None, METHOD),
        next=("Note what is picked: pinset note pick batch=CODE weight=2.4kg",),
    )  # fmt: skip


def _weighed(batches: list[BatchRecord]) -> list[BatchRecord]:
    return [batch for batch in batches if batch.wet_kg is not None]


def _ratio(batches: list[BatchRecord], below: str) -> Ratio | None:
    known = [batch for batch in batches if getattr(batch, below)]
    if not known:
        return None
    tops = np.array([batch.all_kg for batch in known])
    return ratio_of_totals(tops, np.array([float(getattr(batch, below)) for batch in known]))


def _figure(name: str, found: Ratio | None, unit: str, how: str, scale: float = 1.0) -> list[Figure]:
    if found is None:
        return []
    low, high = (None, None) if np.isnan(found.low) else (found.low * scale, found.high * scale)
    return [Figure(name, found.value * scale, unit, low, high, found.count, how)]


def _figures(batches: list[BatchRecord]) -> list[Figure]:
    made = sum(batch.batch.units for batch in batches)
    fruited = [batch for batch in batches if batch.level == "unit"]
    total = sum(batch.all_kg for batch in batches)
    per_unit = ratio_of_totals(
        np.array([batch.all_kg for batch in batches]), np.array([float(batch.batch.units) for batch in batches])
    )
    bore = _ratio_of_fruited(fruited)
    return [
        Figure("picked", total, "kg", count=len(batches), how="all weights noted for these batches"),
        Figure("units made", made, "units", count=len(batches), how="units of all batches, culled ones too"),
        *_figure("per unit made", per_unit, "kg", "picked over units made; units that gave nothing count as zero"),
        *_figure("per unit fruited", bore, "kg", "picked over units that gave something, where units were weighed"),
        *_figure("yield", _ratio(batches, "wet_kg"), "%", "picked over wet substrate filled, spawn not counted", 100),
        *_figure("biological efficiency", _ratio(batches, "dry_kg"), "%",
                 "picked over dry substrate filled, spawn not counted; where the moisture is on record", 100),
        *_figure("per 100 shelf-days", _ratio(batches, "shelf_days"), "kg",
                 "picked over days that the units stood, from making to cull or last note", 100),
    ]  # fmt: skip


def _ratio_of_fruited(batches: list[BatchRecord]) -> Ratio | None:
    some = [(batch.picked_kg, sum(unit.picked_kg > 0 for unit in batch.units)) for batch in batches]
    if not some or not sum(units for _, units in some):
        return None
    return ratio_of_totals(np.array([kg for kg, _ in some]), np.array([float(units) for _, units in some]))


def _headline(batches: list[BatchRecord], figures: list[Figure]) -> str:
    by_name = {figure.name: figure for figure in figures}
    total, per_unit, share = by_name["picked"], by_name["per unit made"], by_name.get("yield")
    sentence = (
        f"{several(len(batches), 'batch', 'batches')} gave {number(total.value or 0, 1)} kg: "
        f"{span(per_unit.value or 0, per_unit.low, per_unit.high, 'kg')} per unit made"
    )
    if share is not None:
        sentence += f", {span(share.value or 0, share.low, share.high, '%')} of the wet substrate"
    weak = [batch for batch, score in _far_out(batches) if score < 0]
    if weak:
        worst = weak[0]
        bad = f", {worst.contaminated} of {worst.batch.units} contaminated" if worst.contaminated else ""
        sentence += f". Far below the rest: {listed([batch.code for batch in weak])} ({_share_words(worst)}{bad})"
    return sentence + "."


def _share_words(batch: BatchRecord) -> str:
    return f"{number(batch.all_kg / batch.batch.units, 3)} kg a unit"


def _far_out(batches: list[BatchRecord]) -> list[tuple[BatchRecord, float]]:
    """Batches whose kg per unit made lies far from the others', worst first, with their robust z-score."""
    if len(batches) < 5:
        return []
    each = np.array([batch.all_kg / batch.batch.units for batch in batches])
    middle = float(np.median(each))
    scale = MAD_TO_SD * float(np.median(np.abs(each - middle)))
    if scale == 0:
        return []
    scored = [(batch, (value - middle) / scale) for batch, value in zip(batches, each, strict=True)]
    return sorted((one for one in scored if abs(one[1]) > FAR_OUT), key=lambda one: one[1])


def _standing(gathered: Gathered, batches: list[BatchRecord]) -> Standing:
    going = [batch for batch in batches if gathered.still_going(batch)]
    shared = sum(batch.shared_kg for batch in batches)
    total = sum(batch.all_kg for batch in batches)
    if len(batches) < 2:
        return Standing("open", "one batch says nothing about how much batches differ")
    if shared > 0.05 * total:
        part = number(100 * shared / total, 0)
        return Standing(
            "leaning", f"{part} % of the weight was noted for a room and is shared among its batches by units"
        )
    if going:
        return Standing("leaning", f"{several(len(going), 'batch', 'batches')} may still give more")
    return Standing("settled", "every weight belongs to a batch, and all batches have finished")


def _basis(gathered: Gathered, batches: list[BatchRecord]) -> Basis:
    levels = {level: sum(batch.level == level for batch in batches) for level in ("unit", "batch", "room", "none")}
    said = ", ".join(
        f"{several(n, 'batch', 'batches')} by {level}" for level, n in levels.items() if n and level != "none"
    )
    without = f"; {levels['none']} without any weight" if levels["none"] else ""
    days = [gathered.day(batch.batch.at) for batch in batches]
    counts = {"batches": len(batches), "units": sum(batch.batch.units for batch in batches)}
    return Basis(counts, f"weighed {said}{without}", min(days), max(days), METHOD, (
        "Cochran 1977, Sampling Techniques, section 6.4 (from memory)",
    ))  # fmt: skip


def _table(gathered: Gathered, batches: list[BatchRecord]) -> Table:
    columns = (
        Column("batch", link="batch"), Column("made"), Column("recipe"), Column("units"), Column("contaminated"),
        Column("picked", "kg", 2), Column("per unit made", "kg", 3), Column("yield", "%", 1),
        Column("biological efficiency", "%", 0), Column("weighed by"),
    )  # fmt: skip
    return Table("batches", "What each batch gave", columns, tuple(_row(gathered, batch) for batch in batches))


def _row(gathered: Gathered, batch: BatchRecord) -> tuple[str | int | float | None, ...]:
    wet, dry = batch.wet_kg, batch.dry_kg
    level = {"none": "nothing yet"}.get(batch.level, batch.level)
    return (
        batch.code, gathered.day(batch.batch.at).isoformat(), batch.batch.recipe, batch.batch.units, batch.contaminated,
        batch.all_kg, batch.all_kg / batch.batch.units, 100 * batch.all_kg / wet if wet else None,
        100 * batch.all_kg / dry if dry else None, level + (", still going" if gathered.still_going(batch) else ""),
    )  # fmt: skip


def _by_recipe(batches: list[BatchRecord]) -> list[Table]:
    recipes = sorted({batch.batch.recipe or "not noted" for batch in batches})
    if len(recipes) < 2:
        return []
    rows = [
        _recipe_row(name, [one for one in batches if (one.batch.recipe or "not noted") == name]) for name in recipes
    ]
    columns = (
        Column("recipe"), Column("batches"), Column("units"), Column("picked", "kg", 1),
        Column("per unit made", "kg", 3), Column("from", "kg", 3), Column("to", "kg", 3), Column("yield", "%", 1),
    )  # fmt: skip
    return [
        Table("recipes", "What each recipe gave; made on different days, so no fair comparison", columns, tuple(rows))
    ]


def _recipe_row(name: str, batches: list[BatchRecord]) -> tuple[str | int | float | None, ...]:
    units = np.array([float(batch.batch.units) for batch in batches])
    each = ratio_of_totals(np.array([batch.all_kg for batch in batches]), units)
    share = _ratio(batches, "wet_kg")
    low, high = (None, None) if np.isnan(each.low) else (each.low, each.high)
    total = sum(batch.all_kg for batch in batches)
    return (name, len(batches), int(units.sum()), total, each.value, low, high, 100 * share.value if share else None)


def _charts(gathered: Gathered, batches: list[BatchRecord]) -> list[Chart]:
    weights = [round(batch.all_kg / batch.batch.units, 4) for batch in batches]
    points = [
        {
            "made": gathered.day(batch.batch.at).isoformat(),
            "kg per unit made": weight,
            "batch": batch.code,
            "recipe": batch.batch.recipe or "not noted",
        }
        for batch, weight in zip(batches, weights, strict=True)
    ]
    spec = {
        "data": {"values": points},
        "mark": {"type": "point", "filled": True, "size": 70},
        "encoding": {
            "x": {"field": "made", "type": "temporal", "title": "made"},
            "y": {"field": "kg per unit made", "type": "quantitative", "title": "kg per unit made"},
            "shape": {"field": "recipe", "type": "nominal", "title": "recipe"},
            "color": {"field": "recipe", "type": "nominal", "title": "recipe"},
            "tooltip": [{"field": "batch"}, {"field": "kg per unit made"}],
        },
    }
    alt = f"One point a batch by the day it was made, from {min(weights)} to {max(weights)} kg per unit made."
    return [Chart("by-day", "What each batch gave, by the day it was made", alt, spec)]


def _cautions(gathered: Gathered, batches: list[BatchRecord]) -> list[str]:
    said = []
    if doubled := sum(batch.doubled for batch in batches):
        said.append(
            f"{several(doubled, 'batch weight')} repeat the units' weights of the same day and were counted once."
        )
    if gathered.nobody_kg:
        said.append(
            f"{number(gathered.nobody_kg, 1)} kg were picked in rooms where no batch stood; no batch is given them."
        )
    missing = [batch.code for batch in batches if batch.wet_kg is None]
    if missing:
        said.append(f"No fill weight on record for {listed(missing)}: left out of the yield in %.")
    if len({batch.batch.recipe for batch in batches}) > 1:
        said.append("Recipes made on different days differ by more than the recipe; only a trial compares them fairly.")
    return said


def _next(batches: list[BatchRecord]) -> list[str]:
    said = []
    if any(batch.level in ("batch", "room") for batch in batches):
        said.append(
            "Weigh each unit for a few batches: then the spread within a batch shows, and so does a single bad unit."
        )
    if any(batch.level == "room" for batch in batches):
        said.append("Note a pick for its batch, not the room: then nothing has to be shared out by an estimate.")
    if any(batch.moisture is None for batch in batches):
        said.append("Note the moisture of a mix (dry a weighed handful): it gives the biological efficiency.")
    return said
