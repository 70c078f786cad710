"""The address that devices talk to: they offer entries, and read what is new; described at /api/openapi.json."""

from __future__ import annotations

import json
from functools import cache
from math import isfinite
from typing import Any, Final
from urllib.parse import urlsplit

from pydantic import BaseModel, ValidationError
from pydantic.json_schema import models_json_schema
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from pinset import __version__
from pinset.farm import Farm
from pinset.journal.entry import Fault, body_faults
from pinset.journal.kinds import KINDS
from pinset.journal.sync import Batch, Offer, Page, Reply, Wrong, since

ENTRIES: Final = "/api/entries"
MOST_BYTES: Final = 2_000_000
LAST_PLACE: Final = 2**31 - 1


class CannotTake(Exception):
    """The request as a whole cannot be taken; nothing of it was kept."""

    def __init__(self, status: int, *faults: Fault) -> None:
        super().__init__(*faults)
        self.status, self.faults = status, faults


class Refusal(BaseModel):
    """Why a whole request was not taken. Nothing of it was kept."""

    faults: list[Wrong]


class Api:
    """A farm's entries, offered and read."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm

    def routes(self) -> list[Route]:
        """The addresses under /api."""
        return [
            Route(ENTRIES, self.entries, methods=["GET", "POST"]),
            Route("/api/openapi.json", lambda request: JSONResponse(openapi())),
        ]

    async def entries(self, request: Request) -> Response:
        """Take a batch, or tell what is new."""
        try:
            answer = self._takes if request.method == "POST" else self._tells
            return _json(200, await answer(request))
        except CannotTake as fault:
            return _json(fault.status, Refusal(faults=[Wrong(**each._asdict()) for each in fault.faults]))

    async def _takes(self, request: Request) -> Reply:
        must_be_ours(request)
        batch = batch_in(await content(request))
        return await run_in_threadpool(self.farm.receive, batch)

    async def _tells(self, request: Request) -> Page:
        place = request.query_params.get("since", "0")
        if not (place.isascii() and place.isdecimal() and len(place) <= 10 and int(place) <= LAST_PLACE):
            raise CannotTake(400, Fault("since", f"a place from 0 to {LAST_PLACE}", repr(place[:80])))
        return await run_in_threadpool(since, self.farm.store, self.farm.settings, int(place))


def _json(status: int, said: BaseModel) -> Response:
    return Response(said.model_dump_json(), status, media_type="application/json")


def must_be_ours(request: Request) -> None:
    """Refuse what a page of another site may have sent: it says so, or comes as a form, which needs no leave."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().casefold()
    if kind != "application/json":
        raise CannotTake(415, Fault("Content-Type", "application/json", repr(kind[:80])))
    fetched = request.headers.get("sec-fetch-site", "same-origin")
    if fetched not in ("same-origin", "none"):
        raise CannotTake(403, Fault("Sec-Fetch-Site", "a page of this server", repr(fetched[:80])))
    origin = request.headers.get("origin")
    if origin is not None and urlsplit(origin)[:2] != (request.url.scheme, request.headers.get("host")):
        raise CannotTake(403, Fault("Origin", "a page of this server", repr(origin[:80])))


async def content(request: Request) -> bytes:
    """What was sent, no more of it read than may be taken."""
    read = bytearray()
    async for some in request.stream():
        read += some
        if len(read) > MOST_BYTES:
            raise CannotTake(413, Fault("batch", f"at most {MOST_BYTES} bytes", "more", "Offer it in several parts."))
    return bytes(read)


def batch_in(sent: bytes) -> Batch:
    """The batch in what was sent; its entries are not looked at yet."""
    try:
        return Batch.model_validate(json.loads(sent, parse_float=_finite, parse_constant=_finite))
    except ValidationError as fault:
        raise CannotTake(400, *body_faults(fault)) from fault
    except (ValueError, RecursionError) as fault:
        raise CannotTake(400, Fault("batch", "JSON", str(fault)[:200])) from fault


def _finite(text: str) -> float:
    number = float(text)
    if not isfinite(number):
        raise ValueError(f"{text[:40]} is no number that can be kept")
    return number


@cache
def openapi() -> dict[str, Any]:
    """The description of these addresses, from the same models that read and write them."""
    read: list[type[BaseModel]] = [Batch, Offer, *KINDS.values()]
    _, schemas = models_json_schema(
        [(model, "validation") for model in read] + [(model, "serialization") for model in (Reply, Page, Refusal)],
        ref_template="#/components/schemas/{model}",
    )
    refusals = {status: _says(words, Refusal) for status, words in _REFUSALS.items()}
    offer = {
        "summary": "Offer entries; each is answered by itself",
        "requestBody": {"required": True, **_says("", Batch, "description")},
        "responses": {"200": _says("One result for each offer, once the disk has what was kept", Reply), **refusals},
    }
    news = {
        "summary": "Read what was kept after a place",
        "parameters": [{"name": "since", "in": "query", "schema": _PLACE}],
        "responses": {"200": _says("Entries in the order in which they were kept", Page), "400": refusals["400"]},
    }
    return {
        "openapi": "3.1.0",
        "info": {"title": "pinset", "version": __version__},
        "paths": {ENTRIES: {"get": news, "post": offer}},
        "components": {"schemas": schemas["$defs"]},
    }


_PLACE: Final = {"type": "integer", "minimum": 0, "maximum": LAST_PLACE, "default": 0}
_REFUSALS: Final = {
    "400": "Not JSON, or not a batch", "403": "Sent by a page of another site", "413": "Too long",
    "415": "Not sent as application/json",
}  # fmt: skip


def _says(words: str, model: type[BaseModel], *without: str) -> dict[str, Any]:
    schema = {"$ref": f"#/components/schemas/{model.__name__}"}
    said = {"description": words, "content": {"application/json": {"schema": schema}}}
    return {name: value for name, value in said.items() if name not in without}
