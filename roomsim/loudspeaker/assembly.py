"""From measured pressures to a directivity: distance, delay, coverage and filling, in one stated order.

Readers hand over pressures as they stand in their files; everything that is done to them happens here and
is said in the directivity's notes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import DefinitionError, InvalidValue, Problem
from . import coverage as cover
from .delay import acoustic_centre_m, common_delay_s
from .interpolation import frequency_weights
from .joining import merged, mounted
from .measured import FLOOR, MeasuredDirectivity, trusted_range
from .measurement import DirectionalResponse, MeasurementSetup

ASSUMED_RADIUS_M = 0.2
"""Radius of the source where the user gives none."""


def directivity_from_responses(
    responses: Sequence[DirectionalResponse], *, name: str, setup: MeasurementSetup | None = None, low_hz: float = 0.0,
    notes: Sequence[str] = (),
) -> MeasuredDirectivity:
    """Directivity from one response per direction.

    Parameters
    ----------
    low_hz : limit that the measurement itself sets (a gate), below which nothing is trusted
    notes : sentences to carry along

    Raises
    ------
    DefinitionError : all that is wrong with the set at once
    """
    setup = setup or MeasurementSetup()
    notes = list(notes)
    _check_set(responses, setup)
    has_phase = responses[0].has_phase
    f, pressure = _common_grid(responses, setup, notes)
    directions = np.array([one.direction for one in responses])
    distance = np.full(len(responses), setup.distance_m)
    return assemble(
        name=name, frequency_hz=f, directions=directions, pressure=pressure, distance_m=distance,
        has_phase=has_phase, setup=setup, labels=[one.label for one in responses],
        orbits=[one.orbit for one in responses], low_hz=low_hz, notes=notes,
    )


def assemble(
    *,
    name: str,
    frequency_hz: NDArray[np.float64],
    directions: NDArray[np.float64],
    pressure: NDArray[np.complex128],
    distance_m: NDArray[np.float64],
    has_phase: bool,
    setup: MeasurementSetup,
    labels: Sequence[str] | None = None,
    orbits: Sequence[str] | None = None,
    low_hz: float = 0.0,
    notes: Sequence[str] = (),
) -> MeasuredDirectivity:
    """Directivity from pressures [Pa rms] (n_direction, n_frequency) at distances (n_direction,)."""
    said = list(notes)
    f = frequency_hz
    directions, pressure, distance = merged(directions, pressure, distance_m, has_phase, labels, orbits, said)
    setup, seen, keep = mounted(directions, setup, said)
    directions, pressure, distance = directions[keep], pressure[keep], distance[keep]
    values = pressure * distance[:, None]
    if has_phase:
        values = _without_delay(f, values, distance, setup, said)
    else:
        said.append("no phase was measured: each direction gets the minimum phase of its level")
    if np.ptp(distance) > 0.02 * distance.mean():
        said.append("measuring distances differ: each response was scaled by its own")
    low, high = _trusted(f, values, setup, max(low_hz, 0.0), said)
    centre, left = np.zeros(3), 0.0
    if has_phase:
        band = (f >= max(low, 150.0)) & (f <= high)
        if band.sum() >= 3:
            if setup.acoustic_centre_m is not None:
                centre = np.array(setup.acoustic_centre_m, float)
                path = np.exp(-2j * np.pi * np.outer(directions @ centre, f[band]) / setup.speed_m_s)
                left = common_delay_s(f[band], values[:, band] * path, -0.05, 0.05)
            else:
                rough = common_delay_s(f[band], values[:, band], -0.05, 0.05)
                turned = values[:, band] * np.exp(2j * np.pi * f[band] * rough)
                centre, left = acoustic_centre_m(f[band], turned, directions, setup.speed_m_s)
                left += rough
                said.append("acoustic centre found from the delays: " + _xyz(centre))
    data = MeasuredDirectivity(
        name=name, frequency_hz=f, directions=directions, values=values, has_phase=has_phase,
        half_space=setup.mounting == "on-wall", coverage=seen.kind, low_hz=low, high_hz=high,
        drive_v=setup.drive_v, calibrated=setup.drive_v is not None, distance_m=float(np.mean(distance)),
        far_field=setup.far_field, radius_m=setup.radius_m or ASSUMED_RADIUS_M, acoustic_centre_m=centre,
        delay_s=left, speed_m_s=setup.speed_m_s,
    )
    if setup.radius_m is None:
        said.append(f"radius of the source assumed: {ASSUMED_RADIUS_M} m")
    data = _filled(data, seen, setup, said)
    if setup.sensitivity_db is not None:
        data = with_sensitivity(data, setup.sensitivity_db)
    elif setup.drive_v is None:
        said.append("drive not known: levels are relative")
    return replace(data, notes=tuple(said))


def with_sensitivity(data: MeasuredDirectivity, sensitivity_db: float, drive_v: float = 2.83) -> MeasuredDirectivity:
    """Scale relative data so that the on-axis level at 1 m is `sensitivity_db` [dB re 20 µPa] for `drive_v`."""
    gain = 10 ** ((sensitivity_db - data.on_axis_level_db()) / 20)
    return replace(data, values=data.values * gain, calibrated=True, drive_v=drive_v)


def _check_set(responses: Sequence[DirectionalResponse], setup: MeasurementSetup) -> None:
    problems: list[Problem] = []
    if len(responses) < 4:
        problems.append(Problem(key="files", value=len(responses), rule="at least four directions are needed"))
    if setup.distance_m is None:
        problems.append(Problem(key="distance_m", rule="is missing", cure="give the measuring distance in metres"))
    without = [one.label for one in responses if not one.has_phase]
    if without and len(without) < len(responses):
        shown = ", ".join(without[:3]) + (", …" if len(without) > 3 else "")
        problems.append(
            Problem(
                key="phase", rule=f"is missing in {len(without)} of {len(responses)} files: {shown}",
                cure="export phase for all, or for none",
            )
        )
    if problems:
        raise DefinitionError(problems)


def _common_grid(
    responses: Sequence[DirectionalResponse], setup: MeasurementSetup, said: list[str]
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """The first response's frequencies, cut to what all have; the others are interpolated where they differ."""
    first = responses[0].frequency_hz
    grids = [one.frequency_hz for one in responses]
    if all(grid.shape == first.shape and np.allclose(grid, first, rtol=1e-6) for grid in grids):
        return first, np.array([one.pressure for one in responses])
    low = max(one.frequency_hz[0] for one in responses)
    high = min(one.frequency_hz[-1] for one in responses)
    f = first[(first >= low * (1 - 1e-9)) & (first <= high * (1 + 1e-9))]
    if f.size < 2:
        raise DefinitionError([Problem(key="frequency", rule="the files have no common range of frequencies")])
    travel = (setup.distance_m or 0.0) / setup.speed_m_s
    rows = []
    for one in responses:
        own = one.frequency_hz
        weights = frequency_weights(own, f)
        if one.has_phase:
            back = np.exp(2j * np.pi * own * travel)
            rows.append((weights.T @ (one.pressure * back)) * np.exp(-2j * np.pi * f * travel))
        else:
            size = np.abs(one.pressure)
            rows.append(np.exp(weights.T @ np.log(np.maximum(size, FLOOR * size.max()))) + 0j)
    said.append(f"the files' frequencies differ: interpolated to those of {responses[0].label}")
    return f, np.array(rows)


