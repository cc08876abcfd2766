"""A set of files, one response per direction, with explicit paths and directions: text or WAV."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..constants import REFERENCE_PRESSURE_PA
from ..errors import DefinitionError, InvalidValue, Problem, RoomsimError
from ..loudspeaker.assembly import directivity_from_responses
from ..loudspeaker.impulse import Gate, gated, spectra_of_impulses
from ..loudspeaker.measured import MeasuredDirectivity
from ..loudspeaker.measurement import (
    DirectionalResponse,
    MeasurementSetup,
    directions_from_angles,
    directions_from_orbits,
    response_from_levels,
)
from .problems import with_file
from .response_text import read_response_text
from .wav import is_clipped, read_wav


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseEntry:
    """One file of a set and its direction: azimuth and elevation, or orbit and angle [degrees].

    Attributes
    ----------
    path : the file
    azimuth_deg, elevation_deg : positive to the left and up
    orbit, angle_deg : "horizontal" or "vertical", positive to the left or up
    """

    path: Path
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    orbit: str | None = None
    angle_deg: float | None = None


def read_response_set(
    entries: Sequence[ResponseEntry],
    *,
    name: str,
    setup: MeasurementSetup,
    gate: Gate | None = None,
    pascal_per_unit: float = 1.0,
    file: str = "",
) -> MeasuredDirectivity:
    """Directivity from text files (frequency, level, phase) or impulse responses as WAV.

    Parameters
    ----------
    setup : distance, drive, mounting, …; `setup.distance_m` is needed
    gate : for WAV, the part of the impulse response that is kept; sets the lowest trusted frequency
    pascal_per_unit : for WAV, sound pressure of a sample of 1
    file : the index that named the files, for messages

    Raises
    ------
    DefinitionError : every problem of every file at once
    """
    problems: list[Problem] = []
    try:
        directions = _directions(entries)
    except RoomsimError as error:
        problems += with_file(error, file).problems
        directions = np.tile([1.0, 0, 0], (len(entries), 1))
    suffixes = {Path(entry.path).suffix.lower() == ".wav" for entry in entries}
    if len(suffixes) > 1:
        problems.append(Problem(key="files", file=file, rule="must be all text or all WAV"))
    if not np.isfinite(pascal_per_unit) or pascal_per_unit <= 0:
        problems.append(Problem(key="pascal_per_unit", value=pascal_per_unit, file=file, rule="must be positive"))
    read = _read_wavs if suffixes == {True} else _read_texts
    responses, low_hz, notes = read(entries, directions, gate or Gate(), pascal_per_unit, problems)
    if problems:
        raise DefinitionError(problems)
    try:
        return directivity_from_responses(responses, name=name, setup=setup, low_hz=low_hz, notes=notes)
    except RoomsimError as error:
        raise with_file(error, file) from error


def _directions(entries: Sequence[ResponseEntry]) -> NDArray[np.float64]:
    out = np.zeros((len(entries), 3))
    by_orbit = [i for i, entry in enumerate(entries) if entry.orbit is not None]
    by_angle = [i for i, entry in enumerate(entries) if entry.orbit is None]
    problems = []
    for entry in entries:
        pair = (entry.angle_deg,) if entry.orbit is not None else (entry.azimuth_deg, entry.elevation_deg)
        extra = (entry.azimuth_deg, entry.elevation_deg) if entry.orbit is not None else (entry.angle_deg,)
        if any(one is None for one in pair) or any(one is not None for one in extra):
            problems.append(
                Problem(
                    key=Path(entry.path).name, rule="needs azimuth_deg and elevation_deg, or orbit and angle_deg",
                )
            )
    if problems:
        raise DefinitionError(problems)
    if by_orbit:
        out[by_orbit] = directions_from_orbits(
            [entries[i].orbit or "" for i in by_orbit], np.array([entries[i].angle_deg for i in by_orbit], float)
        )
    if by_angle:
        out[by_angle] = directions_from_angles(
            np.array([entries[i].azimuth_deg for i in by_angle], float),
            np.array([entries[i].elevation_deg for i in by_angle], float),
        )
    return out


Read = tuple[list[DirectionalResponse], float, list[str]]


def _read_texts(
    entries: Sequence[ResponseEntry], directions: NDArray[np.float64], gate: Gate, scale: float, problems: list[Problem]
) -> Read:
    responses = []
    levels, phases = [], []
    for entry, direction in zip(entries, directions, strict=True):
        try:
            f, level, phase = read_response_text(Path(entry.path))
        except DefinitionError as error:
            problems += error.problems
            continue
        levels.append(level)
        if phase is not None:
            phases.append(np.abs(phase))
        responses.append(response_from_levels(str(entry.path), direction, f, level, phase, entry.orbit or ""))
    if levels:
        problems += _level_problems(np.concatenate(levels))
    if phases:
        top = float(np.concatenate(phases).max())
        if 1.5 < top <= np.pi + 1e-3 and sum(map(len, phases)) >= 20:
            problems.append(
                Problem(key="phase", value=top, rule="the largest of all: these look like radians", cure="give degrees")
            )
    return responses, 0.0, []


def _read_wavs(
    entries: Sequence[ResponseEntry], directions: NDArray[np.float64], gate: Gate, scale: float, problems: list[Problem]
) -> Read:
    waves = []
    for entry in entries:
        try:
            wave = read_wav(Path(entry.path))
        except DefinitionError as error:
            problems += error.problems
            continue
        key = {"key": "", "file": str(entry.path)}
        if len(wave.samples) != 1:
            problems.append(Problem(**key, rule=f"has {len(wave.samples)} channels; one is needed", cure="split it"))
        elif not np.any(wave.samples):
            problems.append(Problem(**key, rule="is silent"))
        elif is_clipped(wave.samples):
            problems.append(Problem(**key, rule="is clipped at full scale", cure="measure or export with less gain"))
        elif waves and wave.rate_hz != waves[0].rate_hz:
            rule = f"must have the sampling rate of the first: {waves[0].rate_hz:g} Hz"
            problems.append(Problem(**key, value=wave.rate_hz, rule=rule))
        waves.append(wave)
    if problems or not waves:
        return [], 0.0, []
    rate = waves[0].rate_hz
    count = min(wave.samples.shape[1] for wave in waves)
    impulses = np.array([wave.samples[0, :count] for wave in waves]) * scale
    try:
        kept, low_hz = gated(impulses, rate, gate)
    except InvalidValue as error:
        problems.append(Problem(key=error.key, value=error.value, rule=error.rule, cure=error.cure))
        return [], 0.0, []
    f, spectra = spectra_of_impulses(kept, rate)
    responses = [
        DirectionalResponse(
            label=str(entry.path), direction=direction, orbit=entry.orbit or "", frequency_hz=f, pressure=spectrum,
            has_phase=True,
        )
        for entry, direction, spectrum in zip(entries, directions, spectra, strict=True)
    ]
    return responses, low_hz, [f"impulse responses gated: nothing below {low_hz:.0f} Hz"]


def _level_problems(level_db: NDArray[np.float64]) -> list[Problem]:
    """What speaks against these numbers being decibels."""
    low, high = float(level_db.min()), float(level_db.max())
    if high > 200:
        cure = "give dB re 20 µPa, or relative dB"
        return [Problem(key="level", value=high, rule="is above 200 dB: no loudspeaker is so loud", cure=cure)]
    if low >= 0 and high <= 20 and high > 3 * max(low, 1e-9):
        rule = "no level is negative or above 20: these look like pascals"
        cure = f"give dB re 20 µPa: 20 lg(p / {REFERENCE_PRESSURE_PA:g} Pa)"
        return [Problem(key="level", value=f"{low:.3g} to {high:.3g}", rule=rule, cure=cure)]
    return []
