"""Scenes and doubles for the tests of the image engine."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from roomsim.conventions import BOX_FACES
from roomsim.loudspeaker.channels import Loudspeaker, PlacedDriver
from roomsim.loudspeaker.drivers import Omni
from roomsim.loudspeaker.filters import Filter
from roomsim.room.geometry import box
from roomsim.room.room import Room
from roomsim.scene import PlacedLoudspeaker, Scene

RIGID = 1e12
OMNI = Omni(name="omni")


@dataclass(frozen=True)
class Surface:
    """A locally reacting surface of stated ζ, constant or a function of frequency, and scattering."""

    zeta: complex | Callable[[np.ndarray], np.ndarray] = RIGID
    scatter: float = 0.0
    name: str = "surface"
    kind: str = "hard"

    def impedance(self, frequency_hz):
        f = np.asarray(frequency_hz, float)
        return self.zeta(f) + 0j if callable(self.zeta) else np.full(f.shape, self.zeta, complex)

    def absorption(self, frequency_hz):
        return np.zeros(np.shape(frequency_hz))

    def scattering(self, frequency_hz):
        return np.full(np.shape(frequency_hz), self.scatter)


@dataclass(frozen=True)
class PlainAir:
    """Air of stated speed and amplitude attenuation."""

    speed_m_s: float = 343.0
    attenuation: float = 0.0

    def attenuation_np_per_m(self, frequency_hz):
        return np.full(np.shape(frequency_hz), self.attenuation)


@dataclass(frozen=True)
class Formula:
    """A directivity written as a function of (k, directions) -> (n_direction, n_frequency)."""

    function: Callable[[np.ndarray, np.ndarray], np.ndarray]
    radius_m: float = 0.05
    axisymmetric: bool = False
    half_space: bool = False
    name: str = "formula"
    has_phase: bool = True
    calibrated: bool = False
    low_hz: float = 0.0
    high_hz: float = np.inf

    def far_pressure(self, frequency_hz, directions):
        k = 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, float)) / 343.0
        return np.asarray(self.function(k, np.atleast_2d(directions)), complex)


def room(size: Sequence[float], surfaces: Mapping[str, Surface] | Surface, air=None) -> Room:
    """A box; one surface for all faces or one per face."""
    given = surfaces if isinstance(surfaces, Mapping) else dict.fromkeys(BOX_FACES, surfaces)
    return Room(name="test", geometry=box(*size), materials=given, air=air or PlainAir())


def driver(position, directivity=OMNI, filter=None, azimuth_deg=0.0, elevation_deg=0.0) -> PlacedDriver:
    return PlacedDriver(
        name="d", directivity=directivity, position_m=np.array(position, float), filter=filter or Filter(),
        azimuth_deg=azimuth_deg, elevation_deg=elevation_deg,
    )


def scene(
    room: Room,
    channels: Mapping[str, Sequence[PlacedDriver]] | Sequence[float],
    listeners,
    *,
    at=(0.0, 0.0, 0.0),
    wall: str | None = None,
    on_wall: bool = False,
    azimuth_deg: float = 0.0,
) -> Scene:
    """One loudspeaker at `at` with channels of drivers, or a single omnidirectional one at a point."""
    if not isinstance(channels, Mapping):
        channels, at = {"mono": [driver((0, 0, 0))]}, channels
    speaker = Loudspeaker(
        name="test", width_m=0.1, height_m=0.1, depth_m=0.1, mounting="on-wall" if on_wall else "free",
        channels={name: tuple(drivers) for name, drivers in channels.items()},
    )
    placed = PlacedLoudspeaker(
        loudspeaker=speaker, position_m=np.array(at, float), azimuth_deg=azimuth_deg, wall=wall
    )
    return Scene(room=room, loudspeakers=(placed,), listeners_m=np.atleast_2d(np.array(listeners, float)))
