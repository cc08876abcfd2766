"""What a channel can play: how loud, what stops it, and what a stated level takes.

Linear limits only: no compression, no distortion, no amplifier. Playing at such levels can hurt ears and
destroy drivers: a prediction is no licence to try.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import analysis_grid_hz, band_edges_hz, db
from ..constants import REFERENCE_PRESSURE_PA
from ..errors import InvalidValue
from .boxes import Boxed
from .channels import PlacedDriver, channel_far_pressure, radiates_into_half_space

PROGRAMME_CREST_DB = 12.0
"""Peak over rms of a noise-like programme (common practice, no source)."""

_FRONT = (1.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MaximumLevels:
    """How loud a channel can play a steady sine.

    Attributes
    ----------
    band_hz : exact midbands, shape (n_band,)
    level_db : level in the chosen direction, as in the far field at 1 m [dB re 20 µPa], that every sine of the
        band can reach; inf where no driver has a limit
    drive_db : gain of the channel's input at that level, re the drive that its data stand for
    driver : name of the driver that stops it, "" for none
    cause : "excursion", "power" or ""
    """

    band_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    drive_db: NDArray[np.float64]
    driver: tuple[str, ...]
    cause: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverLoad:
    """What one driver does at a stated level.

    Attributes
    ----------
    name : the driver's
    power_w : mean electrical power [W], None without a sensitivity
    peak_excursion_m : programme peak of the cone's travel [m], None without a cone
    headroom_db : how much more the nearer of its limits allows
    cause : which limit that is
    """

    name: str
    power_w: float | None
    peak_excursion_m: float | None
    headroom_db: float
    cause: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A channel at a stated level.

    Attributes
    ----------
    level_db : the level asked for
    drive_db : rms of the whole programme at the channel's input, re the drive that its data stand for
    headroom_db : of the driver with the least; negative: it cannot play that loud
    drivers : every driver with limits
    """

    level_db: float
    drive_db: float
    headroom_db: float
    drivers: tuple[DriverLoad, ...]


def maximum_levels(
    drivers: Sequence[PlacedDriver],
    mid_hz: ArrayLike,
    *,
    speed_m_s: float,
    density_kg_m3: float,
    direction: ArrayLike = _FRONT,
    half_space: bool | None = None,
    fraction: int = 3,
) -> MaximumLevels:
    """Highest level of a steady sine per 1/`fraction`-octave band: the worst of seven frequencies in each.

    Parameters
    ----------
    drivers : of one channel; at least one with `limits`
    mid_hz : exact midbands, shape (n_band,)
    speed_m_s, density_kg_m3 : of the air
    direction : where the level is taken, unit vector in the loudspeaker's frame
    half_space : the drivers sit in a large wall; None: as their data say
    """
    half = _checked(drivers, half_space)
    mid = np.atleast_1d(np.asarray(mid_hz, float))
    edges = np.log(band_edges_hz(mid, fraction))
    f = np.exp(np.linspace(edges[:, 0], edges[:, 1], 7, axis=-1)).ravel()
    far = np.abs(channel_far_pressure(drivers, f, direction, speed_m_s)[0])
    rows = [
        (driver.name, cause, gain)
        for driver in drivers if driver.limits
        for cause, gain in _largest_gains(driver, f, density_kg_m3, half).items()
    ]
    gains = np.array([gain for *_, gain in rows])
    worst = gains.argmin(axis=0)
    gain = gains.min(axis=0).reshape(mid.size, -1)
    level = db((gain.ravel() * far) ** 2, REFERENCE_PRESSURE_PA**2).reshape(mid.size, -1)
    at = level.argmin(axis=1)
    pick = np.arange(mid.size), at
    which = worst.reshape(mid.size, -1)[pick]
    limited = np.isfinite(level[pick])
    return MaximumLevels(
        band_hz=mid, level_db=level[pick], drive_db=db(gain[pick] ** 2),
        driver=tuple(rows[k][0] if ok else "" for k, ok in zip(which, limited, strict=True)),
        cause=tuple(rows[k][1] if ok else "" for k, ok in zip(which, limited, strict=True)),
    )


