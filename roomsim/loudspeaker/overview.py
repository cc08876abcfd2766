"""Everything a designer looks at in one channel's free-field behaviour, computed once for figures and table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import analysis_grid_hz, band_means, db, from_db, midbands_hz
from ..constants import REFERENCE_PRESSURE_PA
from ..sphere import orbit_vectors
from .channels import (
    PlacedDriver,
    beam_width_deg,
    channel_far_pressure,
    channel_power,
    radiates_into_half_space,
)
from .curves import StandardCurves, standard_curves
from .output import MaximumLevels
from .trust import trusted_range_hz

ANGLE_STEP_DEG = 2.5
"""Step of the directivity maps."""

OWN_LEVEL_RANGE_HZ = (300.0, 10000.0)
"""Where data without a stated drive take their own mean level from."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelOverview:
    """One channel in its far field.

    Attributes
    ----------
    name : label for people
    frequency_hz : shape (n_frequency,)
    half_space : the data stand for a source in a large wall
    calibrated : levels are dB re 20 µPa at 1 m; else re the channel's own mean free-field level at 1 m
    low_hz, high_hz : where the data of all drivers that are heard can be trusted (0, inf: nothing limits them)
    curves : standard curves
    mean_db : level at 1 m of the mean square over all directions (the sound power), by a full quadrature
    index_db : directivity index on the axis, re a point source in free field
    angle_deg : of the maps, shape (n_angle,)
    horizontal_db, vertical_db : level re the axis, shape (n_angle, n_frequency)
    horizontal_width_deg, vertical_width_deg : beam width at -6 dB, shape (n_frequency,)
    notes : assumptions, for people
    """

    name: str
    frequency_hz: NDArray[np.float64]
    half_space: bool
    calibrated: bool
    low_hz: float
    high_hz: float
    curves: StandardCurves
    mean_db: NDArray[np.float64]
    index_db: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    horizontal_db: NDArray[np.float64]
    vertical_db: NDArray[np.float64]
    horizontal_width_deg: NDArray[np.float64]
    vertical_width_deg: NDArray[np.float64]
    notes: tuple[str, ...]


def channel_overview(
    drivers: Sequence[PlacedDriver],
    *,
    name: str,
    speed_m_s: float,
    frequency_hz: ArrayLike | None = None,
    half_space: bool | None = None,
    **readings: str,
) -> ChannelOverview:
    """Compute an overview.

    Parameters
    ----------
    drivers : of one channel
    name : label for people
    speed_m_s : speed of sound
    frequency_hz : rising, shape (n_frequency,); None for 20 Hz to 20 kHz at 1/24 octave
    half_space : the channel sits in a large wall; None: as its drivers' data say
    readings : `rear_wall`, `early`, `weighting` of `standard_curves`
    """
    f = analysis_grid_hz(per_octave=24) if frequency_hz is None else np.asarray(frequency_hz, float)
    half = radiates_into_half_space(drivers) if half_space is None else half_space
    solid = 2 * np.pi if half else 4 * np.pi
    calibrated = all(driver.directivity.calibrated for driver in drivers)
    power = channel_power(drivers, f, speed_m_s, half_space=half)
    reference = REFERENCE_PRESSURE_PA if calibrated else _own_level(drivers, speed_m_s, half, solid)

    def far(at_hz: NDArray[np.float64], directions: NDArray[np.float64]) -> NDArray[np.complex128]:
        return channel_far_pressure(drivers, at_hz, directions, speed_m_s)

    reach = 90.0 if half else 180.0
    angle = np.arange(-reach, reach + ANGLE_STEP_DEG / 2, ANGLE_STEP_DEG)
    axis = np.abs(far(f, np.array([[1.0, 0, 0]]))[0]) ** 2
    maps = {
        orbit: db(np.abs(far(f, orbit_vectors(orbit, angle))) ** 2 / axis) for orbit in ("horizontal", "vertical")
    }
    widths = {
        orbit: beam_width_deg(drivers, f, speed_m_s, orbit, half_space=half) for orbit in ("horizontal", "vertical")
    }
    curves = standard_curves(far, f, half_space=half, reference_pa_m=reference, **readings)
    low, high = trusted_range_hz(drivers, f)
    told = (getattr(driver.directivity, "assumption", "") for driver in drivers)
    return ChannelOverview(
        name=name,
        frequency_hz=f,
        half_space=half,
        calibrated=calibrated,
        low_hz=low,
        high_hz=high,
        curves=curves,
        mean_db=db(power / solid, reference**2),
        index_db=db(4 * np.pi * axis / power),
        angle_deg=angle,
        horizontal_db=maps["horizontal"],
        vertical_db=maps["vertical"],
        horizontal_width_deg=widths["horizontal"],
        vertical_width_deg=widths["vertical"],
        notes=tuple(dict.fromkeys(text for text in (*told, *curves.notes) if text)),
    )


def overview_rows(overview: ChannelOverview, maximum: MaximumLevels | None = None) -> list[dict[str, Any]]:
    """One row per octave band, 63 Hz to 16 kHz: levels, index, beam widths, and what it can play.

    Levels are energy means over the band, the index follows from them; beam widths are medians. With
    `maximum` (per third octave) a row takes the least of its three bands.
    """
    f = overview.frequency_hz
    bands = midbands_hz(1, 63, 16000)
    bands = bands[(bands > f[0]) & (bands < f[-1])]

    def mean(level_db: NDArray[np.float64]) -> NDArray[np.float64]:
        return db(band_means(from_db(level_db), f, bands, 1))

    axis, window, everywhere = (
        mean(level) for level in (overview.curves.on_axis_db, overview.curves.listening_window_db, overview.mean_db)
    )
    half = 10 * np.log10(2.0) if overview.half_space else 0.0
    rows = []
    for k, band in enumerate(bands):
        inside = np.abs(np.log(f / band)) <= 0.15 * np.log(10)
        row: dict[str, Any] = {
            "band_hz": float(band),
            "on_axis_db": float(axis[k]),
            "listening_window_db": float(window[k]),
            "sound_power_db": float(everywhere[k]),
            "directivity_index_db": float(axis[k] - everywhere[k] + half),
            "horizontal_width_deg": float(np.median(overview.horizontal_width_deg[inside])),
            "vertical_width_deg": float(np.median(overview.vertical_width_deg[inside])),
            "trusted": bool(overview.low_hz <= band <= overview.high_hz),
        }
        if maximum is not None:
            near = np.flatnonzero(np.abs(np.log(maximum.band_hz / band)) <= 0.15 * np.log(10))
            if near.size:
                least = near[np.argmin(maximum.level_db[near])]
                row["maximum_level_db"] = float(maximum.level_db[least])
                row["limited_by"] = f"{maximum.driver[least]} {maximum.cause[least]}".strip()
        rows.append(row)
    return rows


def _own_level(drivers: Sequence[PlacedDriver], speed_m_s: float, half_space: bool, solid: float) -> float:
    """Root mean square of D over directions and a logarithmic frequency axis, 300 Hz to 10 kHz [Pa m]."""
    f = analysis_grid_hz(*OWN_LEVEL_RANGE_HZ, 12)
    return float(np.sqrt(np.mean(channel_power(drivers, f, speed_m_s, half_space=half_space)) / solid))
