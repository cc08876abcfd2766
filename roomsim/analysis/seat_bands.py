"""Energies per seat and twelfth of an octave: what every judgement starts from, small enough to be drawn again often.

A third octave is four twelfths and half an octave six, edge to edge (IEC 61260-1: midbands of even fractions lie
between the steps of 1 kHz), so that all wider bands are plain means of these.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..bands import band_means, from_db, midbands_hz
from .blocks import by_blocks
from .speech import speech_transmission

if TYPE_CHECKING:
    from xarray import DataArray, Dataset

FINE = 12
"""Bands of 1/FINE octave."""

PARTS = ("total", "direct", "early", "late")
_LEVEL = {"total": "level_db", "direct": "direct_level_db", "early": "early_level_db", "late": "late_level_db"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeatBands:
    """Energies of all cases, re the result's 0 dB.

    Attributes
    ----------
    dims : leading dimensions: design, room, setting, place, the vary keys
    labels : labels of each
    band_hz : exact midbands of 1/12 octave, shape (n_band,)
    total, direct, early, late : channels summed in power, shape (*leading, n_seat, n_band)
    pair : left and right channel of each design, shape (*leading, 2, n_seat, n_band); None where no design has both
    own : sound power of the loudspeaker alone, channels summed, shape (*leading, n_band); None where a result has none
    speech : speech transmission index, shape (*leading, n_seat); None where a result has none
    """

    dims: tuple[str, ...]
    labels: tuple[tuple[Any, ...], ...]
    band_hz: NDArray[np.float64]
    total: NDArray[np.float64]
    direct: NDArray[np.float64]
    early: NDArray[np.float64]
    late: NDArray[np.float64]
    pair: NDArray[np.float64] | None = None
    own: NDArray[np.float64] | None = None
    speech: NDArray[np.float64] | None = None


def seat_bands(result: Dataset, low_hz: float = 20.0, high_hz: float = 20000.0) -> SeatBands:
    """Energies per seat and twelfth of an octave of a study's result.

    Parameters
    ----------
    result : as `roomsim.predict` returns it; a large one is read piece by piece
    low_hz, high_hz : bands whose midbands lie in this range and in the result's
    """
    f = result["frequency"].values
    mids = midbands_hz(FINE, max(low_hz, f[0]), min(high_hz, f[-1]))
    dims = tuple(str(d) for d in result["level_db"].dims if d not in ("channel", "listener", "frequency"))

    def bands(level: DataArray) -> DataArray:
        import xarray as xr

        means = xr.apply_ufunc(
            lambda e: band_means(from_db(e), f, mids, FINE), level,
            input_core_dims=[["frequency"]], output_core_dims=[["band"]],
        )
        return means.assign_coords(band=mids)

    def summed(level: DataArray) -> DataArray:
        return bands(level).sum("channel", skipna=True, min_count=1)

    found = {}
    for part in PARTS:
        array = by_blocks(result[_LEVEL[part]], summed).transpose(*dims, "listener", "band")
        found[part] = np.asarray(array.values, float)
    pair = None
    names = [str(name) for name in result["channel"].values]
    if {"left", "right"} <= set(names):
        both = by_blocks(result["level_db"].sel(channel=["left", "right"]), bands)
        pair = np.asarray(both.transpose(*dims, "channel", "listener", "band").values, float)
        pair = pair if np.isfinite(pair).any() else None
    own = None
    if "power_level_db" in result:
        own = np.asarray(by_blocks(result["power_level_db"], summed).transpose(*dims, "band").values, float)
    return SeatBands(
        dims=dims, labels=tuple(tuple(result[d].values.tolist()) for d in dims), band_hz=mids, pair=pair, own=own,
        speech=_speech(result, dims),
        **found
    )


def _speech(result: Dataset, dims: tuple[str, ...]) -> NDArray[np.float64] | None:
    if "modulation_index" not in result:
        return None
    return np.asarray(speech_transmission(result).transpose(*dims, "listener").values, float)


def wider(energy: NDArray[np.float64], band_hz: NDArray[np.float64], fraction: int, low_hz: float, high_hz: float
          ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Means over whole bands of 1/`fraction` octave (1, 2, 3, 4 or 6) that lie inside the twelfths.

    Parameters
    ----------
    energy : shape (..., n_band), twelfths of an octave with midbands band_hz
    fraction : divides 12
    low_hz, high_hz : nominal midbands of the first and last band

    Returns
    -------
    energies, shape (..., n); exact midbands, shape (n,)
    """
    mids = midbands_hz(fraction, low_hz, high_hz)
    each = FINE // fraction
    lowest = np.round(np.log10(mids / 1000) / 0.3 * FINE - each / 2).astype(int)   # its first twelfth
    first = int(np.round(np.log10(band_hz[0] / 1000) / 0.3 * FINE - 0.5))
    starts = lowest - first
    inside = (starts >= 0) & (starts + each <= band_hz.size)
    gathered = energy[..., (starts[inside][:, None] + np.arange(each))]
    return gathered.mean(axis=-1), mids[inside]
