"""Two designs at the same places and seats: the difference of their responses, level-matched, and how well it is
known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..bands import db
from ..errors import InvalidValue
from .pairing import resampled_seats
from .seat_bands import SeatBands, seat_bands, wider

if TYPE_CHECKING:
    from xarray import Dataset

MATCH_HZ = (250.0, 2500.0)
"""Levels are matched over these third octaves: the mean of the difference there is 0. The range that loudness rests on
most and that every loudspeaker plays; a choice of this project."""
GRIDS = 0.015
"""Standard error that frequency grids leave, as part of the largest difference between two bands: band means come from
a grid, and the late part follows the loudspeaker's power in twelfths of an octave. A shelf of 1 dB comes back to 0.016
dB."""
DRAW = "draw"
"""Dimension of a result whose materials, places and levels were drawn within their uncertainty (studies/draws.py)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curves:
    """Difference curves: first less second.

    Attributes
    ----------
    curves : Dataset over room, setting, place, the vary keys and band (third octaves): difference_db, low_db, high_db
        (the ends of its interval), seats_db (standard error from the seats), rays_db (from the rays), inputs_db
        (standard deviation over the draws, 0 where nothing was drawn), match_db (what was added to the first
        design's level)
    mean : the same over the mean of all cases; over band only
    first, second : labels
    confidence : of the intervals, each band by itself
    """

    curves: Dataset
    mean: Dataset
    first: Any
    second: Any
    confidence: float


