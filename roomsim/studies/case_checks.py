"""Numbers that cannot be never leave as a result."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ..bands import db
from ..errors import Fault
from ..loudspeaker.channels import channel_far_pressure, own_directions
from ..response import Response
from ..room.statistics import eyring_kuttruff_s
from .plan import Case

MOST_ABOVE_DIFFUSE_DB = 30.0
"""So far above the steady diffuse field of the statistical decay time no late energy can be: a wall behind the
loudspeaker adds 6 dB of power at most, a smooth room rings about four times longer than the formula (6 dB), seats in a
corner gain 9 dB; the rest is for directivity between the bands that are looked at."""

_BANDS_HZ = np.array([500.0, 1000.0, 2000.0])


def refuse_impossible(case: Case, response: Response) -> None:
    """Raise rather than return numbers that cannot be.

    Raises
    ------
    Fault : NaN or infinite values, negative energy, a weight outside 0 to 1, more energy than the loudspeaker gives
    """
    for problem in _problems(case, response):
        raise Fault(f"{case.title}: {problem}; this is a fault of roomsim, and nothing was written")


def _problems(case: Case, response: Response) -> Iterator[str]:
    arrays = {
        "direct sound": response.direct, "early sound": response.early, "late energy": response.late,
        "scattered energy": response.scattered, "crossfade": response.weight, "pressure": response.pressure,
    }
    if response.energy is not None:
        arrays["energy over time"] = response.energy
    for name, values in arrays.items():
        if not np.all(np.isfinite(values)):
            yield f"{name} came out NaN or infinite"
        if "energy" in name and np.any(values < 0):
            yield f"negative {name}"
    if np.any((response.weight < 0) | (response.weight > 1)):
        yield "a crossfade outside 0 to 1"
    excess = late_excess_db(case, response)
    if excess.size and excess.max() > MOST_ABOVE_DIFFUSE_DB:
        yield f"late sound {excess.max():.0f} dB above what the loudspeaker's power can sustain"


def late_excess_db(case: Case, response: Response) -> NDArray[np.float64]:
    """Late and scattered energy re the steady diffuse field of the statistical decay time [dB].

    Shape (n_channel, n_band), mean over the listeners; those octaves of 500 Hz to 2 kHz in which there are frequencies.

    Notes
    -----
    p² = 4 W ρc / A with A = 24 ln 10 V / (c T): the steady level of a diffuse room [kuttruff2016].
    """
    f, air = response.frequency_hz, case.room.air
    inside = {band: np.abs(np.log2(f / band)) <= 0.5 for band in _BANDS_HZ}
    bands = np.array([band for band, some in inside.items() if some.any()])
    directions = own_directions(case.loudspeaker, 200)
    solid_angle = 2 * np.pi if case.loudspeaker.mounting == "on-wall" else 4 * np.pi
    out = np.empty((len(case.loudspeaker.channels), bands.size))
    if not bands.size:
        return out
    area = 24 * np.log(10) * case.room.geometry.volume_m3 / (air.speed_m_s * eyring_kuttruff_s(case.room, bands))
    late = response.late + response.scattered
    for channel, drivers in enumerate(case.loudspeaker.channels.values()):
        far = channel_far_pressure(drivers, bands, directions, air.speed_m_s)
        for k, band in enumerate(bands):
            power_rho_c = solid_angle * np.mean(np.abs(far[:, k]) ** 2)
            out[channel, k] = float(db(late[channel][:, inside[band]].mean(), 4 * power_rho_c / area[k]))
    return out