def _without_delay(
    f: NDArray[np.float64], values: NDArray[np.complex128], distance: NDArray[np.float64],
    setup: MeasurementSetup, said: list[str],
) -> NDArray[np.complex128]:
    """Values with the delay of propagation removed by the rule the user chose."""
    travel = distance / setup.speed_m_s
    if setup.delay == "none":
        said.append("delay of propagation: taken to be removed already")
        return values
    if not isinstance(setup.delay, str):
        said.append(f"delay removed: {1e3 * setup.delay:.3f} ms, as stated")
        return values * np.exp(2j * np.pi * f * setup.delay)
    free = values * np.exp(2j * np.pi * np.outer(travel, f))
    band = f >= 150.0
    if band.sum() < 3:
        said.append("delay removed: the travel time over the measuring distance")
        return free
    mean = float(travel.mean())
    found = common_delay_s(f[band], free[:, band], -1.5 * mean - 0.002, 0.05)
    if setup.delay == "estimate":
        said.append(f"delay removed: {1e3 * (mean + found):.3f} ms, found from the data")
        return free * np.exp(2j * np.pi * f * found)
    if setup.delay == "auto" and found < -0.5 * mean:
        said.append("delay of propagation: found to be removed already")
        return values
    said.append(f"delay removed: the travel time {1e3 * mean:.3f} ms; {1e3 * found:.3f} ms are left")
    return free