def difference_curves(
    result: Dataset, first: Any, second: Any, *, confidence: float = 0.9, match: bool = True, seed: int = 1,
    draws: int = 400, low_hz: float = 25.0, high_hz: float = 16000.0, bands: SeatBands | None = None,
) -> Curves:
    """Difference of two designs' seat-averaged third octaves with its interval.

    Parameters
    ----------
    result : of a study with both designs; one with a dimension `draw` adds what the drawn inputs do
    first, second : labels of designs
    confidence : of the intervals
    match : match the levels over MATCH_HZ, in each case by itself
    seed, draws : of the seats drawn again
    bands : of the result, where they are at hand

    Raises
    ------
    InvalidValue : no such design, a confidence out of range

    Notes
    -----
    Seats are drawn again, alike for both designs; rays are alike for both as well, so that their noise counts only as
    far as the designs' shares of late sound differ. The parts are taken as independent and add up as variances;
    intervals are Student's with one degree of freedom less than seats. Low bands have few independent seats in a small
    zone: what the interval says there is for this zone.

    Examples
    --------
    >>> curves = roomsim.difference_curves(quick_result(), "wide", "wide")
    >>> float(abs(curves.mean.difference_db).max())
    0.0
    """
    from scipy.special import stdtrit

    labels = [str(x) for x in result["design"].values]
    for name in (first, second):
        if str(name) not in labels:
            raise InvalidValue("design", name, f"must be one of {', '.join(labels)}")
    if not 0.5 <= confidence <= 0.999:
        raise InvalidValue("confidence", confidence, "must be 0.5 to 0.999")
    seen = seat_bands(result) if bands is None else bands
    a, b = labels.index(str(first)), labels.index(str(second))
    third = {}
    for name in ("total", "late"):
        both = getattr(seen, name)[[a, b]]
        third[name], mids = wider(both, seen.band_hz, 3, low_hz, high_hz)
    dims, sizes = seen.dims[1:], third["total"].shape[1:-2]
    seats = third["total"].shape[-2]
    inside = (mids > MATCH_HZ[0] * 0.97) & (mids < MATCH_HZ[1] * 1.03)
    matched = match and bool(inside.any())

    def less(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        difference = db(x) - db(y)
        shift = np.zeros((*difference.shape[:-1], 1))
        if matched:
            shift = difference[..., inside].mean(axis=-1, keepdims=True)
        return difference - shift, -shift[..., 0]

    value, shift = less(third["total"][0].mean(axis=-2), third["total"][1].mean(axis=-2))
    again = resampled_seats(np.random.default_rng(seed), draws, seats)
    weights = np.stack([np.bincount(row, minlength=seats) for row in again]) / seats
    drawn, _ = less(weights @ third["total"][0], weights @ third["total"][1])        # (*sizes, draw, band)
    from_seats = np.full(value.shape, np.nan)
    if seats > 1:
        from_seats = drawn.std(axis=-2, ddof=1) * np.sqrt(seats / (seats - 1))
    from_rays = _rays(result, seen, third, mids)
    quantile = float(stdtrit(max(seats - 1, 1), 0.5 + confidence / 2))
    if DRAW in dims:
        axis = dims.index(DRAW)
        from_inputs = value.std(axis=axis, ddof=1) if sizes[axis] > 1 else np.zeros(np.delete(value.shape, axis))
        value, shift, from_rays = value.mean(axis=axis), shift.mean(axis=axis), from_rays.mean(axis=axis)
        from_seats = np.sqrt((from_seats**2).mean(axis=axis))
        dims = tuple(d for d in dims if d != DRAW)
    else:
        from_inputs = np.zeros(value.shape)
    variables = {"difference_db": value, "seats_db": from_seats, "rays_db": from_rays, "inputs_db": from_inputs}
    coords = {d: list(seen.labels[seen.dims.index(d)]) for d in dims}
    curves = _dataset(variables, dims, coords, mids, quantile)
    curves["match_db"] = (dims, shift, {"units": "dB", "long_name": "added to the first design's level"})
    flat = {name: array.reshape(-1, mids.size) for name, array in variables.items()}
    count = max(int(np.isfinite(flat["difference_db"]).all(axis=-1).sum()), 1)
    mean = {
        "difference_db": np.nanmean(flat["difference_db"], axis=0),
        "seats_db": np.sqrt(np.nansum(flat["seats_db"] ** 2, axis=0)) / count if seats > 1 else flat["seats_db"][0],
        "rays_db": np.sqrt(np.nansum(flat["rays_db"] ** 2, axis=0)) / count,
        "inputs_db": np.sqrt(np.nanmean(flat["inputs_db"] ** 2, axis=0)),          # finishes err alike in all rooms
    }
    return Curves(curves=curves, mean=_dataset(mean, (), {}, mids, quantile), first=first, second=second,
                  confidence=confidence)


def _rays(
    result: Dataset, seen: SeatBands, third: dict[str, NDArray[np.float64]], mids: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Standard error of the difference from the rays: their relative error times the difference of late shares."""
    shape = third["total"].shape[1:-2]
    if "late_noise_db" not in result:
        return np.zeros((*shape, mids.size))
    noise = result["late_noise_db"].max("design").transpose(*seen.dims[1:], "band")
    relative = np.array([
        np.interp(np.log(mids), np.log(noise["band"].values), row) for row in noise.values.reshape(-1, noise.shape[-1])
    ]).reshape(*shape, mids.size)
    share = third["late"].mean(axis=-2) / third["total"].mean(axis=-2)
    return relative * np.abs(share[0] - share[1])


def _dataset(
    variables: dict[str, NDArray[np.float64]], dims: tuple[str, ...], coords: dict[str, list],
    mids: NDArray[np.float64], quantile: float,
) -> Dataset:
    import xarray as xr

    value = variables["difference_db"]
    grids = GRIDS * (value.max(axis=-1, keepdims=True) - value.min(axis=-1, keepdims=True))
    parts = [grids, *(np.nan_to_num(variables[k]) for k in ("seats_db", "rays_db", "inputs_db"))]
    spread = quantile * np.sqrt(sum(part**2 for part in parts))
    every = {**variables, "low_db": value - spread, "high_db": value + spread}
    names = {"difference_db": "difference", "low_db": "lower end of the interval",
             "high_db": "upper end of the interval", "seats_db": "standard error from the seats",
             "rays_db": "standard error from the rays",
             "inputs_db": "standard deviation from drawn inputs"}
    return xr.Dataset(
        {name: ((*dims, "band"), array, {"units": "dB", "long_name": names[name]}) for name, array in every.items()},
        coords={**coords, "band": ("band", mids, {"units": "Hz", "long_name": "third-octave midband"})},
    )
