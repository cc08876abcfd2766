"""Where the arrays of single cases go in the arrays of a result, in memory or read from finished cases on demand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .case import CaseResult
from .decay import RATIOS
from .plan import Plan

if TYPE_CHECKING:
    import xarray

Get = Callable[[str], CaseResult | None]
"""A finished case by its key."""

FULL = ("channel", "listener", "frequency")
TRAILING = {
    "wave_weight": ("frequency",), "power_level_db": ("channel", "frequency"), "late_noise_db": ("band",),
    "modulation_index": ("listener", "band"),
    "decay_s": ("band",), "decay_spread_s": ("band",),
    **dict.fromkeys(RATIOS, ("listener", "band")),
}
"""Dimensions of a case's arrays, where they are not FULL."""

RECENT = 4
"""Cases that an array read on demand keeps at hand."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """The plan of a result's arrays.

    Attributes
    ----------
    leading, shape : dimensions of the cases and their lengths
    sizes : lengths of channel, listener, frequency, band
    dtypes : variable of a case -> its type, in the result's order
    places : place of each case in the leading dimensions, in the plan's order
    rows : channels of each case as rows of the result's channels
    band_hz : shape (n_band,)
    """

    leading: tuple[str, ...]
    shape: tuple[int, ...]
    sizes: dict[str, int]
    dtypes: dict[str, np.dtype]
    places: tuple[tuple[int, ...], ...]
    rows: tuple[tuple[int, ...], ...]
    band_hz: NDArray[np.float64]

    @classmethod
    def of(cls, plan: Plan, sample: CaseResult) -> Layout:
        """The layout of a plan whose cases have the variables of `sample`."""
        position = {dim: {label: k for k, label in enumerate(labels)} for dim, labels in plan.coordinates.items()}
        channels = {channel: k for k, channel in enumerate(plan.channels)}
        rows = {names: tuple(channels[name] for name in names) for names in {case.channels for case in plan.cases}}
        return cls(
            leading=tuple(plan.coordinates),
            shape=tuple(len(labels) for labels in plan.coordinates.values()),
            sizes={
                "channel": len(channels), "listener": max(case.seats.count for case in plan.cases),
                "frequency": plan.cases[0].frequency_hz.size, "band": sample.band_hz.size,
            },
            dtypes={name: values.dtype for name, values in sample.arrays.items()},
            places=tuple(tuple(position[dim][label] for dim, label in case.labels) for case in plan.cases),
            rows=tuple(rows[case.channels] for case in plan.cases),
            band_hz=sample.band_hz,
        )

    def trailing(self, name: str) -> tuple[str, ...]:
        """Dimensions of a variable after the leading ones."""
        return TRAILING.get(name, FULL)

    def shape_of(self, name: str) -> tuple[int, ...]:
        """Shape of a variable in the result."""
        return self.shape + tuple(self.sizes[dim] for dim in self.trailing(name))

    @property
    def large(self) -> list[str]:
        """Variables that grow with the seats."""
        return [name for name in self.dtypes if "listener" in self.trailing(name)]

    def block(self, name: str, case: int, values: NDArray) -> NDArray:
        """A case's array as it stands in the result, NaN where the result has more channels or seats."""
        trailing = self.trailing(name)
        whole = tuple(self.sizes[dim] for dim in trailing)
        rows = self.rows[case]
        of_channels = trailing[:1] == ("channel",)
        if values.shape == whole and (not of_channels or rows == tuple(range(len(rows)))):
            return values
        out = np.full(whole, np.nan, self.dtypes[name])
        if of_channels:
            out[list(rows), : values.shape[1]] = values
        else:
            out[tuple(slice(n) for n in values.shape)] = values
        return out


def filled(layout: Layout, keys: Sequence[str], get: Get) -> dict[str, xarray.Variable]:
    """The large variables in memory."""
    import xarray as xr

    arrays = {name: np.full(layout.shape_of(name), np.nan, layout.dtypes[name]) for name in layout.large}
    for k, key in enumerate(keys):
        result = present(get, key)
        for name, array in arrays.items():
            array[layout.places[k]] = layout.block(name, k, result.arrays[name])
    return {name: xr.Variable(layout.leading + layout.trailing(name), array) for name, array in arrays.items()}


def on_demand(layout: Layout, keys: Sequence[str], get: Get) -> dict[str, xarray.Variable]:
    """The large variables, read from the finished cases whenever they are asked for."""
    import xarray as xr
    from xarray.backends import BackendArray
    from xarray.core import indexing

    cases = np.empty(layout.shape, int)
    for k, place in enumerate(layout.places):
        cases[place] = k
    recent: dict[int, CaseResult] = {}

    def case(k: int) -> CaseResult:
        if k not in recent:
            result = present(get, keys[k])
            while len(recent) >= RECENT:
                del recent[next(iter(recent))]
            recent[k] = result
        return recent[k]

    class OfCases(BackendArray):
        """One variable."""

        def __init__(self, name: str) -> None:
            self.name, self.shape, self.dtype = name, layout.shape_of(name), layout.dtypes[name]

        def __getitem__(self, key: indexing.ExplicitIndexer) -> Any:
            return indexing.explicit_indexing_adapter(key, self.shape, indexing.IndexingSupport.BASIC, self._read)

        def _read(self, key: tuple[int | slice, ...]) -> NDArray:
            split = len(layout.shape)
            wanted, inner = cases[key[:split]], key[split:]
            if np.ndim(wanted) == 0:
                return self._part(int(wanted), inner)
            parts = [self._part(int(k), inner) for k in wanted.ravel()]
            rest = parts[0].shape if parts else np.empty(self.shape[split:], self.dtype)[inner].shape
            return np.array(parts, self.dtype).reshape(wanted.shape + rest)

        def _part(self, k: int, inner: tuple[int | slice, ...]) -> NDArray:
            return np.asarray(layout.block(self.name, k, case(k).arrays[self.name])[inner])

    return {
        name: xr.Variable(layout.leading + layout.trailing(name), indexing.LazilyIndexedArray(OfCases(name)))
        for name in layout.large
    }


def present(get: Get, key: str) -> CaseResult:
    """A case that must be there."""
    result = get(key)
    if result is None:
        from ..files.output import OutputError

        raise OutputError(f"the finished case {key[:12]}… has vanished from the store; predict again")
    return result
