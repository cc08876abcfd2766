"""AES69 (SOFA) files of directivity: FreeFieldDirectivityTF, GeneralTF, GeneralFIR and their -E forms."""

from __future__ import annotations

import json
import os
import secrets
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import DefinitionError, InvalidValue, Problem, RoomsimError, nearest, shown
from ..loudspeaker.assembly import assemble
from ..loudspeaker.impulse import spectra_of_impulses
from ..loudspeaker.measured import MeasuredDirectivity
from ..loudspeaker.measurement import MeasurementSetup
from ..sphere import angles_deg
from .problems import with_file
from .sofa_content import read_sofa_content
from .sofa_positions import field, receiver_directions

CONVENTIONS = ("FreeFieldDirectivityTF", "GeneralTF", "GeneralFIR", "GeneralTF-E", "GeneralFIR-E")

_EXTRA = "GLOBAL_RoomsimMeasurement"
"""What AES69 has no place for (drive, mounting, trusted range, …), as JSON in an attribute of our own."""

_NEVER_WRITTEN = 1e30
"""netCDF puts 9.97e36 where nothing was written."""

_FIR_LENGTH, _FIR_RATE_HZ = 8192, 48000

_LEAD = 4
"""Impulse responses start this part of their length early, for what a band limit rings before the arrival;
Data_Delay takes it back."""


def read_directivity(
    path: Path,
    name: str | None = None,
    *,
    setup: MeasurementSetup | None = None,
    measurement: int | None = None,
    emitter: int | None = None,
    source_position_is_direction: bool = False,
) -> MeasuredDirectivity:
    """Directivity in an AES69 file.

    Directions are formed from the positions and views of source and listener, whatever moved, in the frame
    of SourceView and SourceUp. Data that are real and positive throughout are taken as magnitudes without
    phase. Impulse responses become spectra on 24 frequencies per octave, from the inverse of their length.

    Parameters
    ----------
    name : label; the file's name where not given
    setup : what the user knows; it goes before what the file says
    measurement : index of the one measurement to read (from 0), where a file holds several takes
    emitter : index of the one emitter to read (from 0), needed where a file holds several
    source_position_is_direction : SourcePosition holds the microphone's direction as seen from the
        loudspeaker (turntable angles), not the loudspeaker's position

    Raises
    ------
    DefinitionError : with file, key, rule and cure
    """
    path = Path(path)
    try:
        sofa, convention = _opened(path)
        directions, distance, centre = receiver_directions(sofa, source_position_is_direction)
        f, pressure, low_hz = _spectra(sofa, convention, emitter)
        if measurement is not None:
            if not 0 <= measurement < len(pressure):
                raise InvalidValue("measurement", measurement, f"must be 0 to {len(pressure) - 1}")
            take = slice(measurement, measurement + 1)
            pressure = pressure[take]
            directions, distance = (x if len(x) == 1 else x[take] for x in (directions, distance))
        if len(pressure) > 1 and len(directions) == 1:
            raise InvalidValue(
                "Data", f"{len(pressure)} measurements", "no position changes from one to the next",
                "choose one of them by its index (measurement)",
            )
        if pressure.shape[:2] != distance.shape:
            shape = "{} measurements, {} receivers"
            rule = f"does not fit the positions: {shape.format(*distance.shape)}"
            raise InvalidValue("Data", shape.format(*pressure.shape[:2]), rule)
        pressure = pressure.reshape(-1, f.size)
        if not np.all(np.isfinite(pressure)) or np.any(np.abs(pressure) > _NEVER_WRITTEN):
            raise InvalidValue("Data", None, "holds NaN or infinite values, or ones never written", "export it again")
        has_phase = bool(np.any(pressure.imag) or np.any(pressure.real < 0))
        setup, extra = _with_file_setup(sofa, setup or MeasurementSetup(), centre[0 if emitter is None else emitter])
        distance = distance.reshape(-1)
        if setup.distance_m is not None:
            distance = np.full(distance.shape, setup.distance_m)
        data = assemble(
            name=name or path.stem, frequency_hz=f, directions=directions.reshape(-1, 3), pressure=pressure,
            distance_m=distance, has_phase=has_phase, setup=setup, low_hz=low_hz,
        )
    except RoomsimError as error:
        raise with_file(error, str(path)) from error
    uncertainty = extra.get("level_uncertainty_db")
    if isinstance(uncertainty, list) and len(uncertainty) == f.size:
        data = replace(data, level_uncertainty_db=np.array(uncertainty, float))
    return data


