"""Signs seen on what spawn is about to be drawn from."""

from __future__ import annotations

from collections.abc import Iterable

from pinset.ledger.read import Reader
from pinset.ledger.tables import SignSeen, Unit


def signs_on(ledger: Reader, codes: Iterable[str]) -> list[SignSeen]:
    """Every sign seen on some units, batches or lots: their own, a unit's batch's as a whole, and none of siblings."""
    named = set(codes)
    batches = {unit.batch for unit in ledger.of(Unit, "code", named)}
    return sorted(ledger.of(SignSeen, "subject", named | batches), key=lambda sign: (sign.at, sign.subject))
