"""Direct, early and late sound against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.analysis.balance import balance, judge_early, with_wall_images
from roomsim.bands import OCTAVE, analysis_grid_hz
from roomsim.errors import InvalidValue

F = analysis_grid_hz(20, 20000, 48)


def test_at_the_critical_distance_direct_and_reverberant_sound_are_alike():
    # Diffuse-field theory [kuttruff2016]: a point of power P gives ρcP/(4πr²) directly and 4ρcP/A from the room;
    # they meet at r = √(A/16π), and each doubling of the distance takes 20 lg 2 dB of the direct sound.
    absorption = 14.0
    critical = np.sqrt(absorption / (16 * np.pi))
    for factor in (0.5, 1.0, 2.0, 4.0):
        direct = np.full(F.size, 1 / (4 * np.pi * (factor * critical) ** 2))
        late = np.full(F.size, 4 / absorption)
        found = balance(direct, np.zeros(F.size), late, F)
        assert found.direct_to_rest_db == pytest.approx(-20 * np.log10(factor))


@pytest.mark.parametrize("decay_s", [0.25, 0.5, 1.0])
def test_an_exponential_decay_has_the_clarity_of_its_closed_form(decay_s):
    # E(t) = exp(-13.8 t/T): C80 = 10 lg(exp(13.8·0.08/T) - 1) [kuttruff2016].
    rate = 6 * np.log(10) / decay_s
    after = np.exp(-rate * 0.08) / rate
    early = 1 / rate - after
    found = balance(np.zeros(F.size), np.full(F.size, early), np.full(F.size, after), F, fraction=1)
    assert found.early_to_late_db == pytest.approx(10 * np.log10(np.exp(rate * 0.08) - 1))


def test_bands_are_means_over_log_frequency():
    # p² ∝ f^n: its mean over a band on a log axis is f0^n (x - 1/x)/(2 ln x) with x = half a band's ratio to the n.
    for slope in (-2.0, 1.0):
        x = OCTAVE ** (slope / 6)
        found = balance(F**slope, F**0, F**0, F, low_hz=50, high_hz=10000)
        expected = found.band_hz**slope * (x - 1 / x) / (2 * np.log(x))
        # The grid's steps of 1/48 octave against the smooth curve.
        assert found.direct_db == pytest.approx(10 * np.log10(expected), abs=0.01)
        assert found.early_db == pytest.approx(0)


def test_parts_keep_their_leading_axes_and_add_up():
    rng = np.random.default_rng(3)
    parts = rng.uniform(0.1, 1, (3, 2, 5, F.size))
    found = balance(*parts, F, reference=2.0)
    assert found.direct_db.shape == (2, 5, found.band_hz.size)
    energy = [10 ** (level / 10) for level in (found.direct_db, found.early_db, found.late_db)]
    whole = balance(parts.sum(axis=0), parts[0], parts[0], F, reference=2.0)
    assert sum(energy) == pytest.approx(10 ** (whole.direct_db / 10))


def test_unlike_shapes_are_refused():
    with pytest.raises(InvalidValue, match="one shape"):
        balance(np.ones(F.size), np.ones(F.size), np.ones(F.size - 1), F)
    with pytest.raises(InvalidValue, match="one length"):
        judge_early([1.0, 2.0], [-3.0])


def test_one_mirror_by_hand():
    # Source and listener 1.2 m above a rigid floor, 2.4 m apart: the reflection travels √(2.4² + 2.4²), so it comes
    # 2.4 (√2 - 1)/c later at 1/√2 of the pressure: 2.90 ms (c = 343 m/s) and -3.01 dB.
    delay, level = 2.4 * (np.sqrt(2) - 1) / 343 * 1e3, -20 * np.log10(np.sqrt(2))
    found = judge_early([delay], [level])
    assert found.gap_ms == pytest.approx(2.898, abs=5e-4) and found.strongest_db == pytest.approx(-3.01, abs=5e-3)
    assert found.too_strong == (0,) and not found.within_recommendation


def test_what_comes_late_or_weak_breaks_nothing():
    delay, level = [3.0, 7.0, 15.0, 15.1, 40.0, 1.0], [-10.0, -9.9, -2.0, 5.0, -3.0, -21.0]
    found = judge_early(delay, level)
    assert found.too_strong == (2, 1)            # strongest first; -10 dB itself is allowed, so is 15.1 ms
    assert found.gap_ms == 3.0                   # -21 dB at 1 ms does not end the gap
    assert found.strongest_db == -2.0


def test_nothing_early_is_a_long_gap_and_no_level():
    for delay, level in (([], []), ([20.0, 5.0], [-1.0, -30.0])):
        found = judge_early(delay, level)
        assert found.gap_ms is None and found.strongest_db is None and found.within_recommendation


def test_a_reflection_keeps_its_image_in_the_wall_behind():
    # A loudspeaker 0.1 m before a rigid wall: its floor echo and that echo's wall image come 0.6 ms apart and, over a
    # few octaves, hold 3.01 dB more than one alone. A path by the back wall and the front one is no such image.
    faces = [("floor",), ("front", "floor"), ("back",), ("back", "front"), ("front", "back"),
             ("front", "left", "floor")]
    delay = [3.0, 3.6, 10.0, 10.5, 12.0, 5.0]
    kept, (level, high) = with_wall_images(faces, delay, [-6.0] * 6, [-9.0] * 6)
    assert list(kept) == [0, 2, 3, 4, 5]
    assert level == pytest.approx([-6 + 3.01, -6, -6, -6, -6], abs=0.005)
    assert high == pytest.approx(level - 3)


def test_energy_is_kept_whatever_joins():
    rng = np.random.default_rng(8)
    faces = [tuple(rng.choice(["front", "left", "floor"], rng.integers(1, 4))) for _ in range(40)]
    faces = list(dict.fromkeys(faces))
    level = rng.uniform(-20, 0, len(faces))
    kept, (joined,) = with_wall_images(faces, rng.uniform(0, 3, len(faces)), level)
    assert 0 < kept.size < len(faces)
    assert (10 ** (joined / 10)).sum() == pytest.approx((10 ** (level / 10)).sum())
    assert with_wall_images([], [], [])[0].size == 0
