"""Limits beyond which a note is doubted: named, cited, and never a reason to refuse."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import NamedTuple


class NoSuchLimit(LookupError):
    """There is no limit of that name in limits.toml."""


class Limit(NamedTuple):
    """A value with its unit and its source."""

    name: str
    value: float
    unit: str
    source: str


@cache
def limits() -> dict[str, Limit]:
    """Every limit by its name.

    >>> all(limit.source and limit.unit for limit in limits().values())
    True
    """
    text = resources.files("pinset.reference").joinpath("limits.toml").read_text(encoding="utf-8")
    return {
        name: Limit(name, float(one["value"]), one["unit"], one["source"]) for name, one in tomllib.loads(text).items()
    }


def limit(name: str) -> Limit:
    """The limit of that name; raises NoSuchLimit.

    >>> limit("hours_of_work").value
    24.0
    """
    if name not in limits():
        raise NoSuchLimit(f"needed one of {', '.join(limits())}; came {name!r}")
    return limits()[name]
