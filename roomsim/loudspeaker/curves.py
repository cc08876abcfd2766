"""Standard curves of a loudspeaker from 70 directions: ANSI/CTA-2034-A.

Two orbits, horizontal and vertical, every 10°. All averages are of squared pressure. Two points are read in
different ways by those who use the standard; both readings are offered and the defaults stated:

* `rear_wall`: the rear-wall bounce is "180°, ±90° horizontal" taken as the three angles ("three-angles", the
  default: the words as they stand) or as the whole rear half of the orbit, ±90, ±100 … 180° ("rear-half").
* `early`: the early-reflections curve is the mean of the five group means ("groups", the default) or of all
  their directions in one pool ("pooled").

Data for a source in a large wall (half sphere) have no rear: see `standard_curves`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import db
from ..errors import InvalidValue
from ..sphere import orbit_vectors

FarPressure = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.complex128]]
"""D(f, directions) as `Directivity.far_pressure` gives it: shape (n_direction, n_frequency)."""

REAR_WALL_READINGS = ("three-angles", "rear-half")
EARLY_READINGS = ("groups", "pooled")
WEIGHTINGS = ("cta-2034-a", "iec-61183")

LISTENING_WINDOW = {"horizontal": (0, 10, -10, 20, -20, 30, -30), "vertical": (10, -10)}

EARLY_GROUPS: Mapping[str, tuple[str, tuple[int, ...]]] = {
    "floor": ("vertical", (-20, -30, -40)),
    "ceiling": ("vertical", (40, 50, 60)),
    "front wall": ("horizontal", (0, 10, -10, 20, -20, 30, -30)),
    "side walls": ("horizontal", (40, -40, 50, -50, 60, -60, 70, -70, 80, -80)),
    "rear wall": ("horizontal", (90, -90, 180)),
}
"""Group -> orbit and angles [degrees]; the front wall is the one the loudspeaker faces."""

IN_ROOM_SHARES = {"listening window": 0.12, "early reflections": 0.44, "sound power": 0.44}
"""Shares of squared pressure in the estimated in-room response [cta2034a], [devantier2002] (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandardCurves:
    """Curves on one frequency grid, each of shape (n_frequency,) [dB]; None: cannot be formed from the data.

    Attributes
    ----------
    frequency_hz : shape (n_frequency,)
    on_axis_db, listening_window_db : levels
    early_groups_db : group name -> level; a group that cannot be formed is missing
    early_reflections_db : their mean
    sound_power_db : level of the mean square over the sphere (the half sphere for half-sphere data)
    power_index_db : listening window minus sound power
    early_index_db : listening window minus early reflections
    in_room_db : the standard's estimate of the response in a room, None for half-sphere data
    half_space : the data stand for a source in a large wall
    notes : what was chosen and what departs from the standard, for people
    """

    frequency_hz: NDArray[np.float64]
    on_axis_db: NDArray[np.float64]
    listening_window_db: NDArray[np.float64]
    early_groups_db: Mapping[str, NDArray[np.float64]]
    early_reflections_db: NDArray[np.float64]
    sound_power_db: NDArray[np.float64]
    power_index_db: NDArray[np.float64]
    early_index_db: NDArray[np.float64]
    in_room_db: NDArray[np.float64] | None
    half_space: bool
    notes: tuple[str, ...]


def standard_curves(
    far_pressure: FarPressure,
    frequency_hz: ArrayLike,
    *,
    half_space: bool = False,
    rear_wall: str = "three-angles",
    early: str = "groups",
    weighting: str = "cta-2034-a",
    reference_pa_m: float = 1.0,
) -> StandardCurves:
    """All curves of the standard from a far field.

    Parameters
    ----------
    far_pressure : D(f, directions), of a directivity or a channel
    frequency_hz : shape (n_frequency,)
    half_space : the data stand for a source in a large wall and mean nothing behind it
    rear_wall, early : the two readings, see above
    weighting : "cta-2034-a", or the solid-angle weights of IEC 61183
    reference_pa_m : 0 dB [Pa m]; 20e-6 for levels at 1 m re 20 µPa of calibrated data

    Returns
    -------
    StandardCurves. From half-sphere data on-axis, listening window and the groups before the wall follow as
    they are. There is no rear wall bounce and the early reflections are the mean of four groups; the sound
    power is the mean over the half sphere (directions along the wall count half), and so both indices are
    relative to that half sphere. There is no in-room estimate: the shares of the standard were found with
    free-standing loudspeakers.

    Raises
    ------
    InvalidValue : an unknown reading or weighting
    """
    for key, value, known in (
        ("rear_wall", rear_wall, REAR_WALL_READINGS), ("early", early, EARLY_READINGS),
        ("weighting", weighting, WEIGHTINGS),
    ):
        if value not in known:
            raise InvalidValue(key, value, f"must be one of {', '.join(known)}")
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    orbits = measured_angles(half_space)
    directions = np.concatenate([orbit_vectors(orbit, angle) for orbit, angle in orbits])
    square = np.abs(far_pressure(f, directions)) ** 2
    at = {(orbit, int(angle)): row for (orbit, angles), rows in zip(
        orbits, np.split(square, [orbits[0][1].size]), strict=True) for angle, row in zip(angles, rows, strict=True)}

    window = np.mean([at[orbit, a] for orbit, angles in LISTENING_WINDOW.items() for a in angles], axis=0)
    groups = early_groups(rear_wall)
    if half_space:
        groups = {name: group for name, group in groups.items() if name != "rear wall"}
    rows = {name: [at[orbit, a] for a in angles] for name, (orbit, angles) in groups.items()}
    means = {name: np.mean(group, axis=0) for name, group in rows.items()}
    reflections = np.mean(
        list(means.values()) if early == "groups" else [row for group in rows.values() for row in group], axis=0
    )
    weights = np.concatenate([orbit_weights(angle, weighting, half_space) for _, angle in orbits])
    power = weights @ square / weights.sum()
    shares = IN_ROOM_SHARES
    in_room = (
        shares["listening window"] * window + shares["early reflections"] * reflections
        + shares["sound power"] * power
    )

    def level(mean_square: NDArray[np.float64]) -> NDArray[np.float64]:
        return db(mean_square, reference_pa_m**2)

    return StandardCurves(
        frequency_hz=f,
        on_axis_db=level(at["horizontal", 0]),
        listening_window_db=level(window),
        early_groups_db={name: level(mean) for name, mean in means.items()},
        early_reflections_db=level(reflections),
        sound_power_db=level(power),
        power_index_db=db(window / power),
        early_index_db=db(window / reflections),
        in_room_db=None if half_space else level(in_room),
        half_space=half_space,
        notes=_notes(half_space, rear_wall, early, weighting),
    )


def measured_angles(half_space: bool = False) -> tuple[tuple[str, NDArray[np.int_]], ...]:
    """Both orbits with their angles [degrees]: every 10° all round, or from -90 to 90 before a wall.

    The two orbits share the axis (0 and 180°), which stands in both: 70 directions, 72 values.
    """
    angles = np.arange(-90, 91, 10) if half_space else np.arange(-170, 181, 10)
    return ("horizontal", angles), ("vertical", angles)


def early_groups(rear_wall: str = "three-angles") -> dict[str, tuple[str, tuple[int, ...]]]:
    """The five groups with the chosen reading of the rear wall."""
    groups = dict(EARLY_GROUPS)
    if rear_wall == "rear-half":
        groups["rear wall"] = "horizontal", tuple(a for a in range(-170, 181, 10) if abs(a) >= 90)
    return groups


def sound_power_weights(weighting: str = "cta-2034-a") -> NDArray[np.float64]:
    """Part of the sphere that each measured value stands for at 0, 10 … 180° from the axis, shape (19,).

    Notes
    -----
    CTA-2034-A, Appendix C: a ring between two squares drawn on the tangent plane (gnomonic), shared by the
    four points on it: Ω(t) = 4 arctan(tan²t/√(1 + 2 tan²t)), weight(θ) = [Ω(θ+5°) - Ω(θ-5°)]/16π, at 90° what
    is left, at 0 and 180° Ω(5°)/16π. They make a whole only if 0 and 180° are counted four times.
    IEC 61183, Table A.1: zones, (cos(θ-5°) - cos(θ+5°))/8, at 0 and 180° (1 - cos 5°)/4, counted once per orbit.
    """
    angle = np.radians(np.arange(0, 91, 10))
    half = np.radians(5)
    if weighting == "iec-61183":
        quarter = (np.cos(angle - half) - np.cos(angle + half)) / 8
        quarter[0] = (1 - np.cos(half)) / 4
    elif weighting == "cta-2034-a":
        tan2 = np.tan(angle[:-1] + half) ** 2
        inside = np.append(4 * np.arctan(tan2 / np.sqrt(1 + 2 * tan2)), 2 * np.pi)
        quarter = np.diff(inside, prepend=0) / (16 * np.pi)
        quarter[-1] *= 2                                        # the ring at 90° reaches to the other side
    else:
        raise InvalidValue("weighting", weighting, f"must be one of {', '.join(WEIGHTINGS)}")
    return np.concatenate([quarter, quarter[-2::-1]])


def orbit_weights(
    angle_deg: ArrayLike, weighting: str = "cta-2034-a", half_space: bool = False
) -> NDArray[np.float64]:
    """Weights of one orbit's values, same shape; those of both orbits add to the sphere (the half sphere)."""
    away = np.abs(np.asarray(angle_deg, int))
    weights = sound_power_weights(weighting)[away // 10]
    if weighting == "cta-2034-a":
        weights = np.where(away % 180 == 0, 2 * weights, weights)   # four times in all, two orbits
    return np.where(away == 90, weights / 2, weights) if half_space else weights


def _notes(half_space: bool, rear_wall: str, early: str, weighting: str) -> tuple[str, ...]:
    readings = {
        "three-angles": "Rear-wall bounce: the three angles 90, -90 and 180°.",
        "rear-half": "Rear-wall bounce: all angles of the rear half of the horizontal orbit.",
        "groups": "Early reflections: mean of the group means.",
        "pooled": "Early reflections: mean over all their directions.",
        "cta-2034-a": "Sound power: weights of CTA-2034-A, 0 and 180° counted four times.",
        "iec-61183": "Sound power: weights of IEC 61183.",
    }
    if not half_space:
        return readings[rear_wall], readings[early], readings[weighting]
    return (
        "Half-sphere data: no rear-wall bounce; early reflections are those of four groups.",
        "Half-sphere data: sound power and both indices are relative to the half sphere before the wall.",
        "Half-sphere data: no in-room estimate, the standard's shares hold for free-standing loudspeakers.",
        readings[early],
        readings[weighting],
    )
