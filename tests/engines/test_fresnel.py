"""Weights of finite mirrors: against Kirchhoff's integral, the half plane, the infinite plane, and each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from independent.kirchhoff_plate import weight
from scipy.integrate import quad
from scipy.special import fresnel

from roomsim.engines.fresnel import rectangle_weights
from roomsim.engines.fresnel_kernels import wedge

C = 343.0
HZ = np.array([100.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0])
K = 2 * np.pi * HZ / C

# source, receiver (u, v, height), rectangle (low, high)
PLATES = {
    "normal incidence, centre": ((0, 0, 1.0), (0, 0, 2.0), (-0.5, -0.5), (0.5, 0.5)),
    "oblique along a side": ((0, 0, 1.0), (3.0, 0, 1.2), (0.5, -0.5), (2.0, 0.6)),
    "oblique along the diagonal": ((0, 0, 1.0), (2.0, 2.2, 1.2), (0.3, 0.4), (1.6, 1.7)),
    "just outside a corner": ((0, 0, 1.0), (2.0, 2.2, 1.2), (1.0, 0.9), (2.6, 2.7)),
    "outside a side": ((0, 0, 1.0), (2.0, 2.2, 1.2), (1.5, 0.2), (3.0, 1.2)),
    "on an edge": ((0, 0, 1.0), (3.0, 0.5, 1.0), (1.5, -1), (3.0, 1)),
    "a rug of 2.4 by 3 m": ((0.2, 0, 0.75), (3.0, 0.5, 1.1), (0.5, -1.5), (2.9, 1.5)),
    "bench top 5 cm below, reflection beyond its front": ((0, 0, 0.05), (3.0, 0.3, 0.4), (-0.3, -0.7), (0.1, 0.7)),
    "bench top 5 cm below, reflection on it": ((0, 0, 0.05), (3.0, 0.3, 0.4), (-0.3, -0.7), (0.6, 0.7)),
    "bench top 10 cm below": ((0, 0.3, 0.10), (3.0, 0.3, 0.45), (-0.3, -0.7), (0.3, 0.7)),
    "screen above, 8 cm behind": ((0, -0.4, 0.08), (0.3, 0.3, 3), (-0.6, 0.05), (0.6, 0.7)),
    "screen behind": ((0, 0.4, 0.08), (0.3, 0.3, 3), (-0.6, 0.05), (0.6, 0.7)),
}


@pytest.mark.parametrize("name", list(PLATES))
def test_echo_of_a_rigid_rectangle_is_kirchhoffs_integral(name: str) -> None:
    """By quadrature. The uniform approximation was found to leave 0.050 at 100 Hz (the rug) and 0.021 from 500 Hz on
    (0.2 dB of an echo that counts); a tenth is added for other compilers' rounding."""
    source, receiver, low, high = PLATES[name]
    found = rectangle_weights(K, source, receiver, low, high)[0]
    expected = np.array([weight(k, source, receiver, low, high) for k in K])
    assert np.abs(found - expected).max() < 0.055
    assert np.abs(found - expected)[HZ >= 500].max() < 0.023


def test_the_quadrature_has_converged() -> None:
    source, receiver, low, high = PLATES["bench top 5 cm below, reflection on it"]
    for k in K[[0, 3]]:
        assert abs(weight(k, source, receiver, low, high) - weight(k, source, receiver, low, high, 2.0)) < 1e-6


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_any_rectangle_is_near_kirchhoffs_integral(seed: int) -> None:
    """Anywhere in a living room, 800 Hz: 0.003 of an infinite mirror in the mean of 3000 draws, 0.021 at worst."""
    rng = np.random.default_rng(seed)
    source = (*rng.uniform(-2, 2, 2), rng.uniform(0.1, 1.5))
    receiver = (*rng.uniform(-2, 2, 2), rng.uniform(0.3, 2.0))
    low = rng.uniform(-2, 1.5, 2)
    high = low + rng.uniform(0.2, 2.5, 2)
    k = 2 * np.pi * 800 / C
    found = rectangle_weights(k, source, receiver, low, high)[0, 0]
    assert abs(found - weight(k, source, receiver, low, high)) < 0.03


def test_second_order_integral_is_owens_function() -> None:
    """T(h, a) at h² = jκ by adaptive quadrature, small and large κ and a."""
    rng = np.random.default_rng(0)
    for _ in range(200):
        kappa, a = 10 ** rng.uniform(-3, 2), 10 ** rng.uniform(-1.5, 1.5)
        a = min(a, np.sqrt(400 / kappa))
        parts = [
            quad(lambda t, g=g, kappa=kappa: g(0.5 * kappa * (1 + t * t)) / (1 + t * t), 0, min(a, 1), limit=400)[0]
            for g in (np.cos, lambda x: -np.sin(x))
        ]
        if a > 1:       # from 1 to a in the substitution x = 1/t², where the integrand is calm
            parts = [
                part + quad(lambda x, g=g, kappa=kappa: g(0.5 * kappa * (1 + x)) / (2 * (1 + x) * np.sqrt(x)),
                            1, a * a, limit=2000)[0]
                for part, g in zip(parts, (np.cos, lambda x: -np.sin(x)), strict=True)
            ]
        assert abs(wedge(kappa, kappa * a * a) - complex(*parts) / (2 * np.pi)) < 2e-5


