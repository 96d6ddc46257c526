"""How one of several results is made anew when it is unpickled."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

_Result = TypeVar("_Result")


def pick(make: Callable[[], Sequence[_Result]], place: int) -> _Result:
    """The result at a place of what is made."""
    return make()[place]
