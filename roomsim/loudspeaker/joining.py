"""What a set of measured directions amounts to: repeated ones joined, mounting and coverage settled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import DefinitionError, Problem
from ..sphere import angles_deg
from .coverage import Coverage, coverage_of
from .measured import COVERAGES
from .measurement import MeasurementSetup

SAME_DEG = 0.1
"""Directions nearer than this are the same direction."""

MEET_DB = 0.5
"""Orbits meet on the axis where their levels differ by no more than this (rms over frequency)."""


def merged(
    directions: NDArray[np.float64],
    pressure: NDArray[np.complex128],
    distance: NDArray[np.float64],
    has_phase: bool,
    labels: Sequence[str] | None,
    orbits: Sequence[str] | None,
    said: list[str],
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.float64]]:
    """Join directions that are given twice where that is right, and refuse it where it is not."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(directions).query_pairs(np.radians(SAME_DEG), output_type="ndarray")
    if len(pairs) == 0:
        return directions, pressure, distance
    count = len(directions)
    link = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    group = connected_components(link, directed=False)[1]
    problems: list[Problem] = []
    loud = np.abs(pressure).max(axis=0)
    audible = loud > loud.max() * 10 ** (-30 / 20)
    keep = np.ones(count, bool)
    joined = pressure.copy()
    for number in np.flatnonzero(np.bincount(group) > 1):
        members = np.flatnonzero(group == number)
        keep[members[1:]] = False
        where = _where(directions[members[0]])
        level = 20 * np.log10(np.maximum(np.abs(pressure[members][:, audible]), 1e-30))
        apart = float(np.sqrt(np.mean((level - level[0]) ** 2, axis=1)).max())
        kinds = [orbits[i] for i in members] if orbits else [""] * len(members)
        if labels and not (all(kinds) and len(set(kinds)) == len(kinds)):
            named = " and ".join(labels[i] for i in members[:3])
            problems.append(Problem(key="direction", value=where, rule=f"is given twice: {named}", cure="keep one"))
        elif labels and apart > MEET_DB:
            named = " and ".join(labels[i] for i in members)
            problems.append(
                Problem(
                    key="orbits", value=where,
                    rule=f"do not meet: {named} differ by {apart:.1f} dB rms, allowed is {MEET_DB} dB",
                    cure="check distance, gain and which file belongs to which orbit",
                )
            )
        elif apart > 0.1:
            problems.append(
                Problem(
                    key="direction", value=where,
                    rule=f"is given {len(members)} times, {apart:.1f} dB apart", cure="keep one of them",
                )
            )
        mean = pressure[members].mean(axis=0) if has_phase else np.abs(pressure[members]).mean(axis=0)
        joined[members[0]] = mean
    if problems:
        raise DefinitionError(problems)
    said.append(f"{count - keep.sum()} repeated directions were joined")
    return directions[keep], joined[keep], distance[keep]


def mounted(
    directions: NDArray[np.float64], setup: MeasurementSetup, said: list[str]
) -> tuple[MeasurementSetup, Coverage, NDArray[np.bool_]]:
    """Settle mounting and coverage, and refuse what contradicts the directions."""
    seen = coverage_of(directions)
    mounting = setup.mounting
    keep = np.ones(len(directions), bool)
    front_only = seen.front_only and seen.kind in ("half", "orbits", "partial")
    fits = {"full": ("full",), "half": ("half", "full")}.get(setup.coverage or "", COVERAGES)
    if seen.kind not in fits:
        behind = "; nothing was measured behind the loudspeaker" if seen.front_only else ""
        raise DefinitionError(
            [Problem(
                key="coverage", value=setup.coverage, rule=f"the directions cover: {seen.kind}{behind}",
                cure="declare what was measured, and mounting on-wall for a half sphere in a large wall",
            )]
        )
    if mounting is None:
        mounting = "on-wall" if seen.kind == "half" or (front_only and seen.kind == "orbits") else "free"
        if mounting == "on-wall":
            said.append("nothing was measured behind the loudspeaker: taken as measured in a large rigid wall")
    elif mounting == "free" and (seen.kind == "half" or (front_only and seen.kind == "orbits")):
        raise DefinitionError(
            [Problem(
                key="mounting", value="free", rule="needs directions behind the loudspeaker; none was measured",
                cure="mounting on-wall, if it was measured in a large rigid wall",
            )]
        )
    if mounting == "on-wall" and not seen.front_only:
        keep = directions[:, 0] > -1e-3
        said.append("directions behind the wall were left out")
        seen = coverage_of(directions[keep])
    if seen.missing > 0.5 and seen.kind != "orbits":
        raise DefinitionError(
            [Problem(
                key="directions", value=len(directions),
                rule=f"leave {100 * seen.missing:.0f} % of the {'half ' if seen.front_only else ''}sphere unmeasured",
                cure="measure a sphere, a half sphere, or a horizontal and a vertical orbit",
            )]
        )
    return replace(setup, mounting=mounting), seen, keep


def _where(direction: NDArray[np.float64]) -> str:
    az, el = angles_deg(direction)
    return f"azimuth {float(az):.1f}°, elevation {float(el):.1f}°"


