"""What stands around every response: who may be asked, and what a browser may do with the answer."""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import ip_address
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY: Final = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; font-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'; object-src 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


def is_loopback(host: str) -> bool:
    """Whether a host name can only mean this machine.

    >>> [is_loopback(name) for name in ("localhost", "127.0.0.1", "[::1]", "192.168.1.5", "127.0.0.1.example")]
    [True, True, True, False, False]
    """
    name = host.strip("[]").rstrip(".").casefold()
    if name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return False


def host_name(header: str) -> str:
    """The name in a Host header, without its port.

    >>> host_name("localhost:8420"), host_name("[::1]:8420"), host_name("farm.example")
    ('localhost', '[::1]', 'farm.example')
    """
    name, mark, port = header.rpartition(":")
    return name if mark and port.isdecimal() else header


class Guard:
    """Answers only to names that are ours, and sends the browser's rules with every response.

    A page of another site that points its name at this machine sends its own name along; it gets nothing.
    """

    def __init__(self, app: ASGIApp, hosts: Iterable[str] = ()) -> None:
        self.app, self.hosts = app, frozenset(host.casefold() for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it here."""
        if scope["type"] != "http":
            return await self.app(scope, receive, send)

        async def sends(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(HEADERS)
                headers.setdefault("Cache-Control", "private, no-cache")
            await send(message)

        name = host_name(Headers(scope=scope).get("host", ""))
        if is_loopback(name) or name.casefold() in self.hosts:
            return await self.app(scope, receive, sends)
        refused = PlainTextResponse("These pages answer only to the names they were started for.\n", status_code=421)
        return await refused(scope, receive, sends)
