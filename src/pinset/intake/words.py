"""The vocabulary of intake: headings, sheet names and cell words in several languages, from words.toml."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from functools import cache, lru_cache
from importlib import resources
from typing import Any

from pinset.journal.measures import unit_name

_APART = re.compile(r"[^\w°%$€£'*]+")


@cache
def vocabulary() -> dict[str, Any]:
    """Everything in words.toml."""
    text = resources.files("pinset.intake").joinpath("words.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@lru_cache(maxsize=10_000)
def plain(text: str) -> str:
    """A text without what does not matter when words are compared: case, accents, marks.

    >>> plain("Récolté le:"), plain("Weight (kg)")
    ('recolte le', 'weight kg')
    """
    bare = "".join(sign for sign in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(sign))
    return " ".join(_APART.sub(" ", bare.replace("_", " ")).split()) or text.strip()


@lru_cache(maxsize=10_000)
def stems(text: str) -> tuple[str, ...]:
    """The words of a text without a plural s.

    >>> stems("Blocks"), stems("No. of bags")
    (('block',), ('no', 'of', 'bag'))
    """
    return tuple(word[:-1] if len(word) > 3 and word.endswith("s") else word for word in plain(text).split())


@cache
def meaning(*path: str) -> dict[str, str]:
    """For a group of words.toml, as ("choices", "reason"): the word that is kept, by each of its spellings.

    >>> meaning("signs")["moho verde"], meaning("months")["marz"]
    ('green', '3')
    """
    group: Any = vocabulary()
    for name in path:
        group = group[name]
    return {" ".join(stems(word)) or word: kept for kept, words in group.items() for word in (kept, *words)}


def meant(text: str, *path: str) -> str | None:
    """The word of a group that a text means, or None.

    >>> meant("Green spots", "signs"), meant("nobody knows", "signs")
    ('green', None)
    """
    return meaning(*path).get(" ".join(stems(text)) or text.strip())


@lru_cache(maxsize=10_000)
def is_one_of(text: str, group: str) -> bool:
    """Whether a text is one of the words of a list under [words].

    >>> is_one_of("TOTAL", "total"), is_one_of("Totally", "total")
    (True, False)
    """
    return meaning("words").get(" ".join(stems(text)) or text.strip()) == group or text.strip() in _listed(group)


@cache
def _listed(group: str) -> frozenset[str]:
    return frozenset(vocabulary()["words"][group])


@lru_cache(maxsize=10_000)
def unit_meant(text: str) -> str:
    """The one spelling of a unit, in any of the languages known here.

    >>> unit_meant("Gramos"), unit_meant("Kg."), unit_meant("°C"), unit_meant("blocks")
    ('g', 'kg', '°c', 'blocks')
    """
    known = unit_name(text)
    if "/" in known:
        return known
    return meaning("units").get(" ".join(stems(known)), known)
