"""Large results in pieces that fit into memory."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from xarray import DataArray, Dataset

    Labelled = TypeVar("Labelled", DataArray, Dataset)

BLOCK_BYTES = 32_000_000
"""Arrays of a piece; a function over it may take ten times as much for a moment."""

_INNER = ("channel", "listener", "frequency", "band")


def by_blocks(result: Labelled, function: Callable[[Labelled], DataArray], most_bytes: int = BLOCK_BYTES) -> DataArray:
    """A function of cases, applied to as many of them at once as fit into memory.

    Parameters
    ----------
    result : a result or one of its arrays
    function : gives each case a value or an array of its own that does not depend on the other cases
    most_bytes : size of a piece of `result`, where a single case is not larger

    Returns
    -------
    what `function(result)` gives
    """
    split = [dim for dim in _leading(result) if result.sizes[dim] > 1] if result.nbytes > most_bytes else []
    if not split:
        return function(result)
    import xarray as xr

    dim = split[0]
    each = max(int(most_bytes // (result.nbytes / result.sizes[dim])), 1)
    parts = []
    for k in range(0, result.sizes[dim], each):
        piece = result.isel({dim: slice(k, k + each)})
        parts.append(by_blocks(piece if piece.nbytes > most_bytes else piece.load(), function, most_bytes))
    return parts[0] if len(parts) == 1 else xr.concat(parts, dim)


def _leading(result: Any) -> list[str]:
    dims = result["level_db"].dims if "level_db" in getattr(result, "data_vars", ()) else result.dims
    return [str(dim) for dim in dims if dim not in _INNER]
