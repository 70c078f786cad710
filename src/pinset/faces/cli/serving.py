"""Showing the record in a browser on this machine."""

from __future__ import annotations

import os
import socket
from contextlib import contextmanager
from typing import TYPE_CHECKING

from pinset.faces.cli.finding import open_farm
from pinset.faces.cli.options import FarmFolder

if TYPE_CHECKING:
    from collections.abc import Iterator

PORT = 8420


class OnlyThisMachine(ValueError):
    """Pages can be shown to this machine alone until there are accounts."""


class AddressTaken(OSError):
    """Another program answers at this address."""


def serve(*, host: str = "127.0.0.1", port: int = PORT, farm: FarmFolder = None) -> None:
    """Show the record and the answers in a browser on this machine, until Ctrl-C. Backups are made meanwhile.

    Parameters
    ----------
    host: str
        The address of this machine to answer at: 127.0.0.1, ::1 or localhost.
    port: int
        The port to answer at.
    """
    from uvicorn import Config, Server

    from pinset.faces.web.guard import is_loopback
    from pinset.faces.web.site import site
    from pinset.upkeep import Keeper

    if not is_loopback(host):
        raise OnlyThisMachine(
            f"needed an address of this machine, as 127.0.0.1; came {host!r}. Other machines can look in once pinset "
            "has accounts; until then nobody who reaches the address could be told apart."
        )
    with open_farm(farm) as opened, _listening(host, port) as listener, Keeper(opened):
        address = f"http://{f'[{host}]' if ':' in host else host}:{listener.getsockname()[1]}/"
        print(f"{opened.settings.name} is shown at {address}  (Ctrl-C ends it)", flush=True)
        config = Config(site(opened), log_level="warning", server_header=False, proxy_headers=False)
        Server(config).run(sockets=[listener])


@contextmanager
def _listening(host: str, port: int) -> Iterator[socket.socket]:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # named as TCP, so that asyncio sends small packets at once: a page would else wait 40 ms for the browser's word
    with socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listener:
        if os.name == "posix":  # elsewhere it would let a second program answer at the same port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, port))
            listener.listen(2048)  # from here on a browser that comes at once waits, and is not refused
        except OSError as fault:
            words = f"Nothing can be shown at {host}, port {port}: {fault.strerror}. Try --port {port + 1}"
            raise AddressTaken(words) from fault
        yield listener
