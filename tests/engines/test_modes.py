"""Modes of a box: Rayleigh's frequencies and counts, closed decays, poles of the exact field, couplings."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from engines.box_scenes import RIGID, Pattern, PlainAir, Wall, box_room, box_scene
from printed import assert_printed, published_table
from scipy.interpolate import AAA

from roomsim.air import Air
from roomsim.engines import wave
from roomsim.engines.modes import modal_decay_s, mode_table, room_modes, shaping_modes
from roomsim.engines.wave import solve_box
from roomsim.errors import InvalidValue

SPEED = 343.0


def test_first_frequencies_of_a_rigid_room() -> None:
    rows = published_table("rayleigh_box-modes")
    modes = room_modes(box_room([5, 4, 2.5], [RIGID] * 6, PlainAir(SPEED)), 130)
    found = {"".join(map(str, n)): f for n, f in zip(modes.indices, modes.frequency_hz, strict=True)}
    for row in rows:
        assert_printed({"frequency_hz": found[row["indices"]]}, row)
    assert list(np.sort(modes.frequency_hz)) == list(modes.frequency_hz)
    assert np.all(np.isinf(modes.decay_s))


def test_mode_counts_of_a_rigid_room() -> None:
    """Exact counts, and their mean estimate within the scatter stated for it (σ 1.85 modes; 3σ, 9 at 400 Hz)."""
    modes = room_modes(box_room([5, 4, 2.5], [RIGID] * 6, PlainAir(SPEED)), 400)
    for row in published_table("maa1939_mode-counts"):
        count = int(np.count_nonzero(modes.frequency_hz < float(row["frequency_hz"])))
        assert count == int(row["count"])
        assert abs(count - float(row["estimate"])) < 9


@pytest.mark.parametrize("beta", [(0.03, 0.03), (0.02, 0.3), (0.55, 0.1)])
def test_axial_decay_in_closed_form(beta) -> None:
    """Two real admittances at the ends of an else rigid box: kL = nπ + j(artanh β0 + artanh β1), q = k there."""
    room = box_room([5, 4, 2.5], [1 / beta[0], 1 / beta[1], *[RIGID] * 4], PlainAir(SPEED))
    modes = room_modes(room, 150)
    for n in (1, 2, 3):
        index = int(np.flatnonzero(np.all(modes.indices == (n, 0, 0), axis=1))[0])
        k = (n * np.pi + 1j * (np.arctanh(beta[0]) + np.arctanh(beta[1]))) / 5
        assert abs(modes.wavenumber[index] - k) < 1e-10
        decay = 6 * np.log(10) / (2 * SPEED * k.imag)
        assert modes.decay_s[index] == pytest.approx(decay, rel=1e-9)


def test_small_admittance_against_the_perturbation_formula() -> None:
    """δ = (c/2) Σ β ε_i/L_i, ε = 1 for n = 0 and 2 else, summed over walls [kuttruff2016, first order]."""
    beta, size = np.array([0.002, 0.004, 0.003, 0.001, 0.005, 0.002]), np.array([5, 4, 2.5])
    modes = room_modes(box_room(size, list(1 / beta), PlainAir(SPEED)), 180)
    weight = np.where(modes.indices == 0, 1, 2) * beta.reshape(3, 2).sum(axis=1) / size
    expected = 6 * np.log(10) / (SPEED * weight.sum(axis=1))
    assert modes.frequency_hz.size > 40
    assert np.abs(modes.decay_s / expected - 1).max() < 0.01      # second order is of the size of β


def test_air_adds_its_own_decay() -> None:
    silent, lossy = (
        room_modes(box_room([5, 4, 2.5], [40] * 6, PlainAir(SPEED, attenuation=m)), 80) for m in (0.0, 0.004)
    )
    assert np.allclose(1 / lossy.decay_s - 1 / silent.decay_s, SPEED * 0.004 / (3 * np.log(10)), rtol=1e-9)


@pytest.mark.parametrize("zetas", [[12 + 3j, 30, 15 - 4j, 20, 25, 10 - 8j], [6 - 6j, 9, 4 + 3j, 12, 5 + 5j, 8]])
def test_modes_are_the_poles_of_the_exact_field(monkeypatch, zetas) -> None:
    """A rational fit (AAA, scipy) to the field of nine pairs at real frequencies finds the same complex ones.

    The fit knows nothing of modes. The fields are carried to more digits than usual, since a pole 12 Hz from the
    real axis among its neighbours shows only in the last of them.
    """
    monkeypatch.setattr(wave, "CONVERGENCE_NP", 30.0)
    size = np.array([3.4, 2.7, 2.3])
    room = box_room(size, zetas, PlainAir(SPEED))
    f = np.linspace(10, 190, 1201)
    points = np.random.default_rng(5).uniform(0.05, 0.95, (6, 3)) * size
    responses = solve_box(box_scene(room, points[:3], points[3:]), f).reshape(-1, f.size)
    found = np.concatenate([AAA(f, response, rtol=1e-12, max_terms=110).poles() for response in responses])
    expected = room_modes(room, 125).wavenumber * SPEED / (2 * np.pi)
    assert expected.size >= 9
    assert max(np.abs(found - value).min() for value in expected) < 0.01


def test_every_mode_once_with_resonant_walls() -> None:
    """Panels whose resonance shifts the axis roots: no mode twice, and as many as the response has poles."""
    panel = Wall(lambda f: 3 + 1j * (f / 70 - 70 / f) * 4)
    room = box_room([3.4, 2.7, 2.3], [panel, 40, 30, panel, 40, 30], PlainAir(SPEED))
    modes = room_modes(room, 220)
    k = modes.wavenumber
    gap = np.abs(k[:, None] - k[None]) + np.eye(k.size) * 9
    assert gap.min() > 1e-4
    rigid = room_modes(box_room([3.4, 2.7, 2.3], [RIGID] * 6, PlainAir(SPEED)), 220)
    assert k.size >= rigid.frequency_hz.size - 4


def test_couplings_of_a_nearly_rigid_room() -> None:
    """In a rigid corner +3, +6, +9 dB; at the middle of a side the odd mode of that axis does not couple."""
    size = np.array([5, 4, 2.5])
    room = box_room(size, [3000] * 6, PlainAir(SPEED))
    corner, middle = [1e-5, 1e-5, 1e-5], [2.5, 1e-5, 1e-5]
    table = mode_table(box_scene(room, [corner, middle], [size - 1e-5]), 130)
    gain = {"axial": 3.01, "tangential": 6.02, "oblique": 9.03}
    assert {mode.kind for mode in table} == set(gain)
    for mode in table:
        assert mode.driver_db[0] == pytest.approx(gain[mode.kind], abs=0.02)
        assert mode.seats_db == pytest.approx(gain[mode.kind], abs=0.02)
        assert mode.kind == ("", "axial", "tangential", "oblique")[np.count_nonzero(mode.indices)]
        if mode.indices[0] % 2:
            assert mode.channel_db[1] < -25
        else:
            assert mode.channel_db[1] == pytest.approx(gain[mode.kind], abs=0.02)


def test_peak_of_a_lone_mode_is_the_exact_field_there() -> None:
    """The first mode of a long, lightly damped room, where nothing else rings: the field at its frequency.

    Neighbours are 25 dB down; 0.5 dB is what they leave.
    """
    room = box_room([6.0, 2.6, 2.3], [60, 60, 80, 80, 80, 80], PlainAir(SPEED))
    seats = [[5.7, 0.4, 0.5], [5.5, 2.2, 1.9]]
    bass = Pattern(lambda k, n: 0.3 * np.ones((len(n), k.size)))
    scene = box_scene(room, [[0.2, 0.5, 0.4]], seats, bass)
    mode = mode_table(scene, 60)[0]
    assert mode.indices == (1, 0, 0)
    p = solve_box(scene, [mode.frequency_hz])[0, :, 0]
    level = 10 * np.log10(np.mean(np.abs(p) ** 2) / 0.3**2)
    assert mode.peak_db[0] == pytest.approx(level, abs=0.5)


def test_channels_in_antiphase_leave_the_even_modes() -> None:
    """Two drivers of one channel, one reversed, either side of the middle: only modes odd across y sound."""
    from dataclasses import replace

    from roomsim.loudspeaker.filters import Filter

    size = np.array([5, 4, 2.5])
    room = box_room(size, [500] * 6, PlainAir(SPEED))
    scene = box_scene(room, [[0.3, 1.2, 0.4], [0.3, 2.8, 0.4]], [size * 0.93], one_channel=True)
    turned = tuple(replace(e, filter=Filter(invert=i == 1)) for i, e in enumerate(scene.emitters))
    object.__setattr__(scene, "emitters", turned)
    for mode in mode_table(scene, 100):
        strength = mode.driver_db[0]
        if mode.indices[1] % 2 == 0:
            assert mode.share_db < -40
        elif strength > -10:
            assert mode.share_db > -40


def test_shaping_modes_come_strongest_first() -> None:
    room = box_room([5, 4, 2.5], [30] * 6, Air())
    table = mode_table(box_scene(room, [[0.1, 1.7, 0.8]], [[3.2, 2.0, 1.1], [3.5, 1.6, 1.2]]))
    five = shaping_modes(table)
    assert len(five) == 5 and five[0].share_db == 0
    assert all(a.share_db >= b.share_db for a, b in pairwise(five))
    assert min(mode.share_db for mode in five) >= max(m.share_db for m in table if m not in five)
    assert table[0].indices == (1, 0, 0)


def test_a_silent_driver_is_no_number_but_nothing() -> None:
    room = box_room([5, 4, 2.5], [30] * 6)
    silent = Pattern(lambda k, n: np.zeros((len(n), k.size)))
    mode = mode_table(box_scene(room, [[0.3, 1.2, 0.9]], [[3.0, 2.1, 1.1]], silent), 60)[0]
    assert mode.channel_db == (-np.inf,) and mode.share_db == -np.inf and np.isfinite(mode.seats_db)


def test_decay_of_bands_from_equal_modes() -> None:
    """All walls alike and only axial modes damped alike: every band gives that one decay time."""
    room = box_room([5, 4, 2.5], [RIGID] * 6, PlainAir(SPEED, attenuation=13.8155 / SPEED))
    # δ = 13.8155 1/s: T = 6.9078/δ = 0.5 s (published-values: T = 0.5 s)
    assert np.allclose(modal_decay_s(room, [63.1, 125.9, 251.2]), 0.5, rtol=1e-4)
    assert np.isnan(modal_decay_s(box_room([5, 4, 2.5], [RIGID] * 6, PlainAir(SPEED)), [63.1])).all()


def octave_decay_s(response, f, mid) -> float:
    """T20 of an octave of responses on a linear grid (n_pair, n_frequency): filter, invert, integrate backwards."""
    ratio = 10**0.3
    detuning = (f / mid - mid / f) / (ratio**0.5 - ratio**-0.5)
    weight = 1 / np.sqrt(1 + detuning**6)
    spectrum = np.zeros((len(response), round(f[0] / (f[1] - f[0])) + f.size), complex)
    spectrum[:, -f.size :] = response * weight
    samples = np.fft.irfft(spectrum, n=8 * spectrum.shape[1], axis=1)
    energy = (samples**2).sum(axis=0)
    t = np.arange(energy.size) / energy.size / (f[1] - f[0])
    half = energy.size // 2
    decay = 10 * np.log10(np.cumsum(energy[:half][::-1])[::-1])
    decay -= decay[0]
    window = (decay <= -5) & (decay >= -25)
    return -60 / np.polyfit(t[:half][window], decay[window], 1)[0]


def test_decay_of_bands_against_the_exact_field() -> None:
    """Octave decays of 30 random pairs: exact field, inverted to an impulse response, integrated backwards.

    Equal mean weights of the modes against 30 sampled ones, and no cross terms: 12 % is what 30 pairs carry
    (their own scatter from seed to seed is 5 %), where Eyring's time is up to twice off.
    """
    size = np.array([4.6, 3.7, 2.5])
    room = box_room(size, [60, 25, 90, 30, 14, 40], Air())
    rng = np.random.default_rng(8)
    sources, seats = rng.uniform(0.03, 0.97, (5, 3)) * size, rng.uniform(0.03, 0.97, (6, 3)) * size
    f = np.arange(12.0, 700.0, 0.4)
    mids = 1000 * 10 ** (0.3 * np.array([-4, -3, -2]))
    field = solve_box(box_scene(room, sources, seats), f).reshape(-1, f.size)
    measured = [octave_decay_s(field, f, mid) for mid in mids]
    assert np.abs(modal_decay_s(room, mids) / measured - 1).max() < 0.12


def test_what_it_refuses() -> None:
    room = box_room([5, 4, 2.5], [30] * 6)
    with pytest.raises(InvalidValue, match="at most 1150"):
        room_modes(room, 2000)
    object.__setattr__(room.geometry, "kind", "plan")
    with pytest.raises(InvalidValue, match="box"):
        room_modes(room, 100)


def test_drivers_of_unlike_patterns_share_a_table() -> None:
    """A point and a cardioid in one channel: unlike numbers of harmonics, one table."""
    room = box_room([5.0, 4.0, 2.5], [40.0] * 6)
    points = [(0.3, 1.5, 0.7), (0.3, 2.5, 0.7)]
    scene = box_scene(room, points, [(3.0, 2.0, 1.2)], one_channel=True)
    wide = Pattern(lambda k, n: 0.5 + 0.5 * n[:, :1] * np.ones(k.size), radius_m=0.05)
    (placed,) = scene.loudspeakers
    first, second = placed.loudspeaker.channels["all"]
    speaker = replace(placed.loudspeaker, channels={"all": (first, replace(second, directivity=wide))})
    mixed = replace(scene, loudspeakers=(replace(placed, loudspeaker=speaker),))
    modes = mode_table(mixed, 100.0)
    assert modes and all(len(mode.driver_db) == 2 and np.isfinite(mode.share_db) for mode in modes)
    alone = mode_table(scene, 100.0)
    assert [mode.driver_db[0] for mode in modes] == pytest.approx([mode.driver_db[0] for mode in alone])
