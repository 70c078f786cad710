"""The shape that keeps the code easy to read: short functions and files, a sentence and types on each public name."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from statistics import median, quantiles

import pytest

from tests.house.files import ROOT, Function, functions, python_files, tree

EVERYWHERE = ("src", "tests", "bench", ".ci", "go.py")
SHIPPED = ("src", "go.py")
LONGEST_FUNCTION = 60
LONGEST_FILE = {"science": 700}
LONGEST_OTHER_FILE = 500
LEAST_DOCUMENTED = 0.97


def body_lines(function: Function) -> int:
    """Lines of a function from its first statement on, without its docstring."""
    last = function.end_lineno or function.lineno
    docstring = ast.get_docstring(function, clean=False)
    return last - function.body[0].lineno + 1 - (docstring.count("\n") + 1 if docstring is not None else 0)


def file_lines(path: Path) -> int:
    return len((ROOT / path).read_text(encoding="utf-8").splitlines())


def public_definitions(path: Path) -> Iterator[tuple[str, ast.AST]]:
    """The module and every class, function and method in it that is not private, each with its place."""

    def inside(node: ast.Module | ast.ClassDef) -> Iterator[tuple[str, ast.AST]]:
        for child in node.body:
            if isinstance(child, ast.ClassDef | Function) and not child.name.startswith("_"):
                yield f"{path}:{child.lineno} {child.name}", child
                if isinstance(child, ast.ClassDef):
                    yield from inside(child)

    yield str(path), tree(path)
    yield from inside(tree(path))


def unannotated(function: Function) -> list[str]:
    """The arguments of a function, and its return, that have no type."""
    given = function.args
    named = [*given.posonlyargs, *given.args, *given.kwonlyargs, *filter(None, (given.vararg, given.kwarg))]
    bare = [each.arg for each in named if each.annotation is None and each.arg not in ("self", "cls")]
    return bare + ([] if function.returns else ["return"])


def test_the_measures_measure() -> None:
    source = 'def f(a, *b: int, c=1):\n    """One.\n\n    Two."""\n    x = a\n\n    return x\n'
    function = ast.parse(source).body[0]
    assert isinstance(function, Function)
    assert body_lines(function) == 3
    assert unannotated(function) == ["a", "c", "return"]


def test_no_function_is_long() -> None:
    lengths = {
        f"{path}:{f.lineno} {f.name}": body_lines(f) for path in python_files(*EVERYWHERE) for f in functions(path)
    }
    assert {where: lines for where, lines in lengths.items() if lines > LONGEST_FUNCTION} == {}


def test_no_file_is_long() -> None:
    lengths = {path: file_lines(path) for path in python_files(*EVERYWHERE)}
    allowed = {path: LONGEST_FILE.get(path.parent.name, LONGEST_OTHER_FILE) for path in lengths}
    assert {str(path): lines for path, lines in lengths.items() if lines > allowed[path]} == {}


def test_most_functions_and_files_are_short() -> None:
    bodies = [body_lines(function) for path in python_files("src") for function in functions(path)]
    assert median(bodies) <= 7
    assert quantiles(bodies, n=10)[-1] <= 25
    assert median(map(file_lines, python_files("src"))) <= 150


def test_public_names_say_what_they_are_for() -> None:
    public = [each for path in python_files(*SHIPPED) for each in public_definitions(path)]
    silent = [where for where, node in public if not ast.get_docstring(node)]  # type: ignore[arg-type]
    assert len(silent) <= (1 - LEAST_DOCUMENTED) * len(public), "\n".join(silent)


@pytest.mark.parametrize("folder", EVERYWHERE)
def test_every_function_tells_its_types(folder: str) -> None:
    bare = {
        f"{path}:{function.lineno} {function.name}": names
        for path in python_files(folder)
        for function in functions(path)
        if (names := unannotated(function))
    }
    assert bare == {}
