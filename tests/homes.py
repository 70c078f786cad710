"""The two homes of a record: a file in a folder, and a database of a PostgreSQL server that the tests start."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import psycopg
import pytest

from tests import needs

ANYBODY = "nobody"  # PostgreSQL does not run as root


@pytest.fixture(scope="session")
def cluster() -> Iterator[str]:
    """The address of a PostgreSQL server, up to the name of the database, for all tests of this session."""
    programs = needs.postgresql()
    as_root = hasattr(os, "geteuid") and os.geteuid() == 0
    folder = Path(tempfile.mkdtemp(prefix="pinset-"))
    if as_root:
        shutil.chown(folder, ANYBODY)

    def run(program: str, *words: str) -> None:
        user = ANYBODY if as_root else None
        subprocess.run([programs / program, *words], user=user, cwd=folder, check=True, stdout=subprocess.DEVNULL)

    data = str(folder / "data")
    run("initdb", "-D", data, "-U", "postgres", "-A", "trust", "-N", "-E", "UTF8", "--locale=C")
    try:
        options = f"-c listen_addresses= -c unix_socket_directories={folder} -c max_connections=200 -F"
        run("pg_ctl", "-D", data, "-w", "-l", str(folder / "log"), "-o", options, "start")
        yield f"postgresql://postgres@/{{}}?host={folder}"
    finally:
        run("pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
        shutil.rmtree(folder)


@contextmanager
def new_database(cluster: str) -> Iterator[str]:
    """The address of an empty database, which is taken away afterwards."""
    name = f"farms_{uuid.uuid4().hex}"
    with psycopg.connect(cluster.format("postgres"), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}".encode())
        yield cluster.format(name)
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())


@pytest.fixture
def database(cluster: str) -> Iterator[str]:
    """The address of an empty database."""
    with new_database(cluster) as address:
        yield address


@pytest.fixture
def other_database(request: pytest.FixtureRequest) -> Iterator[Callable[[], str]]:
    """Gives the address of one empty database more than the test's record lives in, when it is asked for."""
    with ExitStack() as stack:
        yield lambda: stack.enter_context(new_database(request.getfixturevalue("cluster")))


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest) -> str | None:
    """Where a test's record lives: None for a file in its folder, and then again for a database."""
    return None if request.param == "sqlite" else str(request.getfixturevalue("database"))