def test_a_long_edge_is_the_fresnel_integral_of_a_half_plane() -> None:
    """w = ½ + (1 + j)/2 [C(v) - jS(v)], v = ±2 √(detour/λ), near the edge, where Kirchhoff's amplitude is 1."""
    source, receiver = np.array([0, 0, 1.5]), np.array([0, 0, 2.0])
    k = 2 * np.pi * 3000 / C
    for x in (-0.1, -0.03, 0.0, 0.02, 0.08):
        found = rectangle_weights(k, source, receiver, (x, -200), (400, 200))[0, 0]
        detour = np.hypot(x, 1.5) + np.hypot(x, 2.0) - 3.5
        s, c = fresnel(np.sign(-x) * 2 * np.sqrt(detour * k / (2 * np.pi)))
        assert found == pytest.approx(0.5 + (1 + 1j) / 2 * (c - 1j * s), abs=5e-3)


def test_a_growing_plate_goes_to_the_infinite_plane() -> None:
    source, receiver = (0, 0, 0.8), (2.5, 1.0, 1.1)
    away = [np.abs(rectangle_weights(K, source, receiver, (-s, -s), (s + 1, s + 1))[0] - 1) for s in (3, 30, 300, 3000)]
    assert away[0].max() > 0.02
    assert np.all(np.diff([a.max() for a in away]) < 0)
    assert away[-1].max() < 2e-3


def test_a_vanishing_plate_sends_nothing_back() -> None:
    """In proportion to its area."""
    source, receiver = (0, 0, 0.8), (2.5, 1.0, 1.1)
    w = [abs(rectangle_weights(K[2], source, receiver, (1, 0.4), (1 + s, 0.4 + s))[0, 0]) for s in (0.1, 0.05, 0.025)]
    assert w[0] < 0.05
    assert w[0] / w[1] == pytest.approx(4, rel=0.1)
    assert w[1] / w[2] == pytest.approx(4, rel=0.1)


@given(st.floats(-3, 3), st.floats(-3, 3), st.floats(0.05, 2.0))
@settings(max_examples=50, deadline=None)
def test_rectangles_that_tile_one_add_up_to_it(u: float, v: float, height: float) -> None:
    """Cut in four anywhere, the weights are those of the whole: no path is counted twice or lost."""
    source, receiver = (0.2, -0.3, height), (1.9, 1.1, 1.3)
    whole = rectangle_weights(K, source, receiver, (-3, -3), (3, 3))
    cuts = [(-3.0, u, 3.0), (-3.0, v, 3.0)]
    parts = sum(
        rectangle_weights(K, source, receiver, (cuts[0][i], cuts[1][j]), (cuts[0][i + 1], cuts[1][j + 1]))
        for i in range(2) for j in range(2)
    )
    assert np.abs(parts - whole).max() < 5e-5


def test_source_and_receiver_change_places() -> None:
    for source, receiver, low, high in PLATES.values():
        there, back = (rectangle_weights(K, a, b, low, high) for a, b in ((source, receiver), (receiver, source)))
        assert np.abs(there - back).max() < 1e-10


def test_moving_through_the_point_of_reflection_is_smooth() -> None:
    """Steps of 1 cm at 2 kHz: never more than a radian's worth of change, never a kink."""
    source, receiver = (0, 0, 0.8), (2.5, 1.0, 1.1)
    x = np.arange(-1.0, 3.0, 0.01)
    w = np.array([rectangle_weights(K[4], source, receiver, (s, -0.2), (s + 0.8, 0.9))[0, 0] for s in x])
    assert np.abs(w).min() < 0.1 and np.abs(w).max() > 0.9
    assert np.abs(np.diff(w)).max() < 0.06
    assert np.abs(np.diff(w, 2)).max() < 0.02


def test_faded_edges_leave_the_geometric_echo() -> None:
    source, receiver = (0, 0, 1.0), (2.0, 0.3, 1.0)
    inside, outside = ((0, -1), (2, 1)), ((2, -1), (4, 1))
    for (low, high), geometric in ((inside, 1), (outside, 0)):
        kept = rectangle_weights(K, source, receiver, low, high)
        faded = rectangle_weights(K, source, receiver, low, high, (8, 12))
        assert np.abs(faded[0, -1] - geometric) == 0
        assert np.abs(kept[0, -1] - geometric) > 1e-3
        assert np.abs(faded[0, 0] - kept[0, 0]) < 1e-12