def write_directivity(
    path: Path,
    data: MeasuredDirectivity,
    *,
    convention: str = "FreeFieldDirectivityTF",
    position_type: str = "spherical",
    include_filled: bool = False,
    sampling_rate_hz: int = _FIR_RATE_HZ,
    length: int = _FIR_LENGTH,
) -> None:
    """Write a directivity as an AES69 file, whole or not at all.

    Pressures are those at the measuring distance with their travel time; magnitudes without phase are
    written real. Filled directions are left out unless asked for, since they were not measured.

    Parameters
    ----------
    convention : one of CONVENTIONS
    position_type : of the receivers, "spherical" or "cartesian"
    sampling_rate_hz, length : of impulse responses (GeneralFIR, GeneralFIR-E)

    Raises
    ------
    InvalidValue : an unknown convention or position type
    RoomsimError : the file cannot be written
    """
    import sofar

    if convention not in CONVENTIONS:
        raise InvalidValue("convention", convention, f"must be one of {', '.join(CONVENTIONS)}")
    if position_type not in ("spherical", "cartesian"):
        raise InvalidValue("position_type", position_type, "must be spherical or cartesian")
    rows = np.ones(len(data.filled), bool) if include_filled else ~data.filled
    directions = data.directions[rows]
    sofa = sofar.Sofa(convention)
    sofa.GLOBAL_Title = data.name
    sofa.GLOBAL_RoomType = "free field"
    sofa.GLOBAL_Comment = "; ".join(data.notes)
    sofa.add_attribute(_EXTRA, json.dumps(_extra(data)))
    sofa.ListenerPosition = np.zeros((1, 3))
    sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = np.zeros((1, 3)), "cartesian", "metre"
    if position_type == "spherical":
        az, el = angles_deg(directions)
        sofa.ReceiverPosition = np.column_stack([az % 360, el, np.full(len(az), data.distance_m)])
        sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "spherical", "degree, degree, metre"
    else:
        sofa.ReceiverPosition = directions * data.distance_m
        sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "cartesian", "metre"
    if convention == "GeneralFIR":
        sofa.EmitterPosition = np.zeros((1, 3, 1))
    each = convention.endswith("-E")
    if "FIR" in convention:
        impulse = _impulse_responses(data, directions, sampling_rate_hz, length)
        sofa.Data_IR = impulse[None, :, :, None] if each else impulse[None]
        sofa.Data_SamplingRate = float(sampling_rate_hz)
        shape = (1, len(directions), 1) if each else (1, len(directions))
        sofa.Data_Delay = np.full(shape, -float(length // _LEAD))
    else:
        travel = np.exp(-2j * np.pi * data.frequency_hz * data.distance_m / data.speed_m_s) if data.has_phase else 1.0
        pressure = data.values[rows] * travel / data.distance_m
        pressure = pressure[None, :, :, None] if each else pressure[None]
        sofa.N, sofa.Data_Real, sofa.Data_Imag = np.array(data.frequency_hz), pressure.real, pressure.imag
    path = Path(path)
    draft = path.with_name(f".{path.stem}-{secrets.token_hex(4)}.sofa")
    try:
        sofar.write_sofa(str(draft), sofa)
        os.replace(draft, path)
    except OSError as error:
        raise RoomsimError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        with suppress(OSError):
            draft.unlink()


def _opened(path: Path) -> tuple[Any, str]:
    """The file's content, once it is known to be AES69 of a convention we read."""
    content = read_sofa_content(path)
    convention = getattr(content, "GLOBAL_SOFAConventions", "")
    if convention not in CONVENTIONS:
        raise InvalidValue(
            "SOFAConventions", convention, "holds no loudspeaker directivity that roomsim reads",
            f"known: {', '.join(nearest(str(convention), CONVENTIONS))}",
        )
    return content, str(convention)


def _spectra(
    sofa: Any, convention: str, emitter: int | None
) -> tuple[NDArray[np.float64], NDArray[np.complex128], float]:
    """Frequencies, pressures (M, R, n_frequency), and the lowest frequency that the data can hold."""
    fir, each = "FIR" in convention, convention.endswith("-E")
    try:
        if fir:
            raw = np.asarray(field(sofa, "Data_IR"), float)
        else:
            with np.errstate(invalid="ignore"):      # NaN and infinities are looked for later
                raw = np.asarray(field(sofa, "Data_Real"), float) + 1j * np.asarray(field(sofa, "Data_Imag"), float)
    except (TypeError, ValueError) as error:
        raise InvalidValue("Data", None, "must be numbers, the same many real and imaginary ones") from error
    if raw.ndim != 3 + each:
        raise InvalidValue("Data", raw.shape, "must have the dimensions measurement, receiver, sample (and emitter)")
    count = raw.shape[3] if each else 1
    if emitter is None and count > 1:
        cure = f"choose one by its index, 0 to {count - 1} (emitter)"
        raise InvalidValue("Data", None, f"holds {count} emitters", cure)
    if emitter is not None and not 0 <= emitter < count:
        raise InvalidValue("emitter", emitter, f"must be 0 to {count - 1}")
    data = raw[..., emitter or 0] if each else raw
    if fir:
        return _spectra_of_fir(sofa, data, emitter or 0)
    f = np.atleast_1d(np.asarray(field(sofa, "N"), float))
    if str(getattr(sofa, "N_Units", "hertz")).strip().lower() not in ("hertz", "hz"):
        raise InvalidValue("N_Units", sofa.N_Units, "must be hertz")
    if f.size != data.shape[2]:
        raise InvalidValue("N", f.size, f"must have as many frequencies as the data: {data.shape[2]}")
    if not (np.all(np.isfinite(f)) and np.all(np.diff(f) > 0) and f[0] >= 0):
        raise InvalidValue("N", f, "frequencies must be finite, rising, none twice")
    return (f[1:], data[..., 1:], 0.0) if f[0] == 0 else (f, data, 0.0)


def _spectra_of_fir(
    sofa: Any, data: NDArray[np.float64], emitter: int
) -> tuple[NDArray[np.float64], NDArray[np.complex128], float]:
    rate = float(np.ravel(np.asarray(field(sofa, "Data_SamplingRate"), float))[0])
    if not (np.isfinite(rate) and rate > 0):
        raise InvalidValue("Data_SamplingRate", rate, "must be positive")
    delay = np.asarray(getattr(sofa, "Data_Delay", 0.0), float)
    delay = delay[..., min(emitter, delay.shape[2] - 1)] if delay.ndim == 3 else np.atleast_2d(delay)
    try:
        delay = np.broadcast_to(delay, data.shape[:2])
    except ValueError as error:
        raise InvalidValue("Data_Delay", delay.shape, "does not fit the impulse responses") from error
    if not np.all(np.isfinite(delay)):
        raise InvalidValue("Data_Delay", None, "holds NaN or infinite values")
    return (*spectra_of_impulses(data, rate, delay), rate / data.shape[2])


def _impulse_responses(
    data: MeasuredDirectivity, directions: NDArray[np.float64], rate_hz: float, length: int
) -> NDArray[np.float64]:
    """Pressure impulse responses at the measuring distance, late by a lead; bands not trusted fade out."""
    f = np.fft.rfftfreq(length, 1 / rate_hz)
    weight = np.clip(f / data.low_hz, 0, 1) ** 2 * (np.clip((1.15 * data.high_hz - f) / (0.15 * data.high_hz), 0, 1))
    weight = np.sin(np.pi / 2 * weight) ** 2
    inside = np.clip(f, max(f[1], 1e-3), None)
    travel = np.exp(-2j * np.pi * f * (data.distance_m / data.speed_m_s + length // _LEAD / rate_hz))
    spectrum = data.far_pressure(inside, directions) * weight * travel / data.distance_m
    return np.fft.irfft(spectrum, length, axis=-1)


def _extra(data: MeasuredDirectivity) -> dict[str, Any]:
    out = {
        "mounting": "on-wall" if data.half_space else "free", "drive_v": data.drive_v, "radius_m": data.radius_m,
        "low_hz": data.low_hz, "high_hz": data.high_hz, "far_field": data.far_field, "speed_m_s": data.speed_m_s,
        "acoustic_centre_m": list(map(float, data.acoustic_centre_m)),
    }
    if data.level_uncertainty_db is not None:
        out["level_uncertainty_db"] = list(map(float, data.level_uncertainty_db))
    return out


def _with_file_setup(
    sofa: Any, setup: MeasurementSetup, centre: NDArray[np.float64]
) -> tuple[MeasurementSetup, dict[str, Any]]:
    """The user's setup, completed by what the file says."""
    try:
        extra = json.loads(str(getattr(sofa, _EXTRA, "{}")))
    except ValueError:
        extra = {}
    extra = extra if isinstance(extra, dict) else {}
    found: dict[str, Any] = {}
    for key in ("mounting", "drive_v", "radius_m", "low_hz", "high_hz", "acoustic_centre_m"):
        value = extra.get(key)
        if getattr(setup, key) is None and value is not None:
            found[key] = tuple(value) if isinstance(value, list) else value
    if extra.get("far_field") is True:
        found["far_field"] = True
    if isinstance(extra.get("speed_m_s"), float) and setup.speed_m_s == MeasurementSetup().speed_m_s:
        found["speed_m_s"] = extra["speed_m_s"]
    if setup.acoustic_centre_m is None and "acoustic_centre_m" not in found and np.any(centre):
        found["acoustic_centre_m"] = tuple(map(float, centre))
    try:
        return replace(setup, **found), extra
    except (InvalidValue, TypeError, ValueError) as error:
        raise DefinitionError(
            [Problem(key=_EXTRA[7:], value=shown(extra), rule=f"is not what roomsim writes there ({error})")]
        ) from error
