"""A small invented farm to look at, with names in it that try to break out of a page."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

from pinset.farm import Farm
from pinset.journal.entry import Entry

UNSAFE = "<script>alert('x')</script>"
ODD_LOT = "S/1 ?&#\"'"
BATCHES = 12


def start(folder: Path) -> Farm:
    """The farm, noted from its first day to its last."""
    farm = Farm.start(folder, "Hollow Lane & Sons", "EUR", "Europe/Vienna")
    entries = [*_stock(farm), *_season(farm), *_rest(farm)]
    outcomes = farm.keep(entries)
    assert {outcome.word for outcome in outcomes} == {"kept"}
    picked = next(entry for entry in entries if entry.kind == "pick")
    corrected = farm.entry("pick", {**picked.body, "weight_mg": 311_000}, picked.at, "Ana", replaces=picked.id)
    assert farm.keep([corrected])[0].word == "kept"
    return farm


def _stock(farm: Farm) -> list[Entry]:
    parts = [{"ingredient": "wheat straw", "share": 0.95}, {"ingredient": "gypsum", "share": 0.05}]
    bran = [{"ingredient": "wheat straw", "share": 0.9}, {"ingredient": "wheat bran", "share": 0.1}]
    said: list[tuple[str, dict[str, Any], str]] = [
        ("define", {"what": "room", "name": "Fruit 1", "purpose": "fruiting", "places": 200}, "2026-01-10"),
        ("define", {"what": "recipe", "name": "straw", "parts": parts, "moisture": 0.66}, "2026-01-10"),
        ("define", {"what": "recipe", "name": "straw + bran", "parts": bran, "moisture": 0.64}, "2026-01-10"),
        ("define", {"what": "trial", "name": "bran", "arms": ["plain", "bran"], "control": "plain",
                    "given_to": "batch"}, "2026-01-10"),
        ("receive", {"lot": "C-01", "what": "culture", "item": "king oyster slant", "strain": "KO-3", "passage": 1,
                     "cost_minor": 4500, "supplier": "Old Mill Cultures"}, "2026-01-12"),
        ("receive", {"lot": "RYE-7", "what": "ingredient", "item": "rye grain", "weight_mg": 25_000_000,
                     "cost_minor": 1890}, "2026-01-14"),
        ("draw", {"lot": ODD_LOT, "parents": [{"lot": "C-01"}, {"lot": "RYE-7", "weight_mg": 6_000_000}],
                  "carrier": "grain", "weight_mg": 9_000_000, "strain": "KO-3"}, "2026-01-16"),
    ]  # fmt: skip
    return [farm.entry(kind, body, at, "Ana") for kind, body, at in said]


def _season(farm: Farm) -> list[Entry]:
    entries: list[Entry] = []
    for number in range(1, BATCHES + 1):
        made = date(2026, 2, 2) + timedelta(days=5 * ((number - 1) // 2))
        entries += _batch(farm, f"KB{number:03d}", made, "bran" if number % 2 else "plain", number)
    return entries


def _batch(farm: Farm, code: str, made: date, arm: str, number: int) -> list[Entry]:
    def later(days: int, hour: str = "") -> str:
        return (made + timedelta(days)).isoformat() + hour

    recipe = "straw + bran" if arm == "bran" else "straw"
    body = {
        "batch": code, "units": 4, "fill_mg": 2_200_000, "container": "bag", "recipe": recipe, "strain": "KO-3",
        "trial": "bran", "arm": arm, "room": "Run 1", "spawn": [{"lot": ODD_LOT, "weight_mg": 450_000}],
    }  # fmt: skip
    entries = [farm.entry("make", body, later(0), "Ana")]
    for unit in (f"{code}-{n:02d}" for n in range(1, 5)):
        entries += [
            farm.entry("check", {"units": [unit], "run": run}, later(day), "Tom") for day, run in ((9, 0.4), (19, 1.0))
        ]
        weight = 300_000 + 1_000 * number + (40_000 if arm == "bran" else 0)
        entries.append(
            farm.entry("pick", {"units": [unit], "weight_mg": weight, "flush": 1}, later(28, "T08:10"), "Ana")
        )
    bad = {"units": [f"{code}-04"], "signs": ["green"]}
    entries += [
        farm.entry("check", bad, later(29), "Tom"),
        farm.entry("move", {"batch": code, "to": "Fruit 1"}, later(20), "Tom"),
    ]
    return entries


def _rest(farm: Farm) -> list[Entry]:
    said: list[tuple[str, dict[str, Any], str]] = [
        ("cull", {"units": ["KB001-04"], "reason": "contaminated"}, "2026-03-05"),
        ("make", {"batch": UNSAFE, "units": 1, "fill_mg": 2_000_000, "recipe": UNSAFE, "remarks": UNSAFE},
         "2026-04-20"),
        ("pack", {"lot": "P-1", "product": "king oyster 250 g", "batches": ["KB001", "KB002"], "weight_mg": 2_000_000},
         "2026-03-04"),
        ("dispatch", {"to": "Saturday market", "weight_mg": 1_500_000, "lot": "P-1", "price_minor": 1400},
         "2026-03-07"),
        ("note", {"text": f"Door left open all night. {UNSAFE}", "about": "KB001"}, "2026-04-21"),
    ]  # fmt: skip
    return [farm.entry(kind, body, at, "Ana") for kind, body, at in said]


def entry_ids(farm: Farm) -> dict[str, str]:
    """The id of one entry of each kind, and of one that was corrected."""
    with farm.store.read() as connection:
        ids = dict(connection.execute("SELECT kind, max(id) FROM entry GROUP BY kind").fetchall())
        (ids["corrected"],) = connection.execute("SELECT replaces FROM entry WHERE replaces IS NOT NULL").fetchone()
    return ids
