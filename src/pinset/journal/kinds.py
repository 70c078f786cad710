"""The kinds of entry, each named by the trade's own verb, and what each may say.

Weights are whole milligrams, money whole minor units, shares fractions from 0 to 1, times minutes: the names of
the fields end in their unit. `pinset.journal.said` turns what people type into these.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]
Code = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40, pattern=r"^\S.*$")]
Words = Annotated[str, StringConstraints(strip_whitespace=True, max_length=4000)]
Weight = Annotated[int, Field(ge=0, le=10**13, description="milligrams")]
SomeWeight = Annotated[int, Field(gt=0, le=10**13, description="milligrams")]
Money = Annotated[int, Field(ge=-(10**13), le=10**13, description="minor currency units")]
Share = Annotated[float, Field(ge=0, le=1, description="fraction from 0 to 1")]
Span = Annotated[int, Field(ge=0, le=10**7, description="minutes")]
Celsius = Annotated[float, Field(ge=-60, le=200, description="degrees Celsius")]
Number = Annotated[int, Field(ge=1, le=100_000)]
Passage = Annotated[int, Field(ge=0, le=99, description="transfers since the mother culture")]

SIGNS: dict[str, str] = {
    "green": "green mould or green spots",
    "black": "black mould",
    "pink": "pink or orange mould",
    "cobweb": "fine grey web over the surface",
    "wet": "wet, slimy or weeping patches",
    "sour": "sour or foul smell",
    "mites": "mites seen",
    "flies": "flies or larvae seen",
    "slow": "clearly behind its siblings",
    "stalled": "no longer growing",
    "dry": "dried out",
    "aborts": "pins that stopped growing",
    "other": "something else; say it in words",
}
CONTAMINATED = frozenset({"green", "black", "pink", "cobweb", "wet", "sour"})
PESTS = frozenset({"mites", "flies"})
Sign = Literal["green", "black", "pink", "cobweb", "wet", "sour", "mites", "flies", "slow", "stalled", "dry",
               "aborts", "other"]  # fmt: skip
Carrier = Literal["agar", "liquid", "grain", "sawdust", "plug", "straw", "substrate"]


class Body(BaseModel):
    """What one entry says."""

    # each kind's validator is built when the kind is first used: a noting command uses one of them
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)
    version: ClassVar[int] = 1
    remarks: Words | None = None


class Part(BaseModel):
    """So much of one lot or ingredient."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)
    lot: Code
    weight_mg: SomeWeight | None = None


