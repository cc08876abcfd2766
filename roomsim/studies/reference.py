"""A reference system of monitors around the seats, predicted beside a study's designs in the same rooms, at the same
seats.

Layouts and angles are those of [itu-bs2051] (azimuth positive to the listener's left), all loudspeakers at one distance
from the seats' centre: the largest up to RADIUS_M that every direction has in the room. The monitor is an ideal one of
this project: two coaxial pistons in free field, crossed over at 2 kHz, from 40 Hz on, aimed at the seats' centre.
"""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue
from ..loudspeaker.channels import Loudspeaker, PlacedDriver
from ..loudspeaker.drivers import Piston
from ..loudspeaker.filters import Filter
from ..scene import Scene
from ..systems import BS2051
from .plan import Case, Plan, make_plan
from .run import Progress, predict_plan
from .store import CaseStore

if TYPE_CHECKING:
    from xarray import Dataset

    from ..definitions import StudyDefinition

LAYOUTS = BS2051
"""By the standard's own names; 4+7+0 is known as 7.1.4."""
RADIUS_M, LEAST_M, CLEARANCE_M = 2.0, 0.6, 0.15
CROSSOVER_HZ, LOW_HZ, WOOFER_M, TWEETER_M = 2000.0, 40.0, 0.065, 0.0125


def predict_with_reference(
    study: StudyDefinition, layout: str = "4+7+0", *, progress: Progress | None = None, jobs: int | None = None,
    store: CaseStore | str | os.PathLike[str] | None = None,
) -> Dataset:
    """Predict a study with one more design: the reference system, labelled `reference 4+7+0`.

    Parameters
    ----------
    study : its vary keys are not used
    layout : one of LAYOUTS
    progress, jobs, store : as for `predict`

    Raises
    ------
    InvalidValue : an unknown layout, a room in which the system does not fit

    Notes
    -----
    All channels play unlike signals of equal level, as in every result; `difference_curves` matches levels.
    """
    return predict_plan(with_reference(study, layout), study, progress=progress, jobs=jobs, store=store)


def with_reference(study: StudyDefinition, layout: str) -> Plan:
    """The study's plan with the cases of the reference system."""
    if layout not in LAYOUTS:
        raise InvalidValue("layout", layout, f"must be one of {', '.join(LAYOUTS)}")
    still = make_plan(replace(study, vary={}))
    label = f"reference {layout}"
    first = still.coordinates["design"][0]
    cases = [_reference_case(case, layout, label) for case in still.cases if dict(case.labels)["design"] == first]
    coordinates = {**still.coordinates, "design": (*still.coordinates["design"], label)}
    return Plan(title=still.title, coordinates=coordinates, cases=(*still.cases, *cases))


def _reference_case(case: Case, layout: str, label: str) -> Case:
    scene = case.scene()
    speaker = reference_loudspeaker(scene, layout)
    labels = tuple((d, label if d == "design" else v) for d, v in case.labels)
    place, seats = case.place, case.seats
    if case.loudspeaker.mounting == "on-wall":             # its baffle lies in the wall
        place = replace(place, gap_m=0.0)
        seats = replace(seats, distance_m=seats.distance_m - speaker.depth_m)
    return replace(case, labels=labels, loudspeaker=speaker, place=place, seats=seats)


def reference_loudspeaker(scene: Scene, layout: str) -> Loudspeaker:
    """The system as one design whose drivers stand around the seats of a scene, in the frame of its first loudspeaker.

    Raises
    ------
    InvalidValue : less than LEAST_M of room around the seats
    """
    placed = scene.loudspeakers[0]
    ahead = np.radians(placed.azimuth_deg)
    cosine, sine = np.cos(ahead), np.sin(ahead)
    frame = np.array([[cosine, sine, 0], [-sine, cosine, 0], [0, 0, 1.0]])                       # rows: its axes
    centre = scene.listeners_m[0]
    directions = {name: _direction(*angles) for name, angles in LAYOUTS[layout].items()}         # frame of the design
    radius = _radius(scene, centre, np.array(list(directions.values())) @ frame)
    middle = frame @ (centre - placed.position_m)
    on_wall = placed.loudspeaker.mounting == "on-wall"
    depth = 1e-3 if on_wall else placed.loudspeaker.depth_m
    if on_wall:
        middle = middle - [depth, 0, 0]
    channels = {name: _monitor(middle + radius * way, -way) for name, way in directions.items()}
    return Loudspeaker(name=f"reference {layout}", width_m=placed.loudspeaker.width_m, mounting="free", depth_m=depth,
                       height_m=placed.loudspeaker.height_m, channels=channels)


def _direction(azimuth_deg: float, elevation_deg: float) -> NDArray[np.float64]:
    """From the listener to a loudspeaker in the design's frame: x out of its front, y to its own left."""
    az, el = np.radians([azimuth_deg, elevation_deg])
    return np.array([-np.cos(az) * np.cos(el), -np.sin(az) * np.cos(el), np.sin(el)])


def _radius(scene: Scene, centre: NDArray[np.float64], ways: NDArray[np.float64]) -> float:
    for radius in np.arange(RADIUS_M, LEAST_M - 1e-9, -0.05):
        if scene.room.geometry.clearance_m(centre + radius * ways).min() >= CLEARANCE_M:
            return float(radius)
    rule = f"the reference system needs {LEAST_M} m all around the seats' centre"
    raise InvalidValue("layout", scene.room.name, rule)


def _monitor(position_m: NDArray[np.float64], axis: NDArray[np.float64]) -> tuple[PlacedDriver, ...]:
    aim = {"azimuth_deg": float(np.degrees(np.arctan2(axis[1], axis[0]))),
           "elevation_deg": float(np.degrees(np.arcsin(np.clip(axis[2], -1, 1))))}
    return (
        PlacedDriver(name="woofer", directivity=Piston(name="woofer", radius_m=WOOFER_M), position_m=position_m, **aim,
                     filter=Filter(highpass_hz=LOW_HZ, lowpass_hz=CROSSOVER_HZ)),
        PlacedDriver(name="tweeter", directivity=Piston(name="tweeter", radius_m=TWEETER_M), position_m=position_m,
                     filter=Filter(highpass_hz=CROSSOVER_HZ), **aim),
    )
