"""Cost of the image engine: `python tests/benchmarks/bench_images.py`. Nothing is asserted.

Three rooms of 33, 58 and 98 m³, a bar of seven drivers, 15 seats, 20 Hz to 20 kHz at 1/48 octave, paths to 80 ms
after the direct sound. Seconds are processor time of one thread; compilation is not counted, the best of five
runs is shown. The peer (pyroomacoustics, omnidirectional sources, image order matched to the reach, its own
building of responses at 48 kHz) runs in the same process on the middle room: with flat walls, the one case that
needs nothing of what we compute, and with walls in octave bands, real and the same at every angle.
"""

from __future__ import annotations

import argparse
import importlib.util
import time
import tracemalloc
import warnings
from collections.abc import Callable

import numpy as np

from roomsim.bands import analysis_grid_hz
from roomsim.engines.images import trace_images
from roomsim.engines.paths import Paths, make_grid
from roomsim.engines.reflections import strongest_reflections
from roomsim.loudspeaker.channels import Loudspeaker, PlacedDriver
from roomsim.loudspeaker.directivity import Directivity
from roomsim.loudspeaker.drivers import Cap, Omni, RectangularPiston
from roomsim.loudspeaker.filters import Filter
from roomsim.room.geometry import box
from roomsim.room.materials import material
from roomsim.room.room import Room
from roomsim.scene import PlacedLoudspeaker, Scene

SIZES_M = ((4.0, 3.3, 2.5), (5.5, 4.2, 2.5), (7.4, 5.1, 2.6))
FINISHES = (
    "plasterboard on studs", "plasterboard on studs", "plaster on brick", "window", "oak on joists",
    "plasterboard on studs",
)


def bar(woofer: Directivity, tweeter: Directivity) -> Loudspeaker:
    """Two two-way channels and a three-way one: seven drivers."""

    def low(y: float) -> PlacedDriver:
        return PlacedDriver(name="woofer", directivity=woofer, position_m=np.array([0, y, 0]),
                            filter=Filter(lowpass_hz=2500))

    def high(y: float) -> PlacedDriver:
        return PlacedDriver(name="tweeter", directivity=tweeter, position_m=np.array([0, y, 0]),
                            filter=Filter(highpass_hz=2500))

    return Loudspeaker(
        name="bar", width_m=1.0, height_m=0.06, depth_m=0.1, mounting="free",
        channels={
            "left": (low(-0.35), high(-0.42)), "right": (low(0.35), high(0.42)),
            "centre": (low(-0.1), low(0.1), high(0.0)),
        },
    )


def scene(size: tuple[float, float, float], speaker: Loudspeaker, finishes: tuple[str, ...] = FINISHES) -> Scene:
    """The bar 0.05 m from the front wall, 15 seats about 3 m away."""
    length, width, height = size
    geometry = box(length, width, height)
    room = Room(name="bench", geometry=geometry,
                materials=dict(zip(geometry.face_names, map(material, finishes), strict=True)))
    placed = PlacedLoudspeaker(
        loudspeaker=speaker, position_m=np.array([0.15, width / 2, 0.75]), wall="front", gap_m=0.05
    )
    offset = np.random.default_rng(1).uniform(-0.5, 0.5, (15, 3)) * [0.8, 1.2, 0.3]
    return Scene(room=room, loudspeakers=(placed,),
                 listeners_m=np.array([min(3.15, length - 1), width / 2, 1.1]) + offset)


def seconds(job: Callable[[], object], clock: Callable[[], float] = time.process_time) -> float:
    job()
    best = np.inf
    for _ in range(5):
        start = clock()
        job()
        best = min(best, clock() - start)
    return best


def peak_mb(job: Callable[[], object]) -> float:
    """Peak of what the job allocates (numpy reports its arrays) beyond what was there."""
    tracemalloc.start()
    job()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def peer_seconds(size: tuple[float, float, float], one: Scene, reach_m: float) -> dict[str, float]:
    """pyroomacoustics on the same geometry, omnidirectional: once with flat walls, once with eight octave bands."""
    import pyroomacoustics as pra

    order = int(np.ceil(reach_m / min(size))) + 1
    octaves = [62.5 * 2.0**k for k in range(8)]
    walls = {"flat walls": pra.Material(0.1),
             "walls in octaves": pra.Material({"coeffs": [0.1 + 0.02 * k for k in range(8)], "center_freqs": octaves})}

    def responses(material: object) -> None:
        peer = pra.ShoeBox(size, fs=48000, max_order=order, air_absorption=False, materials=material)
        for emitter in one.emitters:
            peer.add_source(emitter.position_m)
        peer.add_microphone_array(one.listeners_m.T)
        peer.compute_rir()

    return {f"order {order}, {label}": _once(lambda made=made: responses(made)) for label, made in walls.items()}


