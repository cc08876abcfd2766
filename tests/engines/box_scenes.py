"""Box scenes with walls of stated impedance, for tests of the wave engine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from roomsim.air import Air
from roomsim.loudspeaker.channels import Loudspeaker, PlacedDriver
from roomsim.room.geometry import box
from roomsim.room.room import Room
from roomsim.scene import PlacedLoudspeaker, Scene

RIGID = complex(np.inf)


@dataclass(frozen=True)
class Wall:
    """A locally reacting wall of constant ζ, or of ζ(f)."""

    zeta: complex | Callable[[np.ndarray], np.ndarray]
    name: str = "wall"
    kind: str = "hard"

    def impedance(self, frequency_hz):
        f = np.asarray(frequency_hz, float)
        return self.zeta(f) + 0j if callable(self.zeta) else np.full(f.shape, self.zeta, complex)

    def absorption(self, frequency_hz):
        return np.zeros(np.shape(frequency_hz))

    def scattering(self, frequency_hz):
        return np.zeros(np.shape(frequency_hz))


@dataclass(frozen=True)
class PlainAir:
    """Air of stated speed and amplitude attenuation."""

    speed_m_s: float = 343.0
    attenuation: float = 0.0
    density_kg_m3: float = 1.2

    def attenuation_np_per_m(self, frequency_hz):
        return np.full(np.shape(frequency_hz), self.attenuation)

    def energy_attenuation_per_m(self, frequency_hz):
        return 2 * self.attenuation_np_per_m(frequency_hz)


@dataclass(frozen=True)
class Pattern:
    """A directivity written as a function of (k, directions) -> (n_direction, n_frequency)."""

    function: Callable[[np.ndarray, np.ndarray], np.ndarray]
    radius_m: float = 0.0
    name: str = "pattern"
    has_phase: bool = True
    half_space: bool = False
    axisymmetric: bool = False
    calibrated: bool = False
    low_hz: float = 0.0
    high_hz: float = np.inf
    speed_m_s: float = 343.0

    def far_pressure(self, frequency_hz, directions):
        k = 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, float)) / self.speed_m_s
        return np.asarray(self.function(k, np.atleast_2d(directions)), complex)


OMNI = Pattern(lambda k, n: np.ones((len(n), k.size)))


def box_room(size: Sequence[float], zetas: Sequence, air=None) -> Room:
    """A box; ζ of front, back, left, right, floor, ceiling."""
    geometry = box(*size)
    walls = [zeta if hasattr(zeta, "impedance") else Wall(zeta) for zeta in zetas]
    return Room(
        name="test box", geometry=geometry, air=air or PlainAir(),
        materials=dict(zip(geometry.face_names, walls, strict=True)),
    )


def box_scene(
    room: Room,
    sources: Sequence[Sequence[float]],
    listeners: Sequence[Sequence[float]],
    pattern=OMNI,
    *,
    azimuth_deg: float = 0.0,
    on_wall: str | None = None,
    one_channel: bool = False,
) -> Scene:
    """One driver per source point, a channel each (or one for all)."""
    points = [np.array(point, float) for point in sources]
    if one_channel:
        groups = {"all": tuple(enumerate(points))}
    else:
        groups = {f"c{i}": ((i, point),) for i, point in enumerate(points)}
    channels = {
        name: tuple(
            PlacedDriver(name=f"d{i}", directivity=pattern, position_m=point, azimuth_deg=azimuth_deg)
            for i, point in members
        )
        for name, members in groups.items()
    }
    speaker = Loudspeaker(
        name="test", width_m=0.1, height_m=0.1, depth_m=0.1, mounting="on-wall" if on_wall else "free",
        channels=channels,
    )
    placed = PlacedLoudspeaker(loudspeaker=speaker, position_m=np.zeros(3), wall=on_wall)
    return Scene(room=room, loudspeakers=(placed,), listeners_m=np.array(listeners, float))


def paris_zeta(absorption: float) -> float:
    """Real ζ > 1.567 whose random-incidence absorption by Paris's integral is `absorption`, by bisection."""
    low, high = 1.566925, 1e6
    for _ in range(200):
        z = np.sqrt(low * high)
        alpha = 8 / z * (1 + 1 / (1 + z) - 2 / z * np.log1p(z))
        low, high = (z, high) if alpha > absorption else (low, z)
    return z


def level_difference_db(a, b):
    """20 lg |a/b|."""
    return 20 * np.log10(np.abs(a) / np.abs(b))


def default_air() -> Air:
    return Air()
