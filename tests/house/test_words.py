"""No file of the project names the address of a package registry, or a folder that only one machine has.

An address that is right here is wrong behind another network's mirror; a path of one machine means nothing on the next.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.house.files import ROOT, kept_files

# In pieces, so that this file does not name them either.
HOSTS = [
    ".".join(pieces)
    for pieces in (
        ("files", "pythonhosted"),
        ("pypi", "org/simple"),
        ("registry", "npmjs"),
        ("deb", "debian", "org"),
        ("security", "debian", "org"),
        ("archive", "ubuntu", "com"),
        ("crates", "io/api"),
        ("cran", "r-project"),
    )
]
HOST = re.compile("|".join(map(re.escape, HOSTS)), re.IGNORECASE)
ONE_MACHINE = re.compile(r"(?<![\w.~<])(/(?:home|Users|root|work)/\w+|[A-Z]:\\Users\\\w+)")


def findings(pattern: re.Pattern[str]) -> list[str]:
    return [
        f"{path}:{number} {found[0]}"
        for path in kept_files()
        for number, line in enumerate(text(path).splitlines(), start=1)
        if (found := pattern.search(line))
    ]


def text(path: Path) -> str:
    """A file's text; a picture or another binary file has none."""
    content = (ROOT / path).read_bytes()
    return "" if b"\0" in content else content.decode("utf-8")


@pytest.mark.parametrize("host", HOSTS)
def test_a_registry_would_be_found(host: str) -> None:
    assert HOST.search(f"see https://{host.upper()}/x")


def test_a_path_of_one_machine_would_be_found() -> None:
    folder = "/".join(("", "home", "anna"))
    assert ONE_MACHINE.search(f'open("{folder}/farm")')
    assert not ONE_MACHINE.search("pinset start ~/farm; GET https://example.org/home/page")


def test_no_file_names_a_registry() -> None:
    assert findings(HOST) == []


def test_no_file_names_a_folder_of_one_machine() -> None:
    assert findings(ONE_MACHINE) == []


def test_constraints_hold_versions_alone() -> None:
    line = re.compile(r"[a-z0-9-]+==[\w.]+( ; [\w' .=<>!]+)?")
    odd = [
        each
        for each in text(Path("constraints.txt")).splitlines()
        if not (each.startswith("#") or line.fullmatch(each))
    ]
    assert odd == []
