"""Width: early lateral fraction and interaural cross-correlation at the middle seat, from directional paths.

The listed early reflections have their directions; what else arrives early (weaker paths, scattered sound) is taken as
coming from everywhere. Levels are means over 500 Hz to 4 kHz, where ISO 3382-1 asks the lateral fraction for 125 Hz to
1 kHz: a departure, since the paths of a prediction are listed there. The direct sound comes from straight ahead.

Head model: a rigid sphere of 8.75 cm radius with its ears at 100° to either side, for plane waves (closed form,
[rayleigh1904]); no pinna, no torso. The early sound of different paths is taken as incoherent.
"""

from __future__ import annotations

import json
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE, from_db
from ..conventions import HAND_OVER_S
from ..sphere import fibonacci_grid

if TYPE_CHECKING:
    from xarray import Dataset

HEAD_RADIUS_M, EAR_DEG = 0.0875, 100.0
LATERAL_FROM_MS = 5.0
OCTAVES_HZ = (500.0, 1000.0, 2000.0)
"""IACC of the early sound, mean of these octaves [iso3382-1]."""
LAG_S = 0.001
RANGE_HZ = (500.0, 4000.0)
_DIFFUSE = 120
_POINTS = 16


def lateral_fraction(
    delay_ms: ArrayLike, level_db: ArrayLike, azimuth_deg: ArrayLike, elevation_deg: ArrayLike, rest: float = 0.0
) -> float:
    """Early lateral energy fraction LF = ∫5..80 ms p_8² / ∫0..80 ms p² with a figure-of-eight across [iso3382-1].

    Parameters
    ----------
    delay_ms, level_db, azimuth_deg, elevation_deg : of paths, re the direct sound, which is straight ahead at 0 dB;
        shape (n_path,)
    rest : energy of other early sound re the direct sound, from everywhere (a third of it is lateral)
    """
    delay, energy = np.asarray(delay_ms, float), from_db(level_db)
    across = np.cos(np.radians(elevation_deg)) * np.sin(np.radians(azimuth_deg))
    early = delay <= HAND_OVER_S * 1e3
    lateral = early & (delay >= LATERAL_FROM_MS)
    side = float((energy * across**2)[lateral].sum()) + rest / 3
    return side / (1 + float(energy[early].sum()) + rest)


def sphere_pressure(frequency_hz: ArrayLike, cosine: ArrayLike, speed_m_s: float = 343.2) -> NDArray[np.complex128]:
    """Pressure on a rigid sphere re the plane wave's at its centre, shape (n_direction, n_frequency).

    p = −j/(ka)² Σ (2m+1) j^m P_m(cos γ) / h_m'(ka), h of the second kind (time factor e^{+jωt}) [rayleigh1904].

    Parameters
    ----------
    cosine : of the angle between where the wave comes from and the point on the sphere, shape (n_direction,)
    """
    from scipy.special import eval_legendre, spherical_jn, spherical_yn

    x = 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, float)) * HEAD_RADIUS_M / speed_m_s
    order = np.arange(int(np.ceil(x.max())) + 12)[:, None]
    slope = spherical_jn(order, x, True) - 1j * spherical_yn(order, x, True)
    weight = -1j / x**2 * (2 * order + 1) * 1j**order / slope                         # (n_order, n_frequency)
    return eval_legendre(order[:, 0], np.atleast_1d(np.asarray(cosine, float))[:, None]) @ weight


def interaural_correlation(
    azimuth_deg: ArrayLike, elevation_deg: ArrayLike, energy: ArrayLike, rest: float = 0.0
) -> float:
    """IACC of incoherent plane waves at a spherical head, mean of OCTAVES_HZ.

    Maximum over ±1 ms of the correlation of the two ears, normalised by their energies.

    Parameters
    ----------
    azimuth_deg, elevation_deg, energy : of all waves, the direct sound among them, shape (n_wave,)
    rest : energy of sound from everywhere
    """
    azimuth, elevation = np.radians(np.asarray(azimuth_deg, float)), np.radians(np.asarray(elevation_deg, float))
    level = np.cos(elevation)
    waves = np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)], axis=1)
    lag = np.linspace(-LAG_S, LAG_S, 161)
    found = []
    for mid in OCTAVES_HZ:
        cross, left, right = (part * rest for part in _everywhere(mid))
        f = _octave(mid)
        one, other = (sphere_pressure(f, waves @ ear) for ear in _ears())
        power = np.asarray(energy, float) @ np.stack([one * other.conj(), np.abs(one) ** 2, np.abs(other) ** 2])
        cross, left, right = cross + power[0], left + power[1].real, right + power[2].real
        over = (cross[:, None] * np.exp(2j * np.pi * np.outer(f, lag))).sum(axis=0).real
        found.append(float(np.abs(over).max() / np.sqrt(left.sum() * right.sum())))
    return float(np.mean(found))


