"""Echo and shade of free rigid plates: a boundary-element solution, Sommerfeld's half plane, limits, symmetry."""

from __future__ import annotations

import numpy as np
import pytest
from independent.rigid_plate import scattered
from scipy.special import fresnel

from roomsim.engines.fresnel import plate_weights, rectangle_weights

C = 343.0

# source, receiver (u, v, height), plate; and the largest error re the larger of direct sound and echo, 700 and 1200 Hz
PLATES = {
    "bench top 5 cm below, front 10 cm ahead": ((0, 0, 0.05), (3.0, 0.3, 0.4), (-0.3, -0.5), (0.1, 0.5), 0.1),
    "bench top 5 cm below, reflection on it": ((0, 0, 0.05), (3.0, 0.3, 0.4), (-0.3, -0.5), (0.5, 0.5), 0.13),
    "bench top 10 cm below, low seat": ((0, 0.1, 0.10), (3.0, 0.3, 0.15), (-0.3, -0.3), (0.15, 0.3), 0.03),
    "bench top, seen from above": ((0, 0.1, 0.08), (2.0, 0.3, 2.7), (-0.3, -0.3), (0.15, 0.3), 0.15),
    "screen above": ((0, -0.3, 0.08), (0.3, 0.3, 3.0), (-0.3, 0.05), (0.3, 0.6), 0.06),
    "screen behind": ((0, 0.3, 0.08), (0.3, 0.3, 3.0), (-0.3, 0.05), (0.3, 0.6), 0.15),
    "side of a recess": ((0, 0.1, 0.25), (2.8, 0.2, 0.5), (-0.35, -0.15), (0.05, 0.15), 0.06),
}


def total(k, source, receiver, low, high):
    """Pressure by the weights, receiver on either side."""
    s, p = np.array(source, float), np.array(receiver, float)
    mirror = p * [1, 1, -1]
    straight, mirrored = (np.exp(-1j * k * r) / r for r in (np.linalg.norm(s - p), np.linalg.norm(s - mirror)))
    m, d = (w[0] for w in plate_weights(k, s, p if p[2] > 0 else mirror, low, high))
    return (1 + d) * straight + m * mirrored if p[2] > 0 else (1 - m) * straight - d * mirrored


@pytest.mark.parametrize("name", list(PLATES))
def test_against_boundary_elements(name: str) -> None:
    """The uniform theory leaves 0.05 of direct or echo in the mean; bounds per plate, found errors plus a tenth."""
    source, receiver, low, high, bound = PLATES[name]
    errors, plain = [], []
    for f in (700.0, 1200.0):
        k = 2 * np.pi * f / C
        direct = np.exp(-1j * k * np.linalg.norm(np.subtract(source, receiver))) / np.linalg.norm(
            np.subtract(source, receiver))
        expected = scattered(k, source, receiver, low, high, min(0.03, C / f / 8))
        scale = max(abs(expected), abs(direct))
        found = total(np.array([k]), source, receiver, low, high)[0] - direct
        errors.append(abs(found - expected) / scale)
        r = np.linalg.norm(np.subtract(source, np.multiply(receiver, [1, 1, -1])))
        echo = rectangle_weights(k, source, receiver, low, high)[0, 0] * np.exp(-1j * k * r) / r
        plain.append(abs(echo - expected) / scale)
    assert max(errors) < bound
    if "low seat" in name:      # Kirchhoff's echo alone would be 2 dB wrong for a bar on its bench
        assert min(plain) > 0.2


def test_boundary_elements_have_converged() -> None:
    source, receiver, low, high, _ = PLATES["bench top 5 cm below, front 10 cm ahead"]
    k = 2 * np.pi * 1200 / C
    one, two = (scattered(k, source, receiver, low, high, width) for width in (0.036, 0.028))
    assert abs(one - two) < 0.004


def test_a_half_plane_is_sommerfelds() -> None:
    """Far from all but one edge and from source and receiver: two Fresnel integrals, exact for plane waves."""
    k = np.array([2 * np.pi * 1500 / C])
    for height in (3.0, -3.0):
        for x in (-4.0, 2.0, 9.0):
            source, receiver = np.array([-4.0, 0, 30.0]), np.array([x, 0, height])
            found = total(k, source, receiver, (-4000, -4000), (0, 4000))[0]
            way = np.hypot(4, 30) + np.hypot(x, height)
            expected = 0
            for z in (30.0, -30.0):
                r = np.hypot(x + 4, height - z)
                # lit where the straight line from source or image clears or meets the plate
                at = -4 + (x + 4) * 30 / (30 + abs(height))
                lit = (height > 0 or at > 0) if z > 0 else (height > 0 and at < 0)
                s, c = fresnel((1 if lit else -1) * 2 * np.sqrt((way - r) * k[0] / (2 * np.pi)))
                part = 0.5 + (1 + 1j) / 2 * (c - 1j * s)
                expected += part * np.exp(-1j * k[0] * r) / r
            assert abs(found - expected) * 30 < 0.03


def test_a_large_plate_mirrors_and_shades() -> None:
    k = 2 * np.pi * np.array([500.0, 2000.0]) / C
    source = (0.0, 0.0, 0.4)
    above, below = (2.0, 0.3, 1.1), (2.0, 0.3, -1.1)
    m, d = plate_weights(k, source, above, (-400, -400), (400, 400))
    assert np.abs(m - 1).max() < 0.01 and np.abs(d).max() < 0.01
    assert np.abs(total(k, source, below, (-400, -400), (400, 400))).max() < 0.01 / 2


def test_pressure_is_continuous_beside_the_plate() -> None:
    """Across its plane, at a seat beyond the bench's front: the echo does not jump into the shade."""
    k = 2 * np.pi * np.array([500.0, 1000.0, 4000.0]) / C
    over, under = (total(k, (0, 0, 0.06), (2.5, 0.4, z), (-0.3, -0.6), (0.12, 0.6)) for z in (0.004, -0.004))
    assert np.abs(over - under).max() < 0.02 * np.abs(over).min()


def test_source_and_receiver_change_places() -> None:
    k = 2 * np.pi * np.array([300.0, 1000.0, 4000.0]) / C
    for source, receiver, low, high, _ in PLATES.values():
        there, back = (plate_weights(k, a, b, low, high) for a, b in ((source, receiver), (receiver, source)))
        assert np.allclose(there[0], back[0], atol=1e-9)
        assert np.allclose(there[1], back[1], atol=1e-9)


def test_moving_the_front_edge_is_smooth() -> None:
    """A bench pulled out by steps of 5 mm under a bar, 2 kHz: second differences fall with the square of the step."""
    k = np.array([2 * np.pi * 2000 / C])
    depths = np.arange(0.02, 0.8, 0.005)
    p = np.array([total(k, (0, 0, 0.06), (2.5, 0.4, 0.4), (-0.3, -0.6), (depth, 0.6))[0] for depth in depths]) * 2.5
    fine, coarse = (np.abs(np.diff(p[::n], 2)).max() for n in (1, 2))
    assert coarse > 3 * fine
    assert np.abs(np.diff(p)).max() < 0.05
