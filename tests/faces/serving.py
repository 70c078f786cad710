"""Pages served over real HTTP, on a free port of this machine, for as long as a test lasts."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
import uvicorn
from starlette.types import ASGIApp

PATIENCE_SECONDS = 30


@contextmanager
def served(app: ASGIApp) -> Iterator[str]:
    """The address at which the app answers."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listener:
        listener.bind(("127.0.0.1", 0))
        server = uvicorn.Server(uvicorn.Config(app, log_level="critical", server_header=False))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            _wait(server, thread)
            yield f"http://127.0.0.1:{listener.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(PATIENCE_SECONDS)


@contextmanager
def visited(app: ASGIApp) -> Iterator[httpx.Client]:
    """A client of the app, served."""
    with served(app) as address, httpx.Client(base_url=address, trust_env=False, timeout=PATIENCE_SECONDS) as client:
        yield client


def _wait(server: uvicorn.Server, thread: threading.Thread) -> None:
    end = time.monotonic() + PATIENCE_SECONDS
    while not server.started:
        assert thread.is_alive() and time.monotonic() < end, "the server did not start"
        time.sleep(0.02)
