"""The project's own files: what git keeps, or, in a copy without git, what lies there but for the tools' leavings."""

from __future__ import annotations

import ast
import shutil
import subprocess
from collections.abc import Iterator
from fnmatch import fnmatch
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
Function = ast.FunctionDef | ast.AsyncFunctionDef


@cache
def kept_files() -> tuple[Path, ...]:
    """Every file of the project, relative to its root."""
    if (ROOT / ".git").exists() and (git := shutil.which("git")):
        listed = subprocess.run([git, "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
        if listed.returncode == 0:
            names = listed.stdout.decode().split("\0")
            return tuple(Path(name) for name in names if name and (ROOT / name).is_file())
    return tuple(files_lying_here())


def files_lying_here() -> Iterator[Path]:
    """What git would keep, found without it."""
    lines = (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    ignored = [".git", *(line.strip("/") for line in lines if line and not line.startswith("#"))]
    for found in ROOT.rglob("*"):
        path = found.relative_to(ROOT)
        if found.is_file() and not any(fnmatch(part, pattern) for part in path.parts for pattern in ignored):
            yield path


def python_files(*folders: str) -> list[Path]:
    """The Python files under some folders of the root, or a file of the root itself."""
    return [path for path in kept_files() if path.suffix == ".py" and path.parts[0] in folders]


@cache
def tree(path: Path) -> ast.Module:
    """A file as Python reads it."""
    return ast.parse((ROOT / path).read_text(encoding="utf-8"), str(path))


def functions(path: Path) -> list[Function]:
    """Every function of a file, also those inside others."""
    return [node for node in ast.walk(tree(path)) if isinstance(node, Function)]