def spatial_measures(result: Dataset) -> dict[str, NDArray[np.float64]]:
    """`lateral_fraction` and `interaural_correlation` of every case, shape of the leading dimensions; NaN without
    paths.

    Channels are summed in energy, each with its own direct sound.
    """
    dims = [d for d in result["level_db"].dims if d not in ("channel", "listener", "frequency")]
    shape = tuple(result.sizes[d] for d in dims)
    out = {"lateral_fraction": np.full(shape, np.nan), "interaural_correlation": np.full(shape, np.nan)}
    paths: dict[tuple, list[dict[str, Any]]] = {}
    for path in json.loads(result.attrs.get("metadata", "{}")).get("reflections", []):
        if path.get("listener", 0) == 0 and all(d in path for d in dims):
            paths.setdefault((*(path[d] for d in dims), path["channel"]), []).append(path)
    if not paths:
        return out
    f = result["frequency"].values
    inside = np.flatnonzero((f >= RANGE_HZ[0]) & (f <= RANGE_HZ[1]))
    if not inside.size:
        return out
    first = result.isel(listener=0, frequency=inside)
    direct = from_db(first["direct_level_db"].transpose(*dims, "channel", "frequency").values).mean(axis=-1)
    early = from_db(first["early_level_db"].transpose(*dims, "channel", "frequency").values).mean(axis=-1)
    labels = [result[d].values.tolist() for d in dims]
    channels = [str(c) for c in result["channel"].values]
    for at in np.ndindex(shape):
        listed = [paths.get((*(labels[k][i] for k, i in enumerate(at)), channel)) for channel in channels]
        used = [c for c in range(len(channels)) if listed[c] and np.isfinite(direct[at][c])]
        if used:
            out["lateral_fraction"][at], out["interaural_correlation"][at] = _of_case(
                [listed[c] or [] for c in used], direct[at][used], early[at][used])
    return out


def _of_case(listed: list[list[dict[str, Any]]], direct: NDArray, early: NDArray) -> tuple[float, float]:
    azimuth, elevation, energy, rest, lateral = [0.0], [0.0], [float(direct.sum())], 0.0, 0.0
    whole = 0.0
    for paths, own, soon in zip(listed, direct, early, strict=True):
        delay, level, az, el = (np.array([p[key] for p in paths], float)
                                for key in ("delay_ms", "level_db", "azimuth_deg", "elevation_deg"))
        energies = from_db(level)
        others = max(float(soon / own) - float(energies[delay <= HAND_OVER_S * 1e3].sum()), 0.0)
        total = 1 + float(energies[delay <= HAND_OVER_S * 1e3].sum()) + others
        lateral += own * total * lateral_fraction(delay, level, az, el, others)
        whole += own * total
        azimuth += az.tolist()
        elevation += el.tolist()
        energy += (own * energies).tolist()
        rest += own * others
    return lateral / whole, interaural_correlation(azimuth, elevation, energy, rest)


def _ears() -> NDArray[np.float64]:
    angle = np.radians([EAR_DEG, -EAR_DEG])
    return np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)


def _octave(mid_hz: float) -> NDArray[np.float64]:
    """Frequencies evenly over an octave: a flat band."""
    return np.linspace(mid_hz / np.sqrt(OCTAVE), mid_hz * np.sqrt(OCTAVE), _POINTS)


@cache
def _everywhere(mid_hz: float) -> tuple[NDArray, NDArray, NDArray]:
    """Cross and own spectra of the ears in a diffuse field of unit energy, shape (_POINTS,) each."""
    left, right = (sphere_pressure(_octave(mid_hz), fibonacci_grid(_DIFFUSE) @ ear) for ear in _ears())
    return (left * right.conj()).mean(axis=0), (np.abs(left) ** 2).mean(axis=0), (np.abs(right) ** 2).mean(axis=0)
