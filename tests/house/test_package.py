"""The package as others install it: every data file is inside, and the versions that were tried cover every part."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

import go
from tests.house.files import ROOT

SOURCE = ROOT / "src"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """The names of what a wheel holds, built as pip builds it."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
    (built,) = folder.glob("pinset-*.whl")
    with zipfile.ZipFile(built) as opened:
        return set(opened.namelist())


def test_a_wheel_holds_every_file_of_the_package(wheel: set[str]) -> None:
    there = (path for path in (SOURCE / "pinset").rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    names = {path.relative_to(SOURCE).as_posix() for path in there}
    assert "pinset/py.typed" in names
    assert "pinset/journal/migrations/script.py.mako" in names
    assert names - wheel == set()


def test_a_wheel_brings_the_command_and_the_licence(wheel: set[str]) -> None:
    assert {name.rpartition("/")[2] for name in wheel if ".dist-info/" in name} >= {"entry_points.txt", "LICENSE"}
    assert not [name for name in wheel if not name.startswith(("pinset/", "pinset-"))]


def normal(name: str) -> str:
    """A name of a part as the registries compare names (PEP 503)."""
    return re.sub(r"[-_.]+", "-", re.split(r"[\s<>=!~;\[]", name)[0]).lower()


def test_every_part_has_a_version_that_was_tried() -> None:
    facts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    groups = [
        facts["project"]["dependencies"],
        *facts["project"].get("optional-dependencies", {}).values(),
        *facts["dependency-groups"].values(),
    ]
    tried = {normal(line) for line in go.CONSTRAINTS.read_text(encoding="utf-8").splitlines()}
    assert {normal(part) for group in groups for part in group} - tried == set()


def test_every_r_package_that_a_script_loads_is_installed_by_the_set_up() -> None:
    loads = re.compile(r"\b(?:library|require|loadNamespace|requireNamespace)\(\s*[\"']?([\w.]+)")
    with_r_itself = {"stats", "utils", "methods", "grid", "parallel"}
    loaded: set[str] = set()
    for script in Path(ROOT / "tests").rglob("*.R"):
        loaded.update(loads.findall(script.read_text(encoding="utf-8")))
    brought = {name.removeprefix("r-cran-") for name in go.R.debian}
    assert {name.lower() for name in loaded - with_r_itself} - brought == set()