def _once(job: Callable[[], object]) -> float:
    start = time.process_time()
    job()
    return time.process_time() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--no-peer", action="store_true", help="leave the peer out")
    arguments = parser.parse_args()
    warnings.simplefilter("ignore")
    f = analysis_grid_hz()
    cones = bar(Cap(name="woofer", radius_m=0.03, sphere_radius_m=0.06),
                Cap(name="tweeter", radius_m=0.0125, sphere_radius_m=0.05))
    points = bar(Omni(name="woofer"), Omni(name="tweeter"))
    slots = bar(RectangularPiston(name="woofer", width_m=0.06, height_m=0.03),
                RectangularPiston(name="tweeter", width_m=0.02, height_m=0.02))

    start = time.perf_counter()
    trace_images(scene(SIZES_M[0], cones), f)
    print(f"first call, loops compiled or read from the cache: {time.perf_counter() - start:.2f} s\n")

    print(f"{'job':44s} {'paths':>6s} {'s':>7s} {'ns*':>6s} {'MB':>5s}")
    for label, speaker in (("omnidirectional", points), ("caps on spheres", cones), ("no axis of symmetry", slots)):
        total, most = 0.0, 0.0
        for size in SIZES_M:
            one = scene(size, speaker)
            part = trace_images(one, f)
            each = seconds(lambda one=one: trace_images(one, f))
            memory = peak_mb(lambda one=one: trace_images(one, f))
            evaluated = sum(int(part.path_count[e.channel].sum()) for e in one.emitters) * f.size
            name = f"{one.room.geometry.volume_m3:.0f} m³, {label}"
            print(f"{name:44s} {part.path_count.mean():6.0f} {each:7.3f} {each / evaluated * 1e9:6.2f} {memory:5.0f}")
            total, most = total + each, max(most, memory)
        print(f"{'three rooms, ' + label:44s} {'':6s} {total:7.3f} {'':6s} {most:5.0f}\n")
    print("* per path × driver × seat × frequency, everything counted: tables, list of reflections, loops\n")

    one = scene(SIZES_M[1], cones)
    c, reach = one.room.air.speed_m_s, 30.0
    grid = make_grid(one, f)
    paths = Paths(one, grid, reach)
    lattice = np.concatenate(list(paths.blocks(2, -1.0, reach)))
    out = np.zeros((2, 3, 15, 2, grid.plan.slot_hz.size))
    counted = paths.add(2, lattice, np.ones(len(lattice), np.int32), -1.0, reach - 1.0, out).sum() * 3
    limit = np.full((3, 15), reach)
    print("parts, 58 m³")
    print(f"  node plan ({grid.plan.node_hz.size} nodes, {grid.plan.slot_hz.size} slots): "
          f"{1e3 * seconds(lambda: make_grid(one, f)):.1f} ms")

    def tables() -> None:
        Paths(one, grid, reach).arrays(2)

    def loop() -> None:
        paths.add(2, lattice, np.ones(len(lattice), np.int32), -1.0, reach - 1.0, out)

    each = seconds(loop)
    print(f"  tables of walls and air: {1e3 * seconds(tables):.1f} ms")
    print(f"  compiled loop: {each / counted * 1e6:.3f} µs per path × driver × seat, "
          f"{each / counted / f.size * 1e9:.2f} ns per frequency")
    print(f"  list of reflections: {1e3 * seconds(lambda: strongest_reflections(one, limit, (0,), 12)):.1f} ms")
    for threads in (1, 2):
        wall = seconds(lambda threads=threads: trace_images(one, f, threads=threads), time.perf_counter)
        print(f"  whole call on {threads} thread{'s' if threads > 1 else ''}: {wall:.3f} s elapsed")

    if not arguments.no_peer and importlib.util.find_spec("pyroomacoustics"):
        ours = seconds(lambda: trace_images(scene(SIZES_M[1], points), f, reflections=0))
        print("\nsame drivers, seats and reach, omnidirectional, 58 m³; processor time")
        print(f"  ours, walls of any ζ(f): {ours:.2f} s")
        for label, took in peer_seconds(SIZES_M[1], one, c * 0.08 + 3).items():
            print(f"  peer, {label}: {took:.2f} s, {took / ours:.1f} times ours")


if __name__ == "__main__":
    main()
