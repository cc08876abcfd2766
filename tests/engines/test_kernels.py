"""Compiled loops and node plans of the image engine against plain numpy."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomsim.bands import OCTAVE, analysis_grid_hz
from roomsim.engines import compiled, kernels
from roomsim.engines.nodes import coarsest_steps, cubic_error, lattice_hz, lattice_position, plan_nodes

RNG = np.random.default_rng(11)
LOG_GRID = analysis_grid_hz()


def summed(plan, gain_at_nodes, turns):
    """Σ g(f) exp(-2πj f·turns) through the kernels, in the order of the grid."""
    gain = np.stack([gain_at_nodes.real, gain_at_nodes.imag]).astype(np.float32)
    cubic = np.zeros((8, gain.shape[1]), np.float32)
    out = np.zeros((2, plan.slot_hz.size), np.float32)
    parts = np.empty((4, plan.slot_hz.size), np.float32)
    kernels._split_frequencies(parts, np.stack([plan.slot_hz, plan.slot_weight]))
    kernels._cubic_pieces(cubic, gain)
    kernels._add_layers(out, cubic, plan.layers, parts, turns)
    kernels._add_runs(out, cubic, plan.runs, parts, turns)
    return (out[0] + 1j * out[1])[plan.slot_of]


@pytest.mark.parametrize("spacing", [8, 4, 2, 1])
@pytest.mark.parametrize("turns", [1e-4, 0.011, 0.0931, 1.3])
def test_phase_and_interpolation_of_a_path(spacing, turns):
    # A gain that is a cubic in log f is met exactly, so what is left is the phase: Chebyshev series cut at 1e-7 (sine)
    # and 8e-7 (cosine), and single precision: 6e-8 of terms of up to 5, hence 2e-6 of the gain. Over a wall 446 m
    # away the rest of the product is of up to 10 turns, and 6e-8 of those 4e-6 rad; taken whole it would be wrong by
    # 5e-3.
    plan = plan_nodes(LOG_GRID, spacing)

    def gain(f):
        u = np.log10(f / 1000)
        return (0.3 + u - 0.4 * u**2 + 0.1 * u**3) + 1j * (1 - 0.2 * u + 0.3 * u**3)

    exact = gain(LOG_GRID) * np.exp(-2j * np.pi * LOG_GRID * turns)
    limit = 2e-6 if turns < 1 else 6e-6
    assert np.max(np.abs(summed(plan, gain(plan.node_hz), turns) - exact) / np.abs(gain(LOG_GRID))) < limit


@settings(max_examples=40, deadline=None)
@given(
    f=st.lists(st.floats(0, 24000), min_size=1, max_size=60),
    dense=st.sampled_from([0, 40, 700]),
    steps=st.lists(st.sampled_from([8, 4, 2, 1]), min_size=30, max_size=30),
)
def test_every_frequency_finds_its_slot(f, dense, steps):
    f = np.concatenate([f, np.linspace(400, 3000, dense)])
    plan = plan_nodes(f, lambda octave: steps[octave % 30])
    assert np.array_equal(plan.slot_hz[plan.slot_of], f)
    assert np.unique(plan.slot_of).size == f.size
    assert np.all((plan.slot_weight >= 0) & (plan.slot_weight < 1))
    # log f itself as the gain comes back: each frequency lies between the nodes of its cell.
    back = summed(plan, np.log(plan.node_hz).astype(complex), 0.0).real
    np.testing.assert_allclose(back, np.log(np.maximum(f, 1.0)), atol=2e-5)      # 8e-7 of ln 24000 is 8e-6


def test_layers_and_runs_of_a_dense_linear_grid():
    f = np.arange(0, 20000, 2.5)
    plan = plan_nodes(f)
    assert len(plan.runs) > 10 and len(plan.layers)
    assert plan.slot_hz.size < 1.2 * f.size            # padding does not grow with the grid
    exact = np.exp(-2j * np.pi * f * 0.03)
    assert np.max(np.abs(summed(plan, np.ones(plan.node_hz.size, complex), 0.03) - exact)) < 1e-6


def test_the_analysis_grid_fills_its_cells():
    # 48 points per octave over nodes 1/6 octave apart: eight a cell, 481 frequencies in little more than 481 slots.
    plan = plan_nodes(LOG_GRID)
    assert plan.layers.shape == (1, 4) and plan.layers[0, 2] == 8 and not len(plan.runs)
    assert plan.slot_hz.size <= 512


def test_error_of_a_spacing_is_what_interpolation_leaves():
    lattice = lattice_hz(np.arange(-96, 97))
    assert lattice_position(lattice) == pytest.approx(np.arange(-96, 97), abs=0)
    wave = np.exp(1j * 9 * np.log(lattice))
    for step in (8, 4, 2):
        found = np.abs(cubic_error(wave, step))
        # Cubic through four points: h^4 f'''' / 24 · 9/16 at mid-cell [closed form of Lagrange's remainder].
        h = step / 48 * np.log(OCTAVE)
        assert found.max() == pytest.approx(9**4 * h**4 * 9 / 16 / 24, rel=0.25)
    assert np.array_equal(cubic_error(wave, 1), np.zeros_like(wave))


def test_spacing_is_the_coarsest_that_holds_and_does_not_fray():
    n = 48 * 6
    octave = np.arange(n) // 48
    need = np.array([8, 8, 4, 8, 2, 8])[octave]
    errors = {step: np.where(need < step, 1.0, 0.0) for step in (8, 4, 2)}
    assert coarsest_steps(errors, 0, 0.5) == {0: 8, 1: 8, 2: 4, 3: 4, 4: 2, 5: 8}


def test_pattern_rows_are_cubics():
    n, columns = 24, 7
    table = RNG.normal(size=(60, 2, n)).astype(np.float32)
    weight = np.empty(8, np.float32)
    for t, u in ((0.0, 0.0), (0.3, 0.8), (0.999, 0.5)):
        kernels._lagrange(weight, 0, t)
        kernels._lagrange(weight, 4, u)
        nodes = np.arange(-1, 3)
        for power in range(4):       # exact for polynomials up to the third degree; single precision: 6e-8 of 8 at most
            assert weight[:4] @ nodes**power == pytest.approx(t**power, abs=1e-6)
            assert weight[4:] @ nodes**power == pytest.approx(u**power, abs=1e-6)
        gain = RNG.normal(size=(2, n)).astype(np.float32)
        g = gain[0] + 1j * gain[1]
        rows = table[:, 0].astype(float) + 1j * table[:, 1]
        axial, spherical = gain.copy(), gain.copy()
        kernels._times_axial(axial, table, 5, weight)
        np.testing.assert_allclose(axial[0] + 1j * axial[1], g * (weight[:4] @ rows[5:9]), atol=5e-6)
        kernels._times_spherical(spherical, np.full((8, n), np.float32(3)), table, 5, columns, weight)
        square = rows[5 + columns * np.arange(4)[:, None] + np.arange(4)]
        expected = g * np.einsum("a,b,abn->n", weight[:4], weight[4:], square)
        np.testing.assert_allclose(spherical[0] + 1j * spherical[1], expected, atol=5e-6)


def test_boundary_loss_of_spherical_waves():
    # scipy's Faddeeva function (an independent implementation): F(w) = 1 - j√π w e^{-w²} erfc(jw). All angles that a
    # passive or springy surface gives, sizes from 0.02 to 50. The series is cut at 3e-6, the rational part at 1e-6.
    from scipy.special import wofz

    size, angle = np.exp(RNG.uniform(-4, 4, 20000)), RNG.uniform(-np.pi / 2, np.pi / 4, 20000)
    w = size * np.exp(1j * angle)
    z = w.conj()
    exact = (1 + 1j * np.sqrt(np.pi) * z * wofz(z)).conj()
    ours = np.array([kernels._boundary_loss(one) for one in w])
    assert np.max(np.abs(ours - exact) / np.maximum(np.abs(exact), 1)) < 5e-6


def test_rows_are_held_to_their_table():
    assert kernels._row(3.25, 9.0) == (0.25, 3)
    assert kernels._row(-2.0, 9.0) == (0.0, 0)
    assert kernels._row(9.0, 9.0) == (1.0, 8)
    assert kernels._row(123.0, 9.0) == (1.0, 8)


SMALL = textwrap.dedent("""
    import sys
    import numpy as np
    from box_scenes import box_room, box_scene
    from roomsim.engines.images import trace_images
    from roomsim.loudspeaker.drivers import Cap, RectangularPiston
    out = []
    for driver in (Cap(name="c", radius_m=0.03, sphere_radius_m=0.05),
                   RectangularPiston(name="r", width_m=0.06, height_m=0.02)):
        scene = box_scene(box_room((4, 3.3, 2.5), [9 + 2j, 4 - 3j, 30, 12, 60, 5]),
                          [(0.1, 1.5, 0.8), (0.1, 1.9, 0.8)], [(2.8, 1.1, 1.2)], driver, one_channel=True)
        f = np.geomspace(150, 8000, 40)
        out.append(trace_images(scene, f, max_distance_m=7.0, reflections=0).pressure)
    np.save(sys.argv[1], np.array(out))
