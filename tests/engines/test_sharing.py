"""What designs and channels share is the same as what each would have alone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from ray_scenes import small_room

from roomsim.bands import OCTAVES_HZ
from roomsim.engines import ray_walks, rays, wave, wave_patches
from roomsim.engines.hybrid import Options, simulate
from roomsim.loudspeaker.channels import Loudspeaker, PlacedDriver
from roomsim.loudspeaker.drivers import Omni, Piston
from roomsim.loudspeaker.filters import Filter
from roomsim.room.furnishing import Patch
from roomsim.room.materials import material
from roomsim.scene import PlacedLoudspeaker, Scene

SEATS = np.array([[2.6, 1.6, 1.2], [3.0, 2.4, 1.1]])
BANDS = OCTAVES_HZ[2:6]
FREQUENCY = np.array([60.0, 150.0, 300.0, 500.0, 1000.0, 4000.0])


def bar(*channels: tuple[str, float, float], driver=None) -> Loudspeaker:
    """A bar of one driver per channel at (name, y, gain)."""
    driver = driver or Omni(name="point")
    return Loudspeaker(
        name="bar", width_m=1.2, height_m=0.1, depth_m=0.1, mounting="free",
        channels={
            name: (PlacedDriver(name="point", directivity=driver, position_m=np.array([0, y, 0.0]),
                                filter=Filter(gain_db=gain)),)
            for name, y, gain in channels
        },
    )


def placed(room, loudspeaker) -> Scene:
    at = PlacedLoudspeaker(loudspeaker=loudspeaker, position_m=np.array([0.3, 2.0, 0.8]), wall="front", gap_m=0.2)
    return Scene(room=room, loudspeakers=(at,), listeners_m=SEATS)


def patched():
    room = small_room(scattering=0.2)
    rug = Patch(face="floor", material=material("heavy carpet on underlay"), from_m=(1.0, 1.0), to_m=(2.5, 2.5))
    return dataclasses.replace(room, patches=(rug,))


def forgotten() -> None:
    ray_walks._RECENT.kept = None
    wave._RECENT.roots = None


@pytest.fixture(autouse=True)
def forget():
    """Nothing is remembered from another test."""
    forgotten()


def test_channels_side_by_side_send_the_late_sound_of_each_alone() -> None:
    # A channel of a bar starts its rays at the bar's middle; alone it starts at its own place, 0.4 m aside. Late
    # energy of the two agrees within 0.33 dB: 20,000 rays know each band to about 3 %, and the place is not the same.
    room = small_room(scattering=0.3)
    both = rays.trace_rays(placed(room, bar(("left", -0.4, 0), ("right", 0.4, -6))), BANDS, rays=20_000, seed=1)
    for k, (y, gain) in enumerate(((-0.4, 0), (0.4, -6))):
        alone = rays.trace_rays(placed(room, bar(("it", y, gain))), BANDS, rays=20_000, seed=7)
        assert not np.array_equal(alone.scattered[0], both.scattered[k])
        late = [part.energy[row][..., 100:].sum(axis=(0, -1)) for part, row in ((both, k), (alone, 0))]
        assert late[0] == pytest.approx(late[1], rel=0.08)
        assert both.ledger.emitted[k] == pytest.approx(alone.ledger.emitted[0], rel=1e-3)
    # Twice the channel with 6 dB less is a quarter of it at every bin: they share their rays.
    twin = rays.trace_rays(placed(room, bar(("a", 0.2, 0), ("b", 0.2, -20 * np.log10(2)))), BANDS, rays=500, seed=1)
    assert twin.energy[1] == pytest.approx(twin.energy[0] / 4, rel=1e-12)


def test_channels_far_apart_start_where_they_are() -> None:
    room = small_room(scattering=0.3)
    part = rays.trace_rays(placed(room, bar(("left", -0.9, 0), ("right", 0.9, 0))), BANDS, rays=100, seed=1)
    for k, y in enumerate((-0.9, 0.9)):
        distance = np.linalg.norm(SEATS - np.array([0.3, 2.0 + y, 0.8]), axis=1)
        assert part.direct_s[k] == pytest.approx(distance / room.air.speed_m_s)


def test_a_second_design_in_a_room_uses_its_transfers_and_gets_what_it_would_alone(monkeypatch) -> None:
    found: list[str] = []

    def counted(name):
        real = getattr(ray_walks, name)

        def run(*arguments):
            found.append(name)
            return real(*arguments)

        monkeypatch.setattr(ray_walks, name, run)

    counted("room_transfer")
    counted("listener_transfer")
    room = patched()
    first = placed(room, bar(("left", -0.4, 0), ("right", 0.4, 0)))
    second = placed(room, bar(("left", -0.3, 3), ("right", 0.3, 0), driver=Piston(name="p", radius_m=0.03)))
    options = Options(rays=600)
    simulate(first, FREQUENCY, options)
    after = simulate(second, FREQUENCY, options)
    assert found == ["room_transfer", "listener_transfer"]               # once each
    moved = dataclasses.replace(second, listeners_m=SEATS + 0.05)
    simulate(moved, FREQUENCY, options)
    assert found == ["room_transfer", "listener_transfer", "listener_transfer"]
    forgotten()
    alone = simulate(second, FREQUENCY, options)
    for name in ("direct", "early", "late", "scattered", "wave", "energy", "late_noise_db"):
        assert getattr(after, name).tobytes() == getattr(alone, name).tobytes(), name     # bit for bit


def test_a_moved_seat_room_or_place_is_found_anew() -> None:
    room = small_room(scattering=0.3)
    scenes = [placed(room, bar(("it", 0, 0)))]
    scenes.append(dataclasses.replace(scenes[0], listeners_m=SEATS + 0.01))
    scenes.append(dataclasses.replace(scenes[0], room=small_room(scattering=0.35)))
    at = dataclasses.replace(scenes[0].loudspeakers[0], position_m=np.array([0.35, 2.0, 0.8]))
    scenes.append(dataclasses.replace(scenes[0], loudspeakers=(at,)))
    before = rays.trace_rays(scenes[0], BANDS, rays=100, seed=1).energy
    for one in scenes[1:]:
        rays.trace_rays(scenes[0], BANDS, rays=100, seed=1)
        after = rays.trace_rays(one, BANDS, rays=100, seed=1).energy
        forgotten()
        assert np.array_equal(rays.trace_rays(one, BANDS, rays=100, seed=1).energy, after)
        assert not np.array_equal(before, after)


def test_what_finds_no_room_is_worked_out_again_and_is_the_same(monkeypatch) -> None:
    room = patched()
    one = placed(room, bar(("left", -0.4, 0), ("right", 0.4, 0)))
    options = Options(rays=600)
    whole = [simulate(one, FREQUENCY, options) for _ in range(2)]
    forgotten()
    monkeypatch.setattr(wave_patches, "MOST_HELD_BYTES", 0)
    bare = [simulate(one, FREQUENCY, options) for _ in range(2)]
    for name in ("late", "scattered", "wave", "energy"):
        assert len({getattr(r, name).tobytes() for r in (*whole, *bare)}) == 1