def load_at_level(
    drivers: Sequence[PlacedDriver],
    level_db: float,
    *,
    speed_m_s: float,
    density_kg_m3: float,
    direction: ArrayLike = _FRONT,
    half_space: bool | None = None,
    low_hz: float = 20.0,
    high_hz: float = 20000.0,
    spectrum_db: ArrayLike | None = None,
    crest_db: float = PROGRAMME_CREST_DB,
) -> Load:
    """Drive, power, cone travel and headroom of a channel that plays a programme at a stated level.

    Parameters
    ----------
    level_db : level of the whole programme in the chosen direction, as in the far field at 1 m [dB re 20 µPa]
    direction, half_space : as for `maximum_levels`
    low_hz, high_hz : the programme's range
    spectrum_db : the input signal's level per log-frequency step, on `analysis_grid_hz(low_hz, high_hz, 24)`;
        None for pink noise
    crest_db : peak over rms of the cone's travel

    Notes
    -----
    The power limit is held against the mean power, the excursion limit against the programme's peak.
    """
    half = _checked(drivers, half_space)
    f = analysis_grid_hz(low_hz, high_hz, 24)
    shape = np.zeros(f.size) if spectrum_db is None else np.asarray(spectrum_db, float)
    if shape.shape != f.shape:
        raise InvalidValue("spectrum_db", f"{shape.size} values", f"must have {f.size}, one per frequency")
    signal = 10 ** (shape / 10)
    signal = signal / signal.sum()                              # a programme of unit rms
    far = np.abs(channel_far_pressure(drivers, f, direction, speed_m_s)[0])
    total = float((signal * far**2).sum())
    if not total > 0:
        raise InvalidValue("direction", direction, "the channel radiates nothing there")
    drive = math.sqrt(REFERENCE_PRESSURE_PA**2 * 10 ** (level_db / 10) / total)
    crest = 10 ** (crest_db / 20)
    loads = []
    for driver in drivers:
        if driver.limits is None:
            continue
        # Sine gain limits give, per frequency, the fraction of the limit that unit input takes.
        used = {
            cause: drive * math.sqrt(float((signal / gain**2).sum()))
            for cause, gain in _largest_gains(driver, f, density_kg_m3, half).items()
        }
        if "excursion" in used:
            used["excursion"] *= crest / math.sqrt(2)           # a sine's own crest is in its limit
        cause = max(used, key=used.__getitem__)
        limits = driver.limits
        loads.append(DriverLoad(
            name=driver.name,
            power_w=limits.power_w * used["power"] ** 2 if "power" in used else None,
            peak_excursion_m=limits.excursion_m * used["excursion"] if "excursion" in used else None,
            headroom_db=-20 * math.log10(max(used[cause], 1e-15)),
            cause=cause,
        ))
    return Load(
        level_db=level_db, drive_db=20 * math.log10(drive),
        headroom_db=min(load.headroom_db for load in loads), drivers=tuple(loads),
    )


def _largest_gains(
    driver: PlacedDriver, frequency_hz: NDArray[np.float64], density_kg_m3: float, half_space: bool
) -> dict[str, NDArray[np.float64]]:
    """Per limit: the gain of the channel's input at which a sine reaches it, shape (n_frequency,)."""
    limits, out = driver.limits, {}
    electric = np.abs(driver.filter.response(frequency_hz))
    with np.errstate(divide="ignore"):
        if limits.excursion_m is not None:
            sent = np.abs(driver.directivity.far_pressure(frequency_hz, [_FRONT])[0]) * electric
            travel = limits.travel_per_pressure(frequency_hz, density_kg_m3, half_space)
            out["excursion"] = limits.excursion_m / (travel * sent)
        if limits.power_w is not None:
            passband = _passband_pressure(driver)
            out["power"] = math.sqrt(limits.power_w) * limits.watt_pressure / (passband * electric)
    return out


def _passband_pressure(driver: PlacedDriver) -> float:
    """On-axis |D| of the driver in the band it is used in (filter within 6 dB of its peak), rms [Pa m].

    The roll-off of a box is left out: it does not lower the power that a given drive takes.
    """
    inner = driver.directivity.driver if isinstance(driver.directivity, Boxed) else driver.directivity
    f = analysis_grid_hz(max(20.0, inner.low_hz), min(20000.0, inner.high_hz), 12)
    gain = np.abs(driver.filter.response(f))
    used = f[gain >= gain.max() / 2]
    return float(np.sqrt(np.mean(np.abs(inner.far_pressure(used, [_FRONT])[0]) ** 2)))


def _checked(drivers: Sequence[PlacedDriver], half_space: bool | None) -> bool:
    """Whether the channel radiates into a half space; an error where no driver has limits."""
    if not any(driver.limits for driver in drivers):
        raise InvalidValue("limits", None, "no driver of the channel has limits",
                           "give the cone's radius and excursion, or sensitivity and power")
    return radiates_into_half_space(drivers) if half_space is None else half_space
