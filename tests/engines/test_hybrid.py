"""The join of the engines against the exact box, in the demo's rooms and in seeded ones."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from box_scenes import Wall, box_room, box_scene
from demo_rooms import bare

import roomsim
from roomsim import bands
from roomsim.conventions import HAND_OVER_FADE_S
from roomsim.engines.hybrid import Options, crossfade_weight, ray_spectra, simulate
from roomsim.engines.images import trace_images
from roomsim.engines.late import channel_power_rho_c
from roomsim.engines.rays import late_energy, trace_rays
from roomsim.engines.wave import solve_box
from roomsim.placing import build_scene

F = bands.analysis_grid_hz(250, 1000, 48)
DEMO = Path(roomsim.__file__).parent / "demo" / "files" / "study.yaml"


class Smooth:
    """A finish that does not scatter: the exact field of a box knows no scattering."""

    def __init__(self, finish):
        self.finish, self.name, self.kind = finish, finish.name, finish.kind

    def impedance(self, frequency_hz):
        return self.finish.impedance(frequency_hz)

    def absorption(self, frequency_hz):
        return self.finish.absorption(frequency_hz)

    def scattering(self, frequency_hz):
        return np.zeros(np.shape(frequency_hz))


@cache
def demo_scene(label):
    study = roomsim.load(DEMO, changes=bare(label))
    room = study.rooms[label].room("ordinary")
    room = replace(room, materials={face: Smooth(finish) for face, finish in room.materials.items()})
    speaker = study.designs["narrow"].loudspeaker()
    left = replace(speaker, channels={"left": speaker.channels["left"]})
    (place,) = study.places.values()
    return build_scene(room, left, place, study.seats)


@cache
def seeded_scene(seed):
    """A living-room box, walls of uneven β 0.02 to 0.08, a source 0.1 to 0.2 m from the front, 15 seats."""
    rng = np.random.default_rng(seed)
    size = rng.uniform((4.5, 3.4, 2.3), (7.5, 5.5, 2.8))
    room = box_room(size, [Wall(1 / rng.uniform(0.02, 0.08)) for _ in range(6)])
    source = (rng.uniform(0.1, 0.2), size[1] / 2 + rng.uniform(-0.4, 0.4), rng.uniform(0.6, 1.0))
    seats = np.array([2.9, size[1] / 2, 1.1]) + rng.uniform((-0.4, -0.6, -0.15), (0.4, 0.6, 0.15), (15, 3))
    return box_scene(room, [source], seats)


SCENES = [*(("demo", label) for label in ("small", "typical", "large")), *(("seeded", seed) for seed in range(5))]


def scene_of(kind, which):
    return demo_scene(which) if kind == "demo" else seeded_scene(which)


@cache
def exact(kind, which):
    return np.abs(solve_box(scene_of(kind, which), F)) ** 2


@cache
def joined(kind, which):
    return simulate(scene_of(kind, which), F)


def thirds(mean_square, low, high):
    return bands.band_means(mean_square, F, bands.midbands_hz(3, low, high), 3)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.mark.parametrize(("kind", "which"), SCENES)
def test_whole_image_sum_meets_the_exact_field(kind, which):
    # 0.5 dB rms per seat in third octaves is what was asked for; spherical-wave factors reach 0.01 to 0.06 dB,
    # and 0.12 is held. The sum ends at 120 m, where what is missing is 25 to 30 dB down.
    scene = scene_of(kind, which)
    some = replace(scene, listeners_m=scene.listeners_m[:3])
    images = np.abs(trace_images(some, F, max_distance_m=120.0, reflections=0).pressure) ** 2
    difference = bands.db(thirds(images, 315, 500)) - bands.db(thirds(exact(kind, which)[:, :3], 315, 500))
    assert rms(difference) < 0.12


@pytest.mark.parametrize(("kind", "which"), SCENES)
def test_early_images_and_rays_meet_the_exact_field(kind, which):
    # Limits as asked for, per seat and for the seat average: with perfect late energy 0.8 to 1.15 dB and 0.5 to
    # 0.7 dB are known to be the best that 80 ms of images can reach, since a seat's late part fluctuates.
    response = joined(kind, which)
    above = np.abs(response.direct + response.early) ** 2 + response.late + response.scattered
    truth = exact(kind, which)
    assert rms(bands.db(thirds(above, 315, 500)) - bands.db(thirds(truth, 315, 500))) < 1.5
    average = bands.db(thirds(above, 315, 500).mean(axis=1)) - bands.db(thirds(truth, 315, 500).mean(axis=1))
    assert rms(average) < 0.8


@pytest.mark.parametrize(("kind", "which"), SCENES)
def test_no_step_at_the_crossfade(kind, which):
    # Seat-averaged third octaves across the fade within 0.8 dB of the exact box, as asked for.
    found = thirds(joined(kind, which).mean_square, 400, 800).mean(axis=1)
    truth = thirds(exact(kind, which), 400, 800).mean(axis=1)
    assert np.abs(bands.db(found) - bands.db(truth)).max() < 0.8


def test_below_the_crossfade_the_field_is_the_exact_one():
    response = joined("demo", "typical")
    low = F < 400
    assert np.array_equal(response.pressure[..., low], response.wave[..., low])
    assert np.abs(response.pressure[..., low]) ** 2 == pytest.approx(exact("demo", "typical")[..., low], rel=1e-9)
    assert np.all(response.diffuse_mean_square[..., low] == 0)


def test_weight_of_the_crossfade():
    f = np.array([100, 400, np.sqrt(400 * 800), 800, 2000])
    # Half a cosine over log frequency: 1 below, 0.5 in the geometric middle, 0 above (closed form).
    assert crossfade_weight(f, (400, 800)) == pytest.approx([1, 1, 0.5, 0, 0])
    grid = bands.analysis_grid_hz(300, 1000, 48)
    weight = crossfade_weight(grid, (400, 800))
    assert np.all(np.diff(weight) <= 1e-12)


def test_a_moved_crossfade_is_recorded_and_used():
    scene = replace(demo_scene("typical"), listeners_m=demo_scene("typical").listeners_m[:2])
    response = simulate(scene, F, Options(crossfade_hz=(300, 500), rays=2000))
    assert np.all(response.weight[F > 505] == 0)
    note = next(note for note in response.notes if note.code == "crossfade")
    assert (note.low_hz, note.high_hz) == (300, 500)


def test_late_energy_of_rays_follows_the_channels_power_between_bands():
    # A diffuse part known in octaves is spread over frequency by the channel's own power: its octave means must come
    # back (energy kept), and a high-pass in the channel must show at its full depth between two midbands.
    scene = demo_scene("typical")
    mids = bands.midbands_hz(1, 125, 8000)
    rays = trace_rays(scene, mids, rays=4000, seed=3)
    fine = bands.analysis_grid_hz(90, 11000, 48)
    hand_over = rays.direct_s + 0.08
    late, before = ray_spectra(scene, fine, rays, hand_over)
    total = bands.band_means(late + before, fine, mids, 1)
    carried = late_energy(rays, hand_over, HAND_OVER_FADE_S)
    # The correction stops after four rounds, each of which leaves about a tenth of the error; the two parts
    # (late, before) are corrected apart.
    assert np.abs(bands.db(total) - bands.db(carried)).max() < 0.1
    power = channel_power_rho_c(scene, 0, np.array([100.0, 120.0]))
    near = late[0, 0, [np.argmin(np.abs(fine - f)) for f in (100, 120)]]
    assert bands.db(near[1] / near[0]) == pytest.approx(bands.db(power[1] / power[0]), abs=0.6)
