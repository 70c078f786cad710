"""The usual note, read at once.

Growers note dozens of times a day, and a note must be taken in less than 0.3 s. Importing the command parser takes half
of that, so the usual form of a note, a kind and its words with a few plain options, is read here; anything else is left
to the parser.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pinset.faces.cli.finding import open_farm
from pinset.journal.entry import Fault, NotAnEntry
from pinset.journal.keep import Outcome

_OPTIONS = {"--at": "at", "--by": "by", "--replaces": "replaces", "--farm": "farm", "-f": "farm"}


def usual_note(arguments: list[str]) -> tuple[list[str], dict[str, Any]] | None:
    """The words and options of a note in its usual form, or None where it is anything else.

    >>> usual_note(["note", "pick", "unit=A-01", "weight=0.3kg", "--at", "2026-03-27"])
    (['pick', 'unit=A-01', 'weight=0.3kg'], {'at': '2026-03-27'})
    >>> usual_note(["note", "--help"]) is usual_note(["ask"]) is None
    True
    """
    if len(arguments) < 3 or arguments[0] != "note":
        return None
    words: list[str] = []
    options: dict[str, Any] = {}
    rest = iter(arguments[1:])
    for word in rest:
        if not word.startswith("-"):
            words.append(word)
            continue
        value = next(rest, None)
        if word not in _OPTIONS or value is None:
            return None
        options[_OPTIONS[word]] = Path(value) if _OPTIONS[word] == "farm" else value
    return words, options


def take_note(
    kind: str,
    words: Sequence[str],
    *,
    at: str = "",
    by: str | None = None,
    replaces: str | None = None,
    confirm: bool = False,
    farm: Path | None = None,
) -> None:
    """Note one thing and say what became of it; exit code 2 where it was not kept."""
    pairs = dict(_pair(word) for word in words)
    moment = at or pairs.pop("at", "")
    _not_far_ahead(moment, confirm)
    with open_farm(farm) as opened:
        pairs |= _drawn_knowingly(opened.signs_drawn_from(kind, pairs), pairs, confirm)
        outcome = opened.note(kind, pairs, moment, by or os.environ.get("PINSET_BY", "grower"), replaces)
    print(_told(outcome))
    if outcome.word in ("refused", "conflict"):
        raise SystemExit(2)


def _pair(word: str) -> tuple[str, str]:
    name, mark, value = word.partition("=")
    if not mark:
        raise NotAnEntry([Fault(word, "field=value, as weight=0.33kg", "no = sign")])
    return name.strip(), value.strip()


def _not_far_ahead(at: str, confirmed: bool) -> None:
    ahead = (
        at > datetime.now(UTC).date().isoformat()
        and (datetime.fromisoformat(at).date() - datetime.now(UTC).date()).days > 1
    )
    if ahead and not confirmed:
        raise NotAnEntry([Fault("at", "a time not more than a day ahead", at, "If it is meant so, add --confirm")])


def _drawn_knowingly(signs: Sequence[str], pairs: Mapping[str, str], confirmed: bool) -> dict[str, str]:
    """The remark that spawn was drawn in spite of signs; a draw that was not confirmed is not kept."""
    if not signs:
        return {}
    if not confirmed:
        mend = "To draw from it all the same, add --confirm; the signs are then noted with the draw"
        raise NotAnEntry([Fault("parents", "spawn from what no sign was seen on", ", ".join(signs), mend)])
    remark = f"Drawn although seen: {', '.join(signs)}"
    return {"remarks": f"{pairs['remarks']}. {remark}" if pairs.get("remarks") else remark}


def _told(outcome: Outcome) -> str:
    faults = "".join(f"\n  {fault}" for fault in outcome.faults)
    return f"{outcome.word}  {outcome.id}{faults}"