def _trusted(
    f: NDArray[np.float64], values: NDArray[np.complex128], setup: MeasurementSetup, gate_hz: float, said: list[str]
) -> tuple[float, float]:
    low, high = trusted_range(f, np.mean(np.abs(values) ** 2, axis=0))
    low = max(low if setup.low_hz is None else setup.low_hz, gate_hz)
    high = setup.high_hz if setup.high_hz is not None else high
    above = f[f >= low * (1 - 1e-6)]
    if above.size == 0 or low > high:
        raise DefinitionError(
            [Problem(key="low_hz", value=low, rule="leaves no measured frequency to trust", cure="use a longer gate")]
        )
    low, high = float(max(above[0], f[0])), float(min(high, f[-1]))
    if low > f[0]:
        said.append(f"below {low:g} Hz there is no trustworthy measurement: the value there is held")
    if high < f[-1]:
        said.append(f"above {high:g} Hz there is no trustworthy measurement: the value there is held")
    return low, high


def _filled(
    data: MeasuredDirectivity, seen: cover.Coverage, setup: MeasurementSetup, said: list[str]
) -> MeasuredDirectivity:
    """Add values in the directions that were not measured."""
    if seen.kind in ("full", "half"):
        return data
    if not setup.fill:
        raise DefinitionError(
            [Problem(key="coverage", value=seen.kind, rule="directions are missing", cure="measure, or allow filling")]
        )
    half = data.half_space
    spacing = min(seen.spacing_deg, 10.0) if seen.kind == "orbits" else seen.spacing_deg
    targets = cover.fill_targets(data.directions, spacing, half)
    smooth = data.smooth_values(every=True)
    try:
        if seen.kind == "orbits":
            method = "orbits blended by the angle about the axis"
            new = cover.orbit_fill(data.directions, smooth, targets)
        else:
            method = "smoothest spherical-harmonic continuation, no louder than beside the gap"
            # energies carried on from far away must stay positive: their logarithm is
            known = smooth if data.has_phase else np.log(smooth)
            new = cover.smooth_fill(data.directions, known, targets, seen.spacing_deg)
            new = cover.held_down(new if data.has_phase else np.exp(new), targets, data.directions, smooth)
    except InvalidValue as error:
        raise DefinitionError([Problem(key=error.key, value=error.value, rule=error.rule, cure=error.cure)]) from error
    new = data.from_smooth(new, targets)
    part = 1.0 if seen.kind == "orbits" else seen.missing
    said.append(f"directions filled ({100 * part:.0f} % of the solid angle): {method}")
    return replace(
        data,
        directions=np.vstack([data.directions, targets]),
        values=np.vstack([data.values, new]),
        filled=np.concatenate([np.zeros(len(data.directions), bool), np.ones(len(targets), bool)]),
        fill_method=method,
    )


def _xyz(point: NDArray[np.float64]) -> str:
    return "[" + ", ".join(f"{value:.3f}" for value in point) + "] m"


