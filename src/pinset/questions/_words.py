"""Numbers in sentences: rounded no finer than their doubt allows, never without their unit."""

from __future__ import annotations

import math
from collections.abc import Sequence


def digits_for(doubt: float | None, most: int = 3) -> int:
    """How many digits after the point a number deserves whose doubt (half an interval, a standard error) is this.

    >>> digits_for(0.04), digits_for(3.0), digits_for(None)
    (2, 0, 1)
    """
    if doubt is None or not math.isfinite(doubt) or doubt <= 0:
        return 1
    return max(0, min(most, -math.floor(math.log10(doubt))))


def number(value: float, digits: int) -> str:
    """A number with a fixed count of digits, thousands set apart by a thin space.

    >>> number(12345.678, 1), number(-0.04, 1)
    ('12\u202f345.7', '0.0')
    """
    rounded = round(value, digits) + 0.0
    return f"{rounded:,.{digits}f}".replace(",", "\u202f").replace("-", "−")


def span(value: float, low: float | None, high: float | None, unit: str = "", scale: float = 1.0) -> str:
    """A number with its interval, as "18.9 % (17.4 to 20.4)"; without one, the number alone.

    >>> span(0.1888, 0.1741, 0.2036, "%", 100)
    '18.9 % (17.4 to 20.4)'
    """
    value *= scale
    behind = f" {unit}" if unit else ""
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return f"{number(value, digits_for(abs(value) / 30))}{behind}"
    low, high = low * scale, high * scale
    digits = digits_for((high - low) / 4)
    return f"{number(value, digits)}{behind} ({number(low, digits)} to {number(high, digits)})"


def listed(names: Sequence[str], most: int = 4) -> str:
    """Names in a row, cut where there are many.

    >>> listed(["a", "b", "c"]), listed(list("abcdefg"), most=3)
    ('a, b and c', 'a, b, c and 4 more')
    """
    shown = list(names[:most])
    if len(names) > most:
        return f"{', '.join(shown)} and {len(names) - most} more"
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else "".join(shown)


def several(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun.

    >>> several(1, "batch", "batches"), several(3, "unit")
    ('1 batch', '3 units')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


def in_sentences(sentences: Sequence[str]) -> str:
    """Sentences in a row, each with its capital and its full stop.

    >>> in_sentences(["soy hulls pay", "okara cannot be told from bran yet"])
    'Soy hulls pay. Okara cannot be told from bran yet.'
    """
    return " ".join(f"{one[:1].upper()}{one[1:].rstrip('.')}." for one in sentences)
