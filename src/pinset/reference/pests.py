"""How fast pests of mushroom houses grow, as printed: `pests.toml` as typed values, each with its source."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple


class Span(NamedTuple):
    """The lowest and highest that a source leaves open; equal where it prints one number."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Growth:
    """A rate of increase per day at a temperature (°C), on a ``food``, with what else was printed beside it.

    ``net_reproduction`` is daughters per mother, ``generation`` and ``doubling`` are days. ``worked_out`` says that the
    rate follows from the other two and was not printed.
    """

    food: str
    temperature: Span
    rate: Span
    source: str
    net_reproduction: float | None
    generation: float | None
    doubling: float | None
    worked_out: bool


@dataclass(frozen=True, slots=True)
class Development:
    """The days from egg to adult at a temperature (°C)."""

    temperature: Span
    days: Span
    source: str


@dataclass(frozen=True, slots=True)
class Threshold:
    """The temperature (°C) below which a pest does not develop."""

    temperature: float
    source: str


@dataclass(frozen=True, slots=True)
class Pest:
    """What is printed of one species; ``kind`` says in a grower's word what it is."""

    species: str
    kind: str
    growth: tuple[Growth, ...]
    development: tuple[Development, ...]
    threshold: Threshold | None

    def foods(self) -> tuple[str, ...]:
        """The foods that rates are printed for, each once."""
        return tuple(dict.fromkeys(each.food for each in self.growth))

    def rates(self, food: str) -> tuple[tuple[float, Span], ...]:
        """The rates on a ``food`` by rising temperature (°C); a span of temperatures gives both its ends.

        >>> next(pest for pest in pests() if pest.species == "Tyrophagus putrescentiae").rates("dried shiitake")[0]
        (20.0, Span(low=0.167, high=0.167))
        """
        here = [each for each in self.growth if each.food == food]
        return tuple(sorted({(end, each.rate) for each in here for end in each.temperature}))


@cache
def pests() -> tuple[Pest, ...]:
    """Every pest of the file.

    >>> pests()[0].species, pests()[0].growth[0].rate.low, pests()[0].growth[0].source
    ('Brennandania lambi', 0.11, 'Gao & Zou 2001, Exp. Appl. Acarol. 25:187 (abstract)')
    """
    text = (files(__package__) / "pests.toml").read_text(encoding="utf-8")
    return tuple(_pest(each) for each in tomllib.loads(text)["pest"])


def _pest(written: Mapping[str, Any]) -> Pest:
    threshold = written.get("threshold")
    return Pest(
        species=written["species"],
        kind=written["kind"],
        growth=tuple(_growth(each) for each in written.get("growth", ())),
        development=tuple(
            Development(_span(each["temperature"]), _span(each["days"]), each["source"])
            for each in written.get("development", ())
        ),
        threshold=Threshold(**threshold) if threshold else None,
    )


def _growth(written: Mapping[str, Any]) -> Growth:
    return Growth(
        food=written["food"],
        temperature=_span(written["temperature"]),
        rate=_span(written["rate"]),
        source=written["source"],
        net_reproduction=written.get("net_reproduction"),
        generation=written.get("generation"),
        doubling=written.get("doubling"),
        worked_out=written.get("how") == "worked out",
    )


def _span(written: float | list[float]) -> Span:
    return Span(*written) if isinstance(written, list) else Span(written, written)
