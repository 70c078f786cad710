"""The story of Puddlevane, an invented farm: what it tried, what that truly does, what things cost. Nothing here is
measured; every number is made up, within what is printed elsewhere.

Yields: king oyster gave 146 to 212 g per kg wet substrate (ICAR-IIHR trial, abstract at pmhe.in, article 520) and
lion's mane 70 to 92 % biological efficiency (Horticulturae 2025, 11(10), 1220, table of section 3.3). Ours stand near.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

FARM: Final = "Puddlevane"
CURRENCY: Final = "EUR"
ZONE: Final = "Europe/Madrid"
TRIAL: Final = "what to feed king oyster"
INVENTED: Final = "invented notes of an invented farm"

Species = Literal["king oyster", "lion's mane"]
KING: Final[Species] = "king oyster"
LION: Final[Species] = "lion's mane"


@dataclass(frozen=True, slots=True)
class Way:
    """One way of feeding king oyster, and what it truly does as ratios to the house way."""

    name: str
    mix: str
    yields: float = 1.0
    contamination: float = 1.0
    run: float = 1.0
    minutes: int = 36
    """Labour to mix, fill and load one batch."""


HOUSE: Final = Way("house", "oak + bran")
HULLS: Final = Way("soy hulls", "oak + soy hulls", yields=1.21, run=0.97)
OKARA: Final = Way("okara", "oak + okara", yields=1.17, contamination=1.8, run=1.04, minutes=96)
CHAFF: Final = Way("coffee chaff", "oak + coffee chaff", yields=1.02, minutes=38)
WAYS: Final = (HOUSE, HULLS, OKARA, CHAFF)
LION_MIX: Final = "beech + bran"
LION_MINUTES: Final = 44

# Shares by weight as used.
MIXES: Final[dict[str, dict[str, float]]] = {
    HOUSE.mix: {"oak sawdust": 0.33, "wheat bran": 0.08, "gypsum": 0.01, "water": 0.58},
    HULLS.mix: {"oak sawdust": 0.205, "soy hulls": 0.205, "gypsum": 0.01, "water": 0.58},
    OKARA.mix: {"oak sawdust": 0.345, "okara": 0.25, "gypsum": 0.01, "water": 0.395},
    CHAFF.mix: {"oak sawdust": 0.28, "wheat bran": 0.05, "coffee chaff": 0.08, "gypsum": 0.01, "water": 0.58},
    LION_MIX: {"beech sawdust": 0.335, "wheat bran": 0.085, "water": 0.58},
}


@dataclass(frozen=True, slots=True)
class Purchase:
    """A lot of an ingredient or of bags that came in: kg, or how many, and what the whole lot cost."""

    lot: str
    day: date
    item: str
    kg: float | None
    paid: float
    water: float | None = None
    number: int | None = None


PURCHASES: Final = (
    Purchase("OS-1", date(2025, 1, 13), "oak sawdust", 120, 21.60, 0.10),
    Purchase("WB-1", date(2025, 1, 13), "wheat bran", 50, 19.00, 0.12),
    Purchase("SH-1", date(2025, 1, 14), "soy hulls", 40, 20.80, 0.10),
    Purchase("GY-1", date(2025, 1, 14), "gypsum", 25, 11.25, 0.0),
    Purchase("OK-1", date(2025, 1, 20), "okara", 45, 2.25, 0.75),
    Purchase("BG-1", date(2025, 1, 14), "filter bags", None, 144.00, number=450),
    Purchase("BS-1", date(2025, 2, 3), "beech sawdust", 50, 11.00, 0.10),
    Purchase("CC-1", date(2025, 2, 10), "coffee chaff", 10, 1.00, 0.08),
    Purchase("OS-2", date(2025, 3, 24), "oak sawdust", 80, 15.20, 0.11),
)
SUPPLIERS: Final[dict[str, str]] = {
    "oak sawdust": "Hask joinery",
    "beech sawdust": "Hask joinery",
    "wheat bran": "Lower mill",
    "soy hulls": "Lower mill",
    "gypsum": "Lower mill",
    "okara": "tofu kitchen",
    "filter bags": "bag dealer",
    "coffee chaff": "roastery",
}

WAGE: Final = 17.0  # an hour
POWER: Final = 0.31  # a kilowatt-hour
PLACE: Final = 0.01  # a shelf-day
BAG: Final = 0.32  # a bag, as bought
PRICE: Final[dict[Species, float]] = {KING: 18.5, LION: 22.0}  # a kilogram
PICKING_MINUTES: Final = 6.5  # a kilogram

BAGS: Final[dict[Species, int]] = {KING: 7, LION: 9}
WET_KG: Final[dict[Species, float]] = {KING: 1.6, LION: 2.4}
SPAWN_KG: Final[dict[Species, float]] = {KING: 0.7, LION: 1.3}  # a batch
MOISTURE: Final = 0.62
EFFICIENCY: Final[dict[Species, float]] = {KING: 0.64, LION: 0.78}  # picked / dry substrate, spawn not counted
RUN_DAYS: Final[dict[Species, float]] = {KING: 27.0, LION: 19.0}
CONTAMINATED: Final[dict[Species, float]] = {KING: 0.03, LION: 0.04}  # of the bags
LATER_FLUSH: Final = 0.93  # the chance that a bag gives its second flush, and its third
FLUSHES: Final[dict[Species, tuple[float, ...]]] = {KING: (0.74, 0.26), LION: (0.62, 0.27, 0.11)}

# Standard deviations of the logarithm: between make days, between batches of a day, between bags of a batch.
SPREAD_OF_DAYS: Final = 0.06
SPREAD_OF_BATCHES: Final = 0.04
SPREAD_OF_BAGS: Final = 0.10


@dataclass(frozen=True, slots=True)
class SpawnLot:
    """A lot of spawn or a culture: where it came from, its passage, and what its passage truly does."""

    lot: str
    day: date
    what: str
    parents: tuple[str, ...]
    passage: int
    kg: float
    cost: float
    species: Species = KING
    yields: float = 1.0
    contamination: float = 1.0
    run: float = 1.0
    from_bags_of: date | None = None
    """The make day whose house bags it was drawn from."""


SPAWN: Final = (
    SpawnLot("KE-0", date(2024, 12, 9), "agar", (), 0, 0.1, 32.0),
    SpawnLot("KE-G1", date(2024, 12, 19), "grain", ("KE-0",), 1, 1.5, 6.0),
    SpawnLot("KE-S2", date(2025, 1, 8), "sawdust", ("KE-G1",), 2, 18.0, 34.0),
    SpawnLot("KE-S3", date(2025, 2, 27), "sawdust", ("KE-S2",), 3, 11.0, 21.0, KING, 0.96, 1.3, 1.11),
    SpawnLot("KE-S4", date(2025, 4, 8), "sawdust", (), 4, 12.0, 18.0, KING, 0.90, 2.2, 1.19, date(2025, 3, 4)),
    SpawnLot("LM-A", date(2025, 2, 5), "grain", (), 1, 3.0, 16.5, LION),
    SpawnLot("LM-B", date(2025, 3, 19), "grain", (), 1, 4.5, 24.3, LION),
)


@dataclass(frozen=True, slots=True)
class Season:
    """What a stretch of the year truly does, as ratios."""

    yields: float = 1.0
    contamination: float = 1.0
    run: float = 1.0


EVEN: Final = Season()
HOT: Final = Season(yields=0.96, contamination=1.3, run=1.05)


@dataclass(frozen=True, slots=True)
class MakeDay:
    """A day on which bags were made: one load of the steamer, one block of the trial."""

    day: date
    spawn: str
    ways: tuple[Way, ...] = (HOUSE, HULLS, OKARA)
    beside: str | None = None
    """Spawn of one more batch of the house way outside the trial, to compare passages on one day."""
    lion: str | None = None
    season: Season = EVEN


WITH_CHAFF: Final = (HOUSE, HULLS, OKARA, CHAFF)
MAKE_DAYS: Final = (
    MakeDay(date(2025, 1, 21), "KE-S2"),
    MakeDay(date(2025, 1, 28), "KE-S2"),
    MakeDay(date(2025, 2, 11), "KE-S2", lion="LM-A"),
    MakeDay(date(2025, 2, 18), "KE-S2", WITH_CHAFF),
    MakeDay(date(2025, 2, 25), "KE-S2"),
    MakeDay(date(2025, 3, 4), "KE-S3", beside="KE-S2", lion="LM-A"),
    MakeDay(date(2025, 3, 18), "KE-S3", WITH_CHAFF, beside="KE-S2"),
    MakeDay(date(2025, 3, 25), "KE-S3", beside="KE-S2", lion="LM-B"),
    MakeDay(date(2025, 4, 1), "KE-S3", beside="KE-S2"),
    MakeDay(date(2025, 4, 15), "KE-S4", lion="LM-B", season=HOT),
    MakeDay(date(2025, 4, 22), "KE-S4", WITH_CHAFF, season=HOT),
    MakeDay(date(2025, 5, 6), "KE-S4", lion="LM-B", season=HOT),
    MakeDay(date(2025, 5, 13), "KE-S4", season=HOT),
)
COARSE_DAYS: Final = 2  # made before the scale came
BAD_LOAD: Final = 5  # counted from 1: the steamer stood open, half its bags went bad
BAD_LOAD_CONTAMINATED: Final = 0.5
FAILED_LION: Final = 3  # counted from 1: this batch of lion's mane stood beside a heater and dried out
FAILED_YIELDS: Final = 0.05
ROOM_WEEK: Final = (date(2025, 3, 31), date(2025, 4, 6))  # crates weighed by room and day
SPAWN_ROOM: Final = "Spawn room"
LION_ROOM: Final = "Dairy"
ROOMS: Final[dict[str, tuple[str, int]]] = {
    SPAWN_ROOM: ("spawn run", 200), "Fruit 1": ("fruiting", 100), "Fruit 2": ("fruiting", 100),
    LION_ROOM: ("fruiting", 40),
}  # fmt: skip
