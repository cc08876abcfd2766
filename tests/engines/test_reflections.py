"""The list of early reflections: complete in the first milliseconds, with the levels in both ranges."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

import image_reference
from image_scenes import Surface, driver, room, scene

from roomsim.bands import OCTAVE
from roomsim.engines.images import trace_images
from roomsim.loudspeaker.drivers import Cap, Omni
from roomsim.loudspeaker.filters import Filter

SIZE = (5.0, 4.0, 2.5)
PANEL = Surface(lambda f: 3.0 + 0.05j * f - 9000j / f, 0.05)
MIXED = {
    "front": Surface(20.0, 0.1), "back": PANEL, "left": Surface(8 + 4j), "right": Surface(12.0),
    "floor": Surface(60.0, 0.2), "ceiling": PANEL,
}
RANGES = ((-24, 48), (0, 72))      # 500 Hz to 4 kHz and 1 to 8 kHz, in twenty-fourths of an octave from 1 kHz


@pytest.fixture(scope="module")
def place():
    woofer, tweeter = Cap(name="w", radius_m=0.03, sphere_radius_m=0.06), Omni(name="t")
    channels = {"left": [driver((0, -0.35, 0.02), woofer, Filter(lowpass_hz=2500)),
                         driver((0, -0.42, 0), tweeter, Filter(highpass_hz=2500), 25, -10)]}
    return scene(room(SIZE, MIXED), channels, [(3.4, 2.3, 1.15)], at=(0.15, 2.0, 0.8), wall="front")


def by_hand(s) -> list[tuple[float, float, float]]:
    """Delay and both levels of every path to 20 ms, evaluated path by path by the tests' own reference."""
    f = 1000 * OCTAVE ** (np.arange(-24, 73) / 24)
    emitters, seat = s.channel_emitters(0), s.listeners_m[0]
    middle = np.mean([e.position_m for e in emitters], axis=0)
    straight = np.linalg.norm(middle - seat)
    direct, found = np.zeros(f.size, complex), []
    for paths in zip(*(image_reference.paths(s, e, straight + 7.5) for e in emitters), strict=True):
        p = sum(image_reference.path_pressure(s, e, q, seat, f) for e, q in zip(emitters, paths, strict=True))
        if tuple(paths[0].faces) in ((), ("front",)):
            direct = direct + p
            continue
        found.append(((np.linalg.norm(paths[0].middle_m - seat) - straight) / 343.0 * 1e3, p))

    def level(p, low, high):
        inside = slice(low + 24, high + 25)
        return 10 * np.log10(np.mean(np.abs(p[inside]) ** 2) / np.mean(np.abs(direct[inside]) ** 2))

    return [(delay, *(level(p, *one) for one in RANGES)) for delay, p in found if delay < 20]


@pytest.mark.parametrize("window_ms", [6.0, 15.0])
def test_all_that_is_loud_and_early_is_listed(place, window_ms):
    part = trace_images(place, [1000.0], hand_over_s=0.05, reflections=2, all_within_ms=window_ms)
    expected = sorted(by_hand(place), key=lambda one: -one[1])
    loud = [one for one in expected if one[0] <= window_ms and max(one[1:]) >= -20]
    assert len(loud) > 4
    listed = [(r.delay_ms, r.level_db, r.high_level_db) for r in part.reflections]
    # 1e-3 in pressure; at -20 dB re the direct sound and of the third-octave rms: 0.1 dB
    np.testing.assert_allclose([one for one in listed if one[0] <= window_ms], loud, atol=0.1)
    # The strongest are there whenever they arrive, and nothing else is.
    np.testing.assert_allclose(listed[:2], expected[:2], atol=0.1)
    assert all(one[0] <= window_ms for one in listed[2:])


def test_without_a_window_the_strongest_alone_are_listed(place):
    part = trace_images(place, [1000.0], hand_over_s=0.05, reflections=2)
    whole = trace_images(place, [1000.0], hand_over_s=0.05, reflections=2, all_within_ms=15)
    assert part.reflections == whole.reflections[:2]