class RecipePart(BaseModel):
    """One ingredient's share of a recipe, by weight as it is used."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)
    ingredient: Name
    share: Share


class Subject(Body):
    """Something seen or done at the finest level the grower noted: units, one batch, or a room and day."""

    levels: ClassVar[tuple[str, ...]] = ("units", "batch", "room")
    units: tuple[Code, ...] | None = None
    batch: Code | None = None
    room: Name | None = None

    @model_validator(mode="after")
    def _one_level(self) -> Self:
        said = [name for name in ("units", "batch", "room") if getattr(self, name)]
        if len(said) != 1 or said[0] not in self.levels:
            came = " and ".join(said) or "none of them"
            raise ValueError(f"needs exactly one of {', '.join(self.levels)}; came: {came}")
        return self


class Define(Body):
    """A thing of the farm, or a new version of it: from its day on, this is how it is."""

    what: Literal["room", "strain", "ingredient", "recipe", "person", "price", "product", "trial"]
    name: Name
    purpose: Literal["spawn run", "fruiting", "store", "lab", "work"] | None = None
    places: Number | None = Field(None, description="units a room can hold")
    species: Name | None = None
    source: Name | None = None
    moisture: Share | None = Field(None, description="water as a share of weight as used")
    nitrogen: Share | None = Field(None, description="nitrogen as a share of dry matter")
    parts: tuple[RecipePart, ...] | None = None
    spawn_rate: Share | None = Field(None, description="kg spawn per kg wet substrate")
    amount_minor: Money | None = None
    per: Literal["kg", "each", "hour", "kWh", "shelf-day", "batch"] | None = None
    pack_mg: SomeWeight | None = None
    arms: tuple[Name, ...] | None = None
    control: Name | None = None
    given_to: Literal["unit", "batch"] | None = None
    decides: Literal["money", "yield", "days", "contamination"] | None = None
    difference: float | None = Field(None, description="the smallest difference that would change the practice")
    seed: int | None = None

    @model_validator(mode="after")
    def _what_it_needs(self) -> Self:
        needed = {"recipe": ("parts",), "price": ("amount_minor", "per"), "trial": ("arms", "control")}
        missing = [field for field in needed.get(self.what, ()) if getattr(self, field) is None]
        if missing:
            raise ValueError(f"a {self.what} needs {', '.join(missing)}")
        if self.what == "trial" and self.control not in (self.arms or ()):
            raise ValueError(f"the control {self.control!r} is not one of the arms {', '.join(self.arms or ())}")
        return self


class Receive(Body):
    """A lot came in: spawn, a culture, an ingredient, bags."""

    lot: Code
    what: Literal["culture", "spawn", "ingredient", "packaging", "other"]
    item: Name
    strain: Name | None = None
    carrier: Carrier | None = None
    passage: Passage | None = None
    weight_mg: SomeWeight | None = None
    number: Number | None = None
    cost_minor: Money | None = Field(None, description="what the whole lot cost")
    moisture: Share | None = None
    supplier: Name | None = None
    supplier_lot: Name | None = None


class Mix(Body):
    """Ingredients and water put together."""

    mix: Code
    recipe: Name | None = None
    parts: tuple[Part, ...] | None = None
    water_mg: Weight | None = None
    total_mg: SomeWeight | None = None
    moisture: Share | None = Field(None, description="water as a share of the wet mix, as measured")


class Treat(Body):
    """A load heated, limed or soaked together."""

    load: Code
    method: Literal["pasteurise", "sterilise", "lime", "cold soak", "other"]
    celsius: Celsius | None = None
    held_min: Span | None = None
    energy_kwh: float | None = Field(None, ge=0, le=100_000)
    log: Name | None = Field(None, description="the file of its temperature log")


class Make(Body):
    """Units made from one mix on one day: a batch."""

    batch: Code
    units: Number
    fill_mg: SomeWeight | None = Field(None, description="wet substrate in each unit, spawn not counted")
    total_mg: SomeWeight | None = Field(None, description="wet substrate in all units together")
    container: Literal["bag", "block", "column", "bucket", "bottle", "tray", "log"] | None = None
    strain: Name | None = None
    recipe: Name | None = None
    mix: Code | None = None
    moisture: Share | None = None
    spawn: tuple[Part, ...] | None = None
    load: Code | None = None
    room: Name | None = None
    trial: Name | None = None
    arm: Name | None = None
    unit_arms: tuple[Name, ...] | None = Field(None, description="the arm of each unit, in order")
    checked_codes: bool = Field(False, description="whether the unit codes carry a check character")
    minutes: Span | None = Field(None, description="labour that making took")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.fill_mg is not None and self.total_mg is not None:
            raise ValueError("give the weight of each unit or of all together, not both")
        if self.unit_arms is not None and len(self.unit_arms) != self.units:
            raise ValueError(f"unit_arms names {len(self.unit_arms)} arms for {self.units} units")
        if (self.arm or self.unit_arms) and not self.trial:
            raise ValueError("an arm belongs to a trial; name the trial as well")
        return self


class Draw(Body):
    """Spawn taken from a culture, a spawn lot or colonised units: one passage more."""

    lot: Code
    parents: tuple[Part, ...] = Field(min_length=1)
    carrier: Carrier
    weight_mg: SomeWeight | None = None
    number: Number | None = Field(None, description="vessels")
    strain: Name | None = None
    cost_minor: Money | None = Field(None, description="what making the whole lot cost, labour left out")
    passage: Passage | None = Field(None, description="only where the parents' passage is not on record")
    minutes: Span | None = None


class Move(Subject):
    """Units brought to another room or shelf."""

    levels = ("units", "batch")
    to: Name
    shelf: Name | None = None


class Check(Subject):
    """A look at units: how far the spawn has run, and any sign that something is off."""

    run: Share | None = Field(None, description="how much of the substrate is colonised")
    signs: tuple[Sign, ...] = ()
    affected: Number | None = Field(None, description="units with the signs, where a batch was looked at")
    looked_at: Number | None = Field(None, description="units looked at, where a batch was")
    pinning: bool | None = None


class Pick(Subject):
    """A weight picked from a unit, a batch, or a room in a day."""

    weight_mg: Weight
    flush: Annotated[int, Field(ge=1, le=20)] | None = None
    grade: Name | None = None
    minutes: Span | None = None


class Cull(Subject):
    """Units thrown out."""

    levels = ("units", "batch")
    reason: Literal["contaminated", "pests", "spent", "stalled", "broken", "drawn from", "other"]
    number: Number | None = Field(None, description="how many, where a batch is named")


class Clean(Body):
    """A room or tool cleaned."""

    room: Name
    method: Name | None = None
    minutes: Span | None = None


class Pack(Body):
    """Picked mushrooms packed into a sale lot."""

    lot: Code
    product: Name
    batches: tuple[Code, ...] = Field(min_length=1)
    weight_mg: SomeWeight
    number: Number | None = None


class Dispatch(Body):
    """A delivery or sale."""

    to: Name
    weight_mg: SomeWeight
    lot: Code | None = None
    product: Name | None = None
    price_minor: Money | None = Field(None, description="for one kilogram")
    amount_minor: Money | None = Field(None, description="for all of it")


class Work(Body):
    """Time worked."""

    task: Name
    minutes: Annotated[int, Field(gt=0, le=10**5)]
    person: Name | None = None
    batch: Code | None = None


class Count(Body):
    """Stock counted."""

    lot: Code
    weight_mg: Weight | None = None
    number: Annotated[int, Field(ge=0, le=10**6)] | None = None


class Note(Body):
    """Words about anything. With `replaces` it cancels an entry: what was noted there no longer holds."""

    text: Words
    about: Code | None = None


KINDS: dict[str, type[Body]] = {
    kind.__name__.lower(): kind
    for kind in (Define, Receive, Mix, Treat, Make, Draw, Move, Check, Pick, Cull, Clean, Pack, Dispatch, Work,
                 Count, Note)
}  # fmt: skip


def plain(body: Body) -> dict[str, Any]:
    """The body as plain JSON values, without what was not said.

    >>> plain(Pick(units=("KB001-01",), weight_mg=328000))
    {'units': ['KB001-01'], 'weight_mg': 328000}
    """
    return body.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
