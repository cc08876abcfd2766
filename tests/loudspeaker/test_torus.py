"""Measured patterns on an unrolled sphere: exact for harmonics, and powers before a wall against plain quadrature."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from independent.point_sources import C, even_grid, far_field
from scipy.special import sph_harm_y

from roomsim.bands import db
from roomsim.files.sofa import read_directivity
from roomsim.loudspeaker.channels import PlacedDriver, channel_power
from roomsim.loudspeaker.measured import MeasuredDirectivity
from roomsim.loudspeaker.mounting import power_into_half_space
from roomsim.loudspeaker.torus import torus_table
from roomsim.sphere import rotation


@pytest.mark.parametrize("axis", [0, 2])
def test_harmonics_come_back_exactly(axis: int) -> None:
    """scipy's spherical harmonics to order 9, on nodes that have nothing to do with the table's; axis 0 is the
    table's own (the pole), axis 2 lies in its equator."""

    def harmonics(q: np.ndarray) -> np.ndarray:
        polar = np.arccos(np.clip(q[:, axis], -1, 1))
        turn = np.arctan2(q[:, (axis + 2) % 3], q[:, (axis + 1) % 3])
        return np.stack([sph_harm_y(n, m, polar, turn) for n in range(10) for m in range(-n, n + 1)], axis=-1)

    table = torus_table(harmonics, 9)
    polar, azimuth = np.linspace(0, np.pi, 23), np.linspace(-3, 4, 31)
    s = np.sin(polar)
    q = np.stack([np.outer(np.cos(polar), np.ones(31)), np.outer(s, np.cos(azimuth)), np.outer(s, np.sin(azimuth))], -1)
    found = table.on_grid(polar, azimuth)
    np.testing.assert_allclose(found, harmonics(q.reshape(-1, 3)).reshape(23, 31, -1), atol=1e-12)    # rounding
    assert np.abs(torus_table(harmonics, 7).on_grid(polar, azimuth) - found).max() > 0.1    # a table too coarse shows
    which = np.array([7, 3])
    np.testing.assert_allclose(table.columns(which).on_grid(polar, azimuth), found[..., which], atol=1e-13)


def quadrature(drivers: list[PlacedDriver], f: np.ndarray, factor: float, nodes: int = 90) -> np.ndarray:
    """∫ |Σ D e^{jkn·r} + R Σ D' e^{jkn'·r}|² over x > 0, every direction asked of the measured data itself."""
    u, w = np.polynomial.legendre.leggauss(nodes)
    u, w = (u + 1) / 2, w / 2
    phi = 2 * np.pi * np.arange(2 * nodes) / (2 * nodes)
    s = np.sqrt(1 - u**2)
    parts = [np.outer(u, np.ones(phi.size)), np.outer(s, np.cos(phi)), np.outer(s, np.sin(phi))]
    n = np.stack(parts, axis=-1).reshape(-1, 3)
    k = 2 * np.pi * f / C

    def field(q: np.ndarray) -> np.ndarray:
        return sum(d.directivity.far_pressure(f, q @ d.rotation) * np.exp(1j * np.outer(q @ d.position_m, k))
                   for d in drivers)

    square = np.abs(field(n) + factor * field(n * [-1, 1, 1])) ** 2
    return np.repeat(w * np.pi / nodes, phi.size) @ square


def power(drivers: list[PlacedDriver], f: np.ndarray, factor: float) -> np.ndarray:
    return power_into_half_space(
        drivers, f, wall_point_m=[0, 0, 0], wall_normal=[1, 0, 0], speed_m_s=C,
        reflection=lambda cosine, at_hz: np.full((1, 1), factor),
    )


def with_phase() -> MeasuredDirectivity:
    """Three points about 0.2 m apart on a 10° grid, which resolves them to 5 kHz (ka = 11)."""
    f = 1000 * 10 ** (0.1 * np.arange(-10, 8))
    grid, points = even_grid(10), np.array([[0.0, 0.1, 0], [0.03, -0.1, 0.05], [0, 0, -0.11]])
    return MeasuredDirectivity(
        name="points", frequency_hz=f, directions=grid, values=far_field(f, grid, points, np.array([1, 0.8, 0.5j])),
        has_phase=True, radius_m=0.13, speed_m_s=C,
    )


def sphere(shared_data: Path) -> MeasuredDirectivity:
    return read_directivity(shared_data / "two-way-pa-loudspeaker.sofa")


@pytest.mark.parametrize("kind", ["with phase", "magnitudes"])
@pytest.mark.parametrize("turned", [(0.0, 0.0), (25.0, -15.0)])
def test_power_before_a_wall(kind: str, turned: tuple[float, float], shared_data: Path) -> None:
    """Two drivers 0.1 m before a wall, all below the frequency (2kh = 60) where wall interference fades out.

    0.05 dB is what a table may cost; power over a half sphere is where it costs most."""
    data = with_phase() if kind == "with phase" else sphere(shared_data)
    drivers = [
        PlacedDriver(name="m", directivity=data, position_m=np.array([0.1, y, 0.02]), azimuth_deg=turned[0],
                     elevation_deg=turned[1])
        for y in (-0.15, 0.2)
    ]
    f = np.array([100.0, 500, 2000, 5000] + ([10000, 16000] if kind == "magnitudes" else []))
    found, expected = db(power(drivers, f, 0.8)), db(quadrature(drivers, f, 0.8, 140))
    assert np.abs(found - expected).max() < 0.05
    assert np.abs(db(power(drivers, f, -0.8)) - found).max() > 0.5              # the wall matters


def test_power_of_the_measured_sphere_does_not_turn_with_it(shared_data: Path) -> None:
    """∮|D|² is the same however the loudspeaker is aimed: the table's axis moves over the pattern."""
    data, f = sphere(shared_data), np.array([500.0, 4000, 16000])
    levels = [
        db(channel_power([PlacedDriver(name="m", directivity=data, position_m=np.zeros(3), azimuth_deg=a,
                                       elevation_deg=e)], f, C))
        for a, e in ((0, 0), (37, 0), (90, 0), (-120, 55), (0, -90))
    ]
    assert np.ptp(levels, axis=0).max() < 0.02


def test_each_direction_is_asked_for_once(shared_data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What makes it cheap: the measured data are read on one grid for all frequencies, not on one grid per block."""
    data, asked = sphere(shared_data), []
    plain = MeasuredDirectivity.far_pressure

    def counted(self, frequency_hz, directions):
        asked.append((len(directions), np.size(frequency_hz)))
        return plain(self, frequency_hz, directions)

    monkeypatch.setattr(MeasuredDirectivity, "far_pressure", counted)
    turn = rotation(30.0)
    driver = PlacedDriver(name="m", directivity=data, position_m=turn @ np.array([0.15, 0, 0]), azimuth_deg=30.0)
    f = np.geomspace(63, 16000, 97)
    power_into_half_space(
        [driver], f, wall_point_m=[0, 0, 0], wall_normal=turn[:, 0], speed_m_s=C,
        reflection=lambda cosine, at_hz: np.full((1, 1), 0.9),
    )
    assert len(asked) == 1 and asked[0][0] < 6000 and asked[0][1] == 97
