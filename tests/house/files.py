"""The project's own files: what git keeps, or, in a copy without git, what lies there but for the tools' leavings."""

from __future__ import annotations

import ast
import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
LEAVINGS = (".venv", "__pycache__", "build", "dist")
Function = ast.FunctionDef | ast.AsyncFunctionDef


@cache
def kept_files() -> tuple[Path, ...]:
    """Every file of the project, relative to its root."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if listed.returncode == 0:
        names = listed.stdout.decode().split("\0")
        return tuple(Path(name) for name in names if name and (ROOT / name).is_file())
    found = (path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file())
    return tuple(path for path in found if not set(path.parts) & set(LEAVINGS))


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
