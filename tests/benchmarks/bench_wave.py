"""Cost of the wave engine in one room: `python tests/benchmarks/bench_wave.py`. Nothing is asserted.

A bar of seven drivers 0.1 m from a wall, 15 seats, 20-800 Hz at 1/48 octave, one thread. Compilation is not
counted: every job runs once before it is timed; the best of five is shown, the machine may be shared.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from engines.box_scenes import OMNI, box_room, box_scene

from roomsim.air import Air
from roomsim.bands import analysis_grid_hz
from roomsim.engines.modes import modal_decay_s, mode_table
from roomsim.engines.wave import prepare, solve_box
from roomsim.loudspeaker.drivers import Cap
from roomsim.room.geometry import box
from roomsim.room.materials import material
from roomsim.room.room import Room

ROOMS = {
    "5.5 x 4.2 x 2.5 m, constant impedances": box_room(
        (5.5, 4.2, 2.5), [12 + 3j, 30, 15 - 4j, 20, 25, 10 - 8j], Air()
    ),
}
FINISHES = {
    "the same, household finishes": (
        "plaster on brick", "window", "plasterboard on studs", "plaster on brick", "oak on joists",
        "plasterboard ceiling under joists",
    ),
    "the same, absorbing": (
        "foam panel 50 mm", "heavy curtain", "plasterboard on studs", "wool panel", "heavy carpet on underlay",
        "suspended mineral fibre ceiling",
    ),
}


def seconds(job: Callable[[], object]) -> float:
    job()
    best = np.inf
    for _ in range(5):
        start = time.perf_counter()
        job()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    f = analysis_grid_hz(20, 800)
    octaves = 1000 * 10 ** (0.3 * np.arange(-4.0, -1.0))
    rooms = dict(ROOMS)
    for name, finishes in FINISHES.items():
        geometry = box(5.5, 4.2, 2.5)
        faces = dict(zip(geometry.face_names, map(material, finishes), strict=True))
        rooms[name] = Room(name=name, geometry=geometry, materials=faces)
    drivers = [[0.1, 2.1 + 0.14 * (i - 3), 0.8] for i in range(7)]
    offsets = np.random.default_rng(0).uniform(-0.5, 0.5, (15, 3)) * [0.8, 1.2, 0.3]
    seats = np.array([3.1, 2.1, 1.1]) + offsets
    patterns = {"omnidirectional": OMNI, "cap on a sphere": Cap(name="cap", radius_m=0.03, sphere_radius_m=0.05)}
    print(f"{f.size} frequencies, 7 drivers, 15 seats; milliseconds")
    for name, room in rooms.items():
        print(name)
        roots = prepare(room, f)
        print(f"  roots of the room            {1e3 * seconds(lambda room=room: prepare(room, f)):7.1f}")
        for kind, pattern in patterns.items():
            scene = box_scene(room, drivers, seats, pattern)
            shared = seconds(lambda scene=scene, roots=roots: solve_box(scene, f, roots=roots))
            whole = seconds(lambda scene=scene: solve_box(scene, f))
            print(f"  field, {kind:20s}  {1e3 * whole:7.1f}   with the roots given {1e3 * shared:7.1f}")
        print(f"  mode table to 200 Hz         {1e3 * seconds(lambda scene=scene: mode_table(scene)):7.1f}")
        print(f"  decay of three octaves       {1e3 * seconds(lambda room=room: modal_decay_s(room, octaves)):7.1f}")
    tracemalloc.start()
    solve_box(scene, f)
    print(f"peak memory of the last scene: {tracemalloc.get_traced_memory()[1] / 1e6:.0f} MB")
    close = box_scene(room, drivers[:1], [[0.3, 1.75, 0.9]])
    print(f"one seat 0.2 m from one driver {1e3 * seconds(lambda: solve_box(close, f)):7.1f}")


if __name__ == "__main__":
    main()
