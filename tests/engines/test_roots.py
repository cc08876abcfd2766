"""Axis eigenvalues: every root, none twice, with the right eigenfunctions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomsim.bands import analysis_grid_hz
from roomsim.engines import roots
from roomsim.engines.roots import axis_modes, axis_roots, matrix_roots

GRID_K = 2 * np.pi * analysis_grid_hz(20, 1000, 12) / 343.0


def equation(q, k, beta0, beta1, length):
    """(q² + k²β0β1) sin qL - jkq(β0 + β1) cos qL as printed in [morse-ingard1968], over its largest term."""
    left = (q**2 + k**2 * beta0 * beta1) * np.sin(q * length)
    right = 1j * k * q * (beta0 + beta1) * np.cos(q * length)
    return np.abs(left - right) / (np.abs(q) ** 2 + k**2 * np.abs(beta0 * beta1)) / np.exp(np.abs(q.imag) * length)


def count_in_strip(k, beta0, beta1, length, edge, height):
    """Zeros of the printed equation with 0 < Re q < edge, |Im q| < height: its argument on a fine contour.

    Independent of the engine's own count (another function, contour and step); a small piece about q = 0, where
    the equation vanishes without a mode, is left out, and a zero beside it is looked for apart.
    """
    low = 0.02
    corners = [low - 1j * height, edge - 1j * height, edge + 1j * height, low + 1j * height]
    points = []
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        points.append(a + (b - a) * np.linspace(0, 1, 40000, endpoint=False))
    q = np.concatenate(points)
    grow = np.exp(-np.abs(q.imag) * length)           # scales without turning
    value = ((q**2 + k**2 * beta0 * beta1) * np.sin(q * length)
             - 1j * k * q * (beta0 + beta1) * np.cos(q * length)) * grow
    turns = np.angle(np.roll(value, -1) / value)
    assert np.abs(turns).max() < 1.5
    return round(turns.sum() / (2 * np.pi))


def passive(magnitude, phase):
    return magnitude * np.exp(1j * phase)


admittances = st.builds(passive, st.floats(0.001, 1.0), st.floats(-1.5, 1.5))


@settings(max_examples=30, deadline=None, derandomize=True)
@given(beta0=admittances, beta1=admittances, length=st.floats(1.5, 8.0), alike=st.booleans())
def test_roots_solve_the_equation_and_their_functions_are_orthonormal(beta0, beta1, length, alike) -> None:
    """∫ φ_m φ_n dx = δ_mn by Gauss quadrature: a double or wrong root would break it at once.

    Walls alike put the roots of two bound waves closer than rounding. Tolerance: eigenfunctions near a double
    root are large and cancel, which costs digits of the 1e-16.
    """
    if alike:
        beta1 = beta0
    count = 24
    modes = axis_modes(GRID_K, beta0, beta1, length, count)
    x, weight = np.polynomial.legendre.leggauss(240)
    x, weight = (x + 1) * length / 2, weight * length / 2
    for f in (0, GRID_K.size // 2, -1):
        q = modes.q[f]
        assert equation(q, GRID_K[f], beta0, beta1, length).max() < 1e-9
        phi = modes.at(x)[:, f, :]
        gram = np.einsum("x,xm,xn->mn", weight, phi, phi)
        size = np.einsum("x,xm->m", weight, np.abs(phi) ** 2)
        assert np.abs(gram - np.eye(count)).max() < 1e-9 * size.max()
        assert np.all(np.diff((q**2).real) >= 0) and np.all(q.imag >= 0)


@pytest.mark.parametrize("seed", range(12))
def test_count_of_roots_agrees_with_the_argument_of_the_printed_equation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    length = rng.uniform(2, 7)
    beta0, beta1 = (passive(rng.uniform(0.02, 0.9), rng.uniform(-1.4, 1.4)) for _ in range(2))
    k = 2 * np.pi * rng.uniform(100, 1000) / 343.0
    q = axis_roots([*GRID_K[k > GRID_K], k], beta0, beta1, length, 40)[-1]
    q = np.where(q.real < 0, -q, q)       # the strip holds one of each pair ±q
    middle = np.sort(q.real)
    gap = np.argmax(np.diff(middle[18:24])) + 18
    edge = (middle[gap] + middle[gap + 1]) / 2
    height = np.abs(q.imag).max() * 1.5 + 2.0
    assert np.all(q.real > 0.03)
    assert count_in_strip(k, beta0, beta1, length, edge, height) == np.count_nonzero(q.real < edge)


def test_walls_that_bind_a_wave_at_both_ends_keep_both_roots() -> None:
    """Stiff walls (Im β > 0) bind a wave each at q = kβ; alike and 5 m apart, the two differ by under 1e-16."""
    k, beta, length = 18.0, 0.5 + 0.5j, 5.0
    modes = axis_modes(k, beta, beta, length, 30)
    bound = np.abs(modes.q[0] - k * beta) < 1e-3
    assert np.count_nonzero(bound) == 2
    x, weight = np.polynomial.legendre.leggauss(300)
    phi = modes.at((x + 1) * length / 2)[:, 0, :]
    gram = np.einsum("x,xm,xn->mn", weight * length / 2, phi, phi)
    assert np.abs(gram - np.eye(30)).max() < 1e-10


def test_rigid_axis() -> None:
    modes = axis_modes(GRID_K, 0, 0, 4.0, 10)
    assert np.allclose(modes.q, np.arange(10) * np.pi / 4, rtol=1e-14)
    x = np.linspace(0, 4, 9)
    n = np.arange(10)
    expected = np.where(n == 0, np.sqrt(1 / 4), np.sqrt(2 / 4)) * np.cos(np.outer(x, n) * np.pi / 4)
    assert np.abs(np.abs(modes.at(x)[:, 0, :]) - np.abs(expected)).max() < 1e-12


def test_one_dimensional_green_function_is_the_sum_over_the_modes() -> None:
    """Closed form of the tube with two impedances against its mode sum: fails by percents if one mode lacks.

    The sum's tail falls as 1/n: 4000 modes leave about L/(π² 4000) of 1/k, hence the tolerance.
    """
    length, k, beta0, beta1 = 3.7, 9.3, 0.3 + 0.25j, 0.55 - 0.2j
    x0, x = 0.4, 2.9
    modes = axis_modes(k, beta0, beta1, length, 4000)
    phi = modes.at([x0, x])[:, 0, :]
    total = np.sum(phi[0] * phi[1] / (modes.q[0] ** 2 - k**2))
    r0, r1 = (1 - beta0) / (1 + beta0), (1 - beta1) / (1 + beta1)
    e = lambda d: np.exp(-1j * k * d)  # noqa: E731
    closed = (e(x - x0) + r0 * e(x + x0) + r1 * e(2 * length - x - x0) + r0 * r1 * e(2 * length - x + x0)) / (
        2j * k * (1 - r0 * r1 * e(2 * length)))
    assert abs(total - closed) < 1e-4 * abs(closed)


def test_following_and_matrix_give_the_same_roots() -> None:
    rng = np.random.default_rng(7)
    for _ in range(10):
        beta0, beta1 = (passive(rng.uniform(0.05, 0.9), rng.uniform(-1.4, 1.4)) for _ in range(2))
        q = axis_roots(GRID_K, beta0, beta1, 4.4, 12)[-1]
        z = matrix_roots(GRID_K[-1] * beta0, GRID_K[-1] * beta1, 4.4, 40)[:12]
        # unpolished matrix values: 40 roots' worth of polynomials resolve the lowest 12 to about 1e-8
        assert np.abs(q**2 - z).max() < 1e-6 * np.abs(z).max()


def test_any_order_and_spacing_of_frequencies() -> None:
    beta0, beta1 = 0.5 + 0.4j, 0.3 - 0.3j
    fine = axis_roots(GRID_K, beta0, beta1, 5.0, 25)
    some = np.array([GRID_K.size - 1, 3, 30, 0])
    assert np.allclose(axis_roots(GRID_K[some], beta0, beta1, 5.0, 25), fine[some], rtol=1e-9)


def test_a_lost_root_is_noticed(monkeypatch) -> None:
    """Starts that lead two Newton runs into one root must not pass; the matrix then finds all."""
    from roomsim.engines import wave_kernels as kernels

    k, beta, length, low = 12.0, 0.3 + 0j, 5.0, 12
    right = axis_roots(np.array([k]), beta, beta, length, low)[0] ** 2
    z, taken = np.empty(low, complex), np.empty(low, bool)
    assert kernels.settle(z, right, k * beta, k * beta, length, low, taken)
    wrong = right.copy()
    wrong[3] = right[4] * 1.001
    assert not kernels.settle(z, wrong, k * beta, k * beta, length, low, taken)
    called = []
    matrix = roots.matrix_roots
    monkeypatch.setattr(roots, "matrix_roots", lambda *a: called.append(a) or matrix(*a))
    lone = axis_roots(np.array([60.0]), 0.5 + 0.5j, 0.6, length, 30)[0]
    assert called and equation(lone, 60.0, 0.5 + 0.5j, 0.6, length).max() < 1e-9
