"""A real seminar room (open data): decay, clarity and definition from images and rays against the measurement.

The room is taken as a box of 8.4 × 6.0 × 2.9 m with the absorption areas of its five surfaces preserved: floor
and ceiling by themselves, plaster, concrete and windows spread over the four walls. The data's absorption was
fitted to the measured decay by Eyring's formula, so that agreement of the mean T20 is half circular; that a box
with angle-dependent R decays as the room does, and C80 and D50, are not.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "independent"))

import images_full
from ray_scenes import speaker

from roomsim.air import Air
from roomsim.analysis.decay import decay_from_energy
from roomsim.bands import midbands_hz
from roomsim.engines.ray_surfaces import RaySurfaces
from roomsim.engines.rays import late_histogram, trace_rays
from roomsim.room.geometry import box
from roomsim.room.materials import Finish
from roomsim.room.room import Room
from roomsim.scene import PlacedLoudspeaker, Scene

SIZE = (8.4, 6.0, 2.9)
AREAS = {"plaster": 34.93, "concrete": 56.94, "windows": 9.75, "floor": 49.29, "ceiling": 51.62}
WALLS = ("plaster", "concrete", "windows")
THIRDS = midbands_hz(3, 200, 5000)
OCTAVES = {250: 0, 500: 3, 1000: 6, 2000: 9, 4000: 12}
"""Octave -> index of its first third in THIRDS."""

BIN_S = 0.001


@pytest.fixture(scope="module")
def data(shared_data):
    folder = shared_data / "seminar-room"
    if not folder.is_dir():
        pytest.skip(f"open data not found at {folder}; see DEVELOPERS.md, section Tests")
    return folder


def room(folder):
    table = {name: np.loadtxt(folder / f"mat_CR2_{name}.csv", delimiter=",") for name in AREAS}
    floor_area, wall_area = SIZE[0] * SIZE[1], 2 * SIZE[2] * (SIZE[0] + SIZE[1])

    def finish(name, absorption, scattering):
        return Finish.from_table(
            name=name, kind="hard", frequency_hz=table[name.split()[0]][0], absorption=absorption,
            scattering=scattering, source="BRAS, doi 10.14279/depositonce-6726.3",
        )

    total = sum(AREAS[name] for name in WALLS)
    walls = finish(
        "plaster and others",
        sum(AREAS[name] * table[name][1] for name in WALLS) / wall_area,
        sum(AREAS[name] * table[name][2] for name in WALLS) / total,
    )
    flat = {
        name: finish(name, AREAS[name] * table[name][1] / floor_area, table[name][2]) for name in ("floor", "ceiling")
    }
    geometry = box(*SIZE)
    return Room(
        name="seminar room", geometry=geometry, materials={**dict.fromkeys(geometry.face_names, walls), **flat},
        air=Air(temperature_c=19.5, humidity_percent=41.7),
    )


def measured(folder, name):
    frequency, values = np.loadtxt(folder / f"Evaluation_CR2_{name}.txt", delimiter=",")
    first = {octave: int(np.argmin(np.abs(frequency - octave))) - 1 for octave in OCTAVES}
    return {octave: values[k : k + 3].mean() for octave, k in first.items()}


def places():
    """Two sources, each with five seats, all at least 1 m from the walls and 1.5 m from the source."""
    rng = np.random.default_rng(7)
    low, high = np.array([1.0, 1.0, 1.0]), np.array([SIZE[0] - 1, SIZE[1] - 1, 1.9])
    out = []
    for _ in range(2):
        source = rng.uniform(low, high)
        seats = []
        while len(seats) < 5:
            seat = rng.uniform(low, high)
            seat[2] = 1.2
            if np.linalg.norm(seat - source) > 1.5:
                seats.append(seat)
        out.append((source, np.array(seats)))
    return out


def simulated(folder):
    one = room(folder)
    surfaces = RaySurfaces.of(one, THIRDS, 3)
    grid = np.linspace(0, 1, surfaces.reflect.shape[1]) ** 2
    loss = one.air.energy_attenuation_per_m(THIRDS)
    read = []
    for index, (source, seats) in enumerate(places()):
        placed = PlacedLoudspeaker(loudspeaker=speaker(), position_m=source)
        scene = Scene(room=one, loudspeakers=(placed,), listeners_m=seats)
        part = trace_rays(scene, THIRDS, fraction=3, rays=4000, duration_s=2.2, bin_s=BIN_S, seed=index,
                          surfaces=surfaces, threads=2)
        energy = late_histogram(part, part.direct_s + 0.08)[0]
        for s, seat in enumerate(seats):                     # early unscattered paths: every image
            for b in range(THIRDS.size):
                walls = [
                    [
                        lambda cosine, b=b, k=k: (1 - surfaces.scatter[k, b])
                        * np.interp(cosine, grid, surfaces.reflect[k, :, b])
                        for k in (2 * axis, 2 * axis + 1)
                    ]
                    for axis in range(3)
                ]
                end = float(part.direct_s[0, s]) + 0.08
                steps = int(end / BIN_S)
                energy[s, b, :steps] += images_full.energy_over_time(
                    SIZE, source, seat, walls, steps * BIN_S, BIN_S, one.air.speed_m_s, loss[b]
                )
        read.append(decay_from_energy(energy, BIN_S, band_hz=THIRDS, fraction=3, start_s=part.direct_s[0]))

    def mean(name):
        values = np.concatenate([analysis[name] for analysis in read]).mean(axis=0)
        return {octave: values[k : k + 3].mean() for octave, k in OCTAVES.items()}

    return {name: mean(name) for name in ("t20_s", "c80_db", "d50")}


def test_the_seminar_room(data):
    ours = simulated(data)
    t20, c80, d50 = measured(data, "T20"), measured(data, "C80"), measured(data, "D50")
    for octave in OCTAVES:
        print(
            f"{octave:5d} Hz: T20 {ours['t20_s'][octave]:.3f} s (measured {t20[octave]:.3f}), "
            f"C80 {ours['c80_db'][octave]:+.2f} dB ({c80[octave]:+.2f}), D50 {100 * ours['d50'][octave]:.1f} % "
            f"({d50[octave]:.1f})"
        )
    for octave in OCTAVES:
        # Limits of the project's requirement: the room is no box, and its absorption is known to ±10 %.
        assert ours["t20_s"][octave] == pytest.approx(t20[octave], rel=0.15 if octave == 250 else 0.10)
        if octave >= 500:
            assert ours["c80_db"][octave] == pytest.approx(c80[octave], abs=0.7)
            assert 100 * ours["d50"][octave] == pytest.approx(d50[octave], abs=4)