""")


def run_small(target: Path, **environment: str) -> np.ndarray:
    here = Path(__file__).parent
    path = os.pathsep.join([str(here), str(here.parents[1]), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-c", SMALL, str(target)], capture_output=True, text=True, cwd=target.parent,
        env={**os.environ, "PYTHONPATH": path, **environment},
    )
    assert done.returncode == 0, done.stderr
    return np.load(target)


def test_compiled_and_interpreted_loops_agree(tmp_path):
    # fastmath, vectors and the order of sums change nothing beyond rounding: 2e-6 of the largest pressure is what a
    # path may have in single precision (test_phase_and_interpolation_of_a_path).
    compiled = run_small(tmp_path / "compiled.npy", NUMBA_CACHE_DIR=str(tmp_path / "cache"))
    plain = run_small(tmp_path / "plain.npy", NUMBA_DISABLE_JIT="1")
    assert np.max(np.abs(compiled - plain)) < 2e-6 * np.max(np.abs(plain))
    # A second start finds the compiled loops and gives the same bits.
    kept = {file.name for file in (tmp_path / "cache").rglob("*.nbc")}
    again = run_small(tmp_path / "again.npy", NUMBA_CACHE_DIR=str(tmp_path / "cache"))
    assert kept and kept == {file.name for file in (tmp_path / "cache").rglob("*.nbc")}
    assert again.tobytes() == compiled.tobytes()


def test_without_a_place_for_a_cache_the_loops_still_compile(monkeypatch):
    asked = []

    def refusing(**options):
        asked.append(options)
        if options.get("cache"):
            raise RuntimeError("cannot cache function: no locator available")
        return lambda function: function

    monkeypatch.setattr(compiled, "njit", refusing)
    assert compiled.jit(fastmath=True)(len) is len
    assert asked == [{"cache": True, "nogil": True, "fastmath": True}, {"nogil": True, "fastmath": True}]


def test_kernels_release_the_interpreter_lock():
    assert kernels.path_sums.targetoptions["nogil"]
