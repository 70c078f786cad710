"""One farm for all tests of the faces that only look at it, its pages served on this machine, and a client for them."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest

from pinset.faces.web import asked
from pinset.faces.web.site import site
from pinset.farm import Farm
from tests.faces import farms
from tests.faces.running import run
from tests.faces.serving import PATIENCE_SECONDS, served
from tests.homes import cluster, database

__all__ = ["cluster", "database", "run"]


@pytest.fixture(scope="session", autouse=True)
def patience() -> Iterator[None]:
    """First pages wait for their answers, however busy the machine is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(asked, "PATIENCE", PATIENCE_SECONDS)
        yield


@pytest.fixture(scope="session")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Farm]:
    with farms.start(tmp_path_factory.mktemp("hollow-lane")) as opened:
        yield opened


@pytest.fixture(scope="session")
def address(farm: Farm) -> Iterator[str]:
    """Where the farm's pages are served."""
    with served(site(farm)) as at:
        yield at


@pytest.fixture(scope="session")
def client(address: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=address, trust_env=False, timeout=PATIENCE_SECONDS) as opened:
        yield opened
