"""Science stays pure: it leans on numpy, scipy and the parts of Python that touch nothing outside the function."""

from __future__ import annotations

import ast
import builtins
from collections.abc import Iterator
from pathlib import Path

from tests.house.files import python_files, tree

SCIENCE = Path("src/pinset/science")
PURE = frozenset(
    {
        "__future__",
        "abc",
        "bisect",
        "collections",
        "dataclasses",
        "decimal",
        "enum",
        "fractions",
        "functools",
        "heapq",
        "itertools",
        "math",
        "numbers",
        "operator",
        "statistics",
        "string",
        "types",
        "typing",
    }
)
ALLOWED = PURE | {"numpy", "scipy", "pinset.science"}
FORBIDDEN_CALLS = frozenset({"open", "print", "input", "exec", "eval"})


def imported(module: ast.Module) -> Iterator[str]:
    """The modules that a file imports, wherever in it."""
    for node in ast.walk(module):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or "."


def called(module: ast.Module) -> Iterator[str]:
    """The plain names that a file calls."""
    for node in ast.walk(module):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            yield node.func.id


def is_allowed(name: str) -> bool:
    return any(name == each or name.startswith(f"{each}.") for each in ALLOWED)


def science() -> list[Path]:
    return [path for path in python_files("src") if path.is_relative_to(SCIENCE)]


def test_an_import_from_outside_would_be_seen() -> None:
    names = sorted(
        imported(ast.parse("def f():\n    from datetime import date\n    import scipy.stats\nimport numbering"))
    )
    assert [name for name in names if not is_allowed(name)] == ["datetime", "numbering"]


def test_science_imports_nothing_that_reaches_outside() -> None:
    assert science()
    outside = {str(path): [name for name in imported(tree(path)) if not is_allowed(name)] for path in science()}
    assert {path: names for path, names in outside.items() if names} == {}


def test_science_neither_reads_nor_prints() -> None:
    assert all(hasattr(builtins, name) for name in FORBIDDEN_CALLS)
    reaching = {str(path): sorted(FORBIDDEN_CALLS.intersection(called(tree(path)))) for path in science()}
    assert {path: names for path, names in reaching.items() if names} == {}
