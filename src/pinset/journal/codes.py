"""Codes that people type: short, with an ISO/IEC 7064 check character, made where the note is made."""

from __future__ import annotations

import hashlib
import secrets
import time
import uuid
from typing import Final

LONGEST: Final = 20  # a lot or serial number in GS1 syntax has at most 20 characters
_ALPHABET: Final = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


class CodeTooLong(ValueError):
    """A code that people type has at most 20 characters."""


def check_character(code: str) -> str:
    """The check character of a code by ISO/IEC 7064 MOD 37,36; marks such as ``-`` do not count.

    Source: ISO/IEC 7064:2003, hybrid system MOD 37,36 (recursion from memory; property-tested for its promise:
    every single wrong character is noticed, and nearly every swap of neighbours).

    >>> check_character("B0042")
    'X'
    """
    rest = 36
    for sign in _letters(code):
        rest = (rest + _ALPHABET.index(sign)) % 36 or 36
        rest = rest * 2 % 37
    return _ALPHABET[(37 - rest) % 36]


def checked(code: str) -> str:
    """The code with its check character behind it.

    >>> checked("B0042")
    'B0042X'
    """
    whole = code + check_character(code)
    if len(whole) > LONGEST:
        raise CodeTooLong(f"{whole!r} has {len(whole)} characters; {LONGEST} are allowed")
    return whole


def is_checked(code: str) -> bool:
    """Whether the last character is the check character of those before it.

    >>> is_checked("B0042X"), is_checked("B0024X")
    (True, False)
    """
    letters = _letters(code)
    return len(letters) > 1 and check_character(letters[:-1]) == letters[-1]


def _letters(code: str) -> str:
    return "".join(sign for sign in code.upper() if sign in _ALPHABET)


def unit_code(batch: str, number: int, with_check: bool = False) -> str:
    """The code of one unit of a batch.

    >>> unit_code("KB001", 1), unit_code("B0042X", 7, with_check=True)
    ('KB001-01', 'B0042X-07F')
    """
    plain = f"{batch}-{number:02d}"
    return checked(plain) if with_check else plain


def new_id(now_ms: int | None = None) -> str:
    """A new UUIDv7 (RFC 9562): 48 bits of Unix milliseconds, then random bits.

    >>> len(new_id()), new_id()[14]
    (36, '7')
    """
    moment = int(time.time() * 1000) if now_ms is None else now_ms
    bits = (moment << 80) | (0x7 << 76) | (secrets.randbits(12) << 64) | (0b10 << 62) | secrets.randbits(62)
    return str(uuid.UUID(int=bits))


def id_from(*parts: str) -> str:
    """A UUIDv8 (RFC 9562) made from its parts, so that the same line of a file always makes the same id.

    >>> id_from("a", "b") == id_from("a", "b") != id_from("ab")
    True
    """
    digest = hashlib.sha256("\x1f".join(parts).encode()).digest()
    bits = int.from_bytes(digest[:16], "big")
    bits = bits & ~(0xF << 76) & ~(0b11 << 62) | (0x8 << 76) | (0b10 << 62)
    return str(uuid.UUID(int=bits))
