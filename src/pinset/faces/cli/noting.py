"""Starting a record and noting one thing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from pinset.faces.cli.options import FarmFolder
from pinset.faces.cli.quick import take_note
from pinset.farm import Farm
from pinset.journal.entry import Fault, NotAnEntry
from pinset.journal.kinds import KINDS, SIGNS
from pinset.journal.said import spoken


def start(
    folder: Path,
    *,
    name: str | None = None,
    currency: str = "EUR",
    zone: str | None = None,
    decimal: Literal[".", ","] = ".",
    store: str | None = None,
    package: Annotated[Path | None, Parameter(name="--from")] = None,
) -> None:
    """Start a farm's record in a folder.

    Parameters
    ----------
    folder: Path
        Where the record will be; made where it is missing.
    name: str
        The farm's name; else the folder's.
    currency: str
        The money it counts in, as EUR, USD, GBP.
    zone: str
        Its time zone, as Europe/Vienna; else this machine's.
    decimal: str
        The mark before decimals in what you write: . or ,
    store: str
        A PostgreSQL database to keep it in, as postgresql://server/database; else a file in the folder.
    package: Path
        A package that pinset give wrote: everything in it comes back, with the farm's name and settings as they were.
    """
    if package is not None:
        _start_from(package, folder, store)
        return
    called = name or folder.resolve().name
    farm = Farm.start(folder, called, currency, zone or _zone_here(), decimal, address=store)
    settings = farm.settings
    print(f"Started the record of {settings.name} in {folder} ({settings.currency}, {settings.zone}).")
    print(f"Take in your notes with:  pinset take FILE... --farm {folder}")
    print(f"Or note one thing with:   pinset note make batch=A1 units=8 fill=2.2kg --farm {folder}")
    farm.close()


def _start_from(package: Path, folder: Path, store: str | None) -> None:
    from pinset.giving.back import start_from

    with start_from(package, folder, store) as farm:
        entries, name = farm.count(), farm.settings.name
    print(f"Started the record of {name} in {folder} from {package}: {entries} entries, checked against their hashes.")
    print(f"Look at it with:  pinset check --farm {folder}")


def _zone_here() -> str:
    """This machine's time zone by its IANA name, or UTC where it cannot be told."""
    link = Path("/etc/localtime")
    parts = link.resolve().parts if link.exists() else ()
    return "/".join(parts[parts.index("zoneinfo") + 1 :]) if "zoneinfo" in parts else "UTC"


def note(
    kind: str | None = None,
    /,
    *words: str,
    at: str = "",
    by: Annotated[str, Parameter(env_var="PINSET_BY")] = "grower",
    replaces: str | None = None,
    confirm: Annotated[bool, Parameter(negative="")] = False,
    farm: FarmFolder = None,
) -> None:
    """Note one thing. Without a kind, lists the kinds; with a kind alone, lists what it can say.

    Parameters
    ----------
    kind: str
        What happened, as pick, check, make, receive.
    words: str
        What there is to say, as unit=A-01 weight=0.33kg flush=1
    at: str
        When, as 2026-03-02 or 2026-03-02T09:30; else now.
    by: str
        Who notes it.
    replaces: str
        The id of the entry that this one corrects.
    confirm: bool
        It is meant so: a time more than a day ahead, or spawn drawn from what a sign was seen on.
    """
    if kind is None or not words:
        print(_said_so_far(kind))
        return
    take_note(kind, words, at=at, by=by, replaces=replaces, confirm=confirm, farm=farm)


def _said_so_far(kind: str | None) -> str:
    if kind is None:
        return "\n".join(
            ["What can be noted:", *(f"  {name:9} {_first(model.__doc__)}" for name, model in KINDS.items())]
        )
    if kind not in KINDS:
        raise NotAnEntry([Fault("kind", f"one of {', '.join(KINDS)}", repr(kind))])
    lines = [f"{kind}: {_first(KINDS[kind].__doc__)}", "", "It can say:"]
    for name, field in KINDS[kind].model_fields.items():
        must = "  (needed)" if field.is_required() else ""
        lines.append(f"  {spoken(name):14} {field.description or ''}{must}".rstrip())
    if kind == "check":
        lines += ["", "Signs:", *(f"  {sign:9} {words}" for sign, words in SIGNS.items())]
    return "\n".join(lines)


def _first(text: str | None) -> str:
    return (text or "").strip().split("\n")[0]
