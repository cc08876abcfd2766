"""Measurements: rules that take more than one key."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import Problem
from ..sphere import orbit_vectors, unit_vectors
from .judging import at, list_at, mapping_at, number_at
from .references import YAML_SUFFIXES
from .yaml_lines import Document, Path_

OF_SOFA = ("emitter", "take", "turntable")
OF_WAV = ("gate", "pascal_per_unit")
SAME_DEG = 0.1


def between_keys(document: Document) -> Iterator[Problem]:
    """Rules of a measurement file that take more than one key, on whatever of it is there."""
    data = document.data
    yield from setup_rules(document, ())
    if "files" in data and "sofa" in data:
        yield document.problem(("sofa",), "does not go with files: the AES69 file holds all directions",
                               cure="keep one of the two")
    elif "files" not in data and "sofa" not in data:
        yield document.problem((), "must have files, one per direction, or sofa")
    if "sofa" not in data:
        for key in OF_SOFA:
            if key in data:
                yield document.problem((key,), "goes with sofa: it chooses from an AES69 file", cure="take it out")
    names = [entry.get("file") for entry in _entries(document)]
    waves = [isinstance(name, str) and name.lower().endswith(".wav") for name in names]
    if "files" in data:
        if "distance_m" not in data:
            yield document.problem(("distance_m",), "is missing", cure="give the measuring distance in metres")
        if any(waves) and not all(waves):
            yield document.problem(("files", waves.index(True)), "is a WAV file; all must be WAV, or all text")
    if not any(waves):
        for key in OF_WAV:
            if key in data:
                yield document.problem((key,), "goes with WAV files: it is about impulse responses", cure="take it out")
    yield from _directions(document)


def setup_rules(document: Document, where: Path_) -> Iterator[Problem]:
    """Rules of what is known of a measurement, in the mapping at a place."""
    said = mapping_at(document.data, *where)
    if "drive_v" in said and "sensitivity_db" in said:
        yield document.problem((*where, "sensitivity_db"), "does not go with drive_v: levels are absolute with it",
                               cure="keep one of the two")
    if "delay" in said and "delay_ms" in said:
        yield document.problem((*where, "delay"), "does not go with delay_ms, which says it already",
                               cure="keep one of the two")
    low, high = number_at(said, "low_hz"), number_at(said, "high_hz")
    if low is not None and high is not None and low >= high:
        yield document.problem((*where, "low_hz"), f"must be below high_hz ({high:g} Hz)", value=said["low_hz"])
    distance, radius = number_at(said, "distance_m"), number_at(said, "radius_m")
    if distance is not None and radius is not None and distance <= radius:
        yield document.problem((*where, "radius_m"), f"must be below distance_m ({distance:g} m)", value=radius,
                               cure="radius of the smallest sphere about the origin that holds all that sounds")


def measured_rules(document: Document, where: Path_) -> Iterator[Problem]:
    """Rules of `measured` of a driver, in the mapping at a place."""
    yield from setup_rules(document, where)
    said = mapping_at(document.data, *where)
    file = said.get("file")
    if isinstance(file, str) and Path(file).suffix.lower() in YAML_SUFFIXES:
        for key in (key for key in said if key != "file"):
            yield document.problem((*where, key), "goes with an AES69 file: a measurement file says it itself",
                                   value=None, cure=f"write it into {file}")


def _entries(document: Document) -> list[dict[str, Any]]:
    return [entry if isinstance(entry, dict) else {} for entry in list_at(document.data, "files")]


def _directions(document: Document) -> Iterator[Problem]:
    """Entries whose direction is not said, said in two ways, or said before; files that stand twice."""
    found: list[tuple[int, str, np.ndarray]] = []
    files: dict[str, int] = {}
    entries = _entries(document)
    for k, entry in enumerate(entries):
        where: Path_ = ("files", k)
        by_angle = [key for key in ("azimuth_deg", "elevation_deg") if key in entry]
        by_orbit = [key for key in ("orbit", "angle_deg") if key in entry]
        if entry and (len(by_angle) == 1 or len(by_orbit) == 1 or bool(by_angle) == bool(by_orbit)):
            yield document.problem(where, "must have azimuth_deg and elevation_deg, or orbit and angle_deg")
        elif entry and (direction := _direction(entry)) is not None:
            found.append((k, str(entry.get("orbit", "")), direction))
        name = entry.get("file")
        if isinstance(name, str):
            if name in files:
                yield document.problem((*where, "file"), f"is the file of files[{files[name]}] once more", value=name,
                                       cure="name each file once")
            files.setdefault(name, k)
    for first, again in _twins(found):
        yield document.problem(("files", again), f"has the direction of files[{first}] once more",
                               value=_told(entries[again]), cure="keep one of the two")


def _direction(entry: dict[str, Any]) -> np.ndarray | None:
    if entry.get("orbit") in ("horizontal", "vertical"):
        angle = number_at(entry, "angle_deg")
        return None if angle is None else orbit_vectors(str(entry["orbit"]), angle)
    az, el = number_at(entry, "azimuth_deg"), number_at(entry, "elevation_deg")
    return None if az is None or el is None else unit_vectors(az, el)


def _twins(found: list[tuple[int, str, np.ndarray]]) -> list[tuple[int, int]]:
    """Entries with the same direction; the points where two orbits cross may stand in both."""
    from scipy.spatial import cKDTree

    if len(found) < 2:
        return []
    pairs = cKDTree(np.array([direction for *_, direction in found])).query_pairs(np.radians(SAME_DEG))
    twins: dict[int, int] = {}
    for i, j in sorted(pairs):
        (first, orbit, _), (again, other, _) = found[i], found[j]
        if not (orbit and other and orbit != other):
            twins.setdefault(again, first)
    return sorted((first, again) for again, first in twins.items())


def _told(entry: dict[str, Any]) -> str:
    keys = ("orbit", "angle_deg") if "orbit" in entry else ("azimuth_deg", "elevation_deg")
    return ", ".join(f"{key} {at(entry, key)}" for key in keys)
