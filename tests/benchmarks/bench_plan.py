"""A living room that is no box: L of 60 m³, seven drivers, 15 seats, 20 Hz to 20 kHz at 1/48 octave.

    python tests/benchmarks/bench_plan.py

Prints processor seconds of one case cold (code compiled beforehand), and with another loudspeaker at the same place,
with the share of each engine, and peak memory. Then the same L under a slope, and with a cupboard.
"""

from __future__ import annotations

import resource
import tempfile
import time
from pathlib import Path

from bench_main import BAR

import roomsim
from roomsim.engines import hybrid, plan_wave, solid_wave
from roomsim.studies.case import run_case
from roomsim.studies.plan import make_plan

ROOM = """\
room: {name}
plan_m: [[0, 0], [6, 0], [6, 3], [4, 3], [4, 5], [0, 5]]
walls: [left, back, step, bay, right, front]
{more}
surfaces:
  {{front: plasterboard on studs, back: wood panelling, left: heavy curtain, right: plaster on brick,
   step: plaster on brick, bay: plasterboard on studs, floor: thin carpet on underlay, ceiling: plasterboard on studs}}
"""
SHAPES = {
    "L": "height_m: 2.3",
    "slope": "corner_heights_m: [2.0, 2.6, 2.6, 2.4, 2.4, 2.0]",
    "cupboard": "height_m: 2.3\nobstacles: {cupboard: {material: wood panelling, size_m: {width: 1.6, depth: 0.6, "
                "height: 2}, at_m: [5.7, 1.2], azimuth_deg: 180}}",
}
STUDY = """\
study: Rooms that are no box
rooms: {room: room.yaml}
designs: {bar: {loudspeaker: bar.yaml}, other: {loudspeaker: other.yaml}}
places: {wall: {gap_m: 0.05, height_m: 0.75}}
seats: {distance_m: 2.6, ear_height_m: 1.1, count: 15}
"""
ENGINES = ("trace_images", "trace_rays", "wave_pressure", "spectrum_of_bands")


def main() -> None:
    """Run every shape twice in a new thread's memory of rooms: once to compile, once to count."""
    spent = dict.fromkeys(ENGINES, 0.0)
    for name in ENGINES:
        setattr(hybrid, name, _timed(getattr(hybrid, name), name, spent))
    for name, more in SHAPES.items():
        for counted in (False, True):
            with tempfile.TemporaryDirectory() as text:
                folder = Path(text)
                (folder / "room.yaml").write_text(ROOM.format(name=name, more=more), "utf-8")
                (folder / "bar.yaml").write_text(BAR, "utf-8")
                (folder / "other.yaml").write_text(BAR.replace("0.42", "0.44").replace("0.18", "0.16"), "utf-8")
                (folder / "study.yaml").write_text(STUDY, "utf-8")
                cases = make_plan(roomsim.load(folder / "study.yaml")).cases
            plan_wave._RECENT.shapes = plan_wave._RECENT.seats = solid_wave._RECENT.fields = ()   # all is forgotten
            for label, case in zip(("cold", "other loudspeaker"), cases, strict=True):
                spent.update(dict.fromkeys(ENGINES, 0.0))
                start = time.process_time()
                run_case(case)
                if counted:
                    shares = ", ".join(f"{engine} {seconds:.1f}" for engine, seconds in spent.items())
                    print(f"{name}, {label}: {time.process_time() - start:.1f} s ({shares})", flush=True)
    print(f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


def _timed(function, name, spent):
    def run(*args, **more):
        start = time.process_time()
        try:
            return function(*args, **more)
        finally:
            spent[name] += time.process_time() - start

    return run


if __name__ == "__main__":
    main()
