"""Images and rays together against the exact field of a box: nothing is counted twice or left out."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from ray_scenes import SIZE, finish, scene

from roomsim.bands import OCTAVE, midbands_hz
from roomsim.engines.images import trace_images
from roomsim.engines.rays import late_energy, trace_rays
from roomsim.engines.wave import solve_box
from roomsim.room.geometry import box
from roomsim.room.room import Room

THIRDS = midbands_hz(3, 315, 1000)
PER_BAND = 12


@pytest.mark.parametrize("near", [True, False], ids=["0.08 m from its wall", "1 m from all walls"])
@pytest.mark.parametrize(
    "absorption", [(0.1, 0.3, 0.2, 0.15, 0.4, 0.05), (0.1,) * 6, (0.08, 0.08, 0.08, 0.08, 0.5, 0.3)],
    ids=["mixed", "even", "absorbing floor and ceiling"],
)
def test_coherent_total_against_the_exact_box(near, absorption):
    # |direct + 80 ms of images|² + late rays against |p|² of the exact field, 315 to 1000 Hz, mean over 10
    # source positions × 10 seats: bias within 0.6 dB. Smooth walls: the exact solution knows no scattering.
    rng = np.random.default_rng(3)
    geometry = box(*SIZE)
    materials = {name: finish(a, 0.0) for name, a in zip(geometry.face_names, absorption, strict=True)}
    room = Room(name="closure", geometry=geometry, materials=materials)
    inside = (np.arange(PER_BAND) + 0.5) / PER_BAND - 0.5
    frequency = (THIRDS[:, None] * OCTAVE ** (inside / 3)).ravel()
    exact, joined, late_share = 0.0, 0.0, 0.0
    for index in range(10):
        if near:
            source = np.array([0.08, rng.uniform(0.8, 3.4), rng.uniform(0.5, 1.5)])
        else:
            source = np.array([*rng.uniform(1, np.array(SIZE[:2]) - 1), rng.uniform(1, 1.5)])
        seats = rng.uniform(0.6, np.array(SIZE) - 0.6, (60, 3))
        seats = seats[np.linalg.norm(seats - source, axis=1) > 1.2][:10]
        place = scene(room, source=source, seats=seats, wall="front" if near else None)
        exact += (np.abs(solve_box(place, frequency)) ** 2).mean()
        images = trace_images(place, frequency, reflections=0)
        part = trace_rays(place, THIRDS, fraction=3, rays=4096, duration_s=0.9, seed=index)
        late = late_energy(part, images.hand_over_s).mean()
        joined += (np.abs(images.pressure) ** 2).mean() + late
        late_share += late
    assert abs(10 * np.log10(joined / exact)) < 0.6
    if len(set(absorption)) == 1:
        assert 0.2 < late_share / joined < 0.4               # without the late part it would be 1.5 dB off
