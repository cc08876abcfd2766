"""How the engines' loops are compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit


def jit(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """njit without the interpreter's lock, with a cache where there is a place for one, without it elsewhere."""

    def decorate(function: Callable[..., Any]) -> Any:
        try:
            return njit(cache=True, nogil=True, **options)(function)
        except RuntimeError:        # neither the package nor the home folder can be written
            return njit(nogil=True, **options)(function)

    return decorate
