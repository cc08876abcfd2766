"""Speed of the ray engine: python tests/benchmarks/bench_rays.py, with the project installed.

Box of 58 m³, 15 seats, 8 octaves, 0.6 s, 50,000 rays, one scattering coefficient for all bands and one that
rises from band to band (then the bands go their own ways); the peer library's ray tracer in the same process.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "engines"))

from ray_scenes import SIZE, SOURCE, scene, small_room

from roomsim.bands import OCTAVES_HZ
from roomsim.engines import ray_walks
from roomsim.engines.rays import trace_rays

SEATS = np.array([3.0, 1.2, 0.8]) + np.random.default_rng(0).random((15, 3)) * [1.5, 2, 1]


def best(run, repeats=3):
    times = []
    for _ in range(repeats):
        ray_walks._RECENT.kept = None                                    # or what the run before found is used
        start, busy = time.perf_counter(), time.process_time()
        run()
        times.append((time.perf_counter() - start, time.process_time() - busy))
    return "{:.2f} s, processor {:.2f} s".format(*min(times))


def peer(rays):
    import pyroomacoustics as pra

    room = pra.ShoeBox(SIZE, fs=16000, materials=pra.Material(0.2, 0.0), ray_tracing=True, max_order=0)
    room.set_ray_tracing(n_rays=rays, receiver_radius=0.3, hist_bin_size=0.004, time_thres=0.6, energy_thres=1e-9)
    room.add_source(list(SOURCE))
    room.add_microphone_array(SEATS.T)
    room.image_source_model()
    return room.ray_tracing


def main():
    cases = {"s = 0.3 in all bands": 0.3, "s = 0.05 to 0.6": np.linspace(0.05, 0.6, 8)}
    for label, scattering in cases.items():
        place = scene(small_room(scattering=scattering), seats=SEATS)
        trace_rays(place, OCTAVES_HZ, rays=100, duration_s=0.6)          # compile
        for threads in (1, 2):
            seconds = best(lambda: trace_rays(place, OCTAVES_HZ, rays=50_000, duration_s=0.6, threads=threads))  # noqa: B023
            print(f"{label}, 50,000 rays, {threads} thread(s): {seconds}")
        part = trace_rays(place, OCTAVES_HZ, noise_db=0.25, duration_s=0.6)
        seconds = best(lambda: trace_rays(place, OCTAVES_HZ, noise_db=0.25, duration_s=0.6))  # noqa: B023
        print(f"{label}, noise 0.25 dB: {part.rays} rays, {seconds} on one thread")
    print(f"peer, one band, no scattering, 50,000 rays: {best(peer(50_000), 1)}")


if __name__ == "__main__":
    main()
