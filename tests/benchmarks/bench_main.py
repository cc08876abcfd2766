"""The main job: three rooms, one design of seven drivers, 15 seats, 20 Hz to 20 kHz at 1/48 octave.

    python tests/benchmarks/bench_main.py [RUNS]

Prints compute seconds (files read and code compiled beforehand), with the share of each engine, and peak memory.
"""

from __future__ import annotations

import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

import roomsim
from roomsim.engines import hybrid
from roomsim.studies.case import run_case
from roomsim.studies.plan import make_plan

ROOM = """\
room: {name}
width_m: {width}
length_m: {length}
height_m: 2.5
surfaces:
  {{front: plasterboard on studs, back: wood panelling, left: heavy curtain, right: plaster on brick,
   floor: thin carpet on underlay, ceiling: plasterboard on studs}}
"""
BAR = """\
loudspeaker: Seven drivers
cabinet_m: {width: 1.0, height: 0.07, depth: 0.09}
mounting: free
drivers:
  woofer: {piston: {radius_m: 0.028}}
  tweeter: {piston: {radius_m: 0.01}}
channels:
  all:
    - {driver: woofer, at_m: [0, -0.42, 0], filter: {lowpass_hz: 2500}}
    - {driver: tweeter, at_m: [0, -0.30, 0], filter: {highpass_hz: 2500}}
    - {driver: woofer, at_m: [0, -0.18, 0], filter: {lowpass_hz: 2500}}
    - {driver: tweeter, at_m: [0, 0, 0], filter: {highpass_hz: 2500}}
    - {driver: woofer, at_m: [0, 0.18, 0], filter: {lowpass_hz: 2500}}
    - {driver: tweeter, at_m: [0, 0.30, 0], filter: {highpass_hz: 2500}}
    - {driver: woofer, at_m: [0, 0.42, 0], filter: {lowpass_hz: 2500}}
"""
STUDY = """\
study: Main job
rooms: {small: small.yaml, typical: typical.yaml, large: large.yaml}
designs: {bar: {loudspeaker: bar.yaml}}
places: {wall: {gap_m: 0.05, height_m: 0.75}}
seats: {distance_m: 2.6, ear_height_m: 1.1, count: 15}
"""
SIZES = {"small": (3.4, 3.9), "typical": (4.4, 5.3), "large": (5.4, 7.2)}
ENGINES = ("trace_images", "trace_rays", "wave_pressure", "spectrum_of_bands", "modal_decay_s")


def main(runs: int) -> None:
    """Run the job so many times and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for label, (width, length) in SIZES.items():
            (folder / f"{label}.yaml").write_text(ROOM.format(name=label, width=width, length=length))
        (folder / "bar.yaml").write_text(BAR)
        (folder / "study.yaml").write_text(STUDY)
        study = roomsim.load(folder / "study.yaml")
    plan = make_plan(study)
    roomsim.predict(study)                                       # compiles
    spent = dict.fromkeys(ENGINES, 0.0)
    for engine in ENGINES:
        setattr(hybrid, engine, timed(getattr(hybrid, engine), engine, spent))
    serial, processor = [], []
    for _ in range(runs):
        start, busy = time.perf_counter(), time.process_time()
        for case in plan.cases:
            run_case(case)
        serial.append(time.perf_counter() - start)
        processor.append(time.process_time() - busy)
    shares = ", ".join(f"{engine} {seconds / runs:.2f} s" for engine, seconds in spent.items())
    both = []
    for _ in range(runs):
        start = time.perf_counter()
        roomsim.predict(study)
        both.append(time.perf_counter() - start)
    print(f"three rooms, seven drivers, 15 seats, {len(plan.cases[0].frequency_hz)} frequencies, median of {runs} runs")
    print(f"one core:  {statistics.median(serial):.2f} s ({min(serial):.2f} to {max(serial):.2f}), "
          f"processor {statistics.median(processor):.2f} s; {shares}")
    print(f"two cores: {statistics.median(both):.2f} s ({min(both):.2f} to {max(both):.2f}), result assembled")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def timed(function, name, spent):
    """The same function, its processor time added to `spent`: others may use the machine."""

    def run(*args, **kwargs):
        start = time.process_time()
        try:
            return function(*args, **kwargs)
        finally:
            spent[name] += time.process_time() - start

    return run


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
