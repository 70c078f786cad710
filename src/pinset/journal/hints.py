"""Reading type hints: the plain type inside Annotated and Optional."""

from __future__ import annotations

import types
from typing import Any, Union, get_args, get_origin


def plain_type(hint: Any) -> Any:
    """The type that a hint comes down to.

    >>> plain_type(int | None), plain_type(tuple[str, ...] | None)
    (<class 'int'>, tuple[str, ...])
    """
    while True:
        if get_origin(hint) in (Union, types.UnionType):
            hint = next(each for each in get_args(hint) if each is not type(None))
        elif hasattr(hint, "__metadata__"):
            hint = hint.__origin__
        else:
            return hint


def is_optional(hint: Any) -> bool:
    """Whether None is among what a hint allows.

    >>> is_optional(int | None), is_optional(int)
    (True, False)
    """
    return type(None) in get_args(hint)
