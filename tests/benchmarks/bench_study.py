"""Studies at scale: python tests/benchmarks/bench_study.py [--cases N] [--no-growth], with the project installed.

Cases per second, estimate beside truth, and peak memory of a study of N cases (1,000 are ten rooms, designs and places)
of seven drivers and fifteen seats, 20 Hz to 20 kHz at 1/48 octave, with all cores; then how the time grows with seats,
drivers, designs and rooms: 1, 2 and 4 times each, on one core, with the ratio per doubling. Run it on a quiet machine:
linear algebra is kept on one thread, but the cores are shared with whatever else runs.
"""

from __future__ import annotations

import argparse
import itertools
import os
import resource
import statistics
import tempfile
import time
from pathlib import Path

import roomsim
from roomsim.studies import run
from roomsim.studies.case import run_case
from roomsim.studies.outlook import Outlook, case_seconds, machine_speed
from roomsim.studies.plan import make_plan
from roomsim.studies.work import one_thread

ROOM = """\
room: Room {k}
width_m: {width}
length_m: {length}
height_m: 2.5
surfaces:
  {{front: plasterboard on studs, back: wood panelling, left: heavy curtain, right: plaster on brick,
   floor: thin carpet on underlay, ceiling: plasterboard on studs}}
{patches}"""
PATCHES = """\
patches:
  - {surface: floor, material: long-pile rug, from_m: [1.1, 0.6], to_m: [3.0, 2.6]}
  - {surface: right, material: double glazing, from_m: [1.0, 0.85], to_m: [2.6, 2.15]}
furniture:
  - {item: three-seat sofa, count: 1}
"""
PLACES = "places: {%s}\n"


def bar(drivers: int, tilt_db: float = 0.0) -> str:
    """A bar of so many drivers in three channels (one channel for fewer than three)."""
    names = ("left", "centre", "right") if drivers >= 3 else ("all",)
    lines = []
    for k in range(drivers):
        kind, cut = (("woofer", "lowpass_hz"), ("tweeter", "highpass_hz"))[k % 2]
        y = -0.45 + 0.9 * k / max(drivers - 1, 1)
        gain_db = tilt_db * (k % 2)
        lines.append(f"{{driver: {kind}, at_m: [0, {y:.3f}, 0], filter: {{{cut}: 2600, gain_db: {gain_db}}}}}")
    per = [lines[k * len(lines) // len(names): (k + 1) * len(lines) // len(names)] for k in range(len(names))]
    channels = "".join(f"  {name}: [{', '.join(some)}]\n" for name, some in zip(names, per, strict=True))
    return (
        "loudspeaker: Bar\ncabinet_m: {width: 1.0, height: 0.07, depth: 0.09}\nmounting: free\n"
        "drivers:\n  woofer: {piston: {radius_m: 0.028}}\n  tweeter: {piston: {radius_m: 0.01}}\n"
        f"channels:\n{channels}"
    )


def study(folder: Path, *, rooms: int = 1, designs: int = 1, places: int = 1, seats: int = 15, drivers: int = 7,
          patches: bool = False) -> roomsim.definitions.StudyDefinition:
    """A study of so many of each."""
    for k in range(rooms):
        (folder / f"room{k}.yaml").write_text(ROOM.format(
            k=k, width=3.6 + 0.11 * (k % 20), length=4.2 + 0.13 * (k % 23), patches=PATCHES if patches else ""))
    for k in range(designs):
        (folder / f"bar{k}.yaml").write_text(bar(drivers, 0.5 * k))
    labelled = {
        "rooms": ", ".join(f"r{k}: room{k}.yaml" for k in range(rooms)),
        "designs": ", ".join(f"d{k}: {{loudspeaker: bar{k}.yaml}}" for k in range(designs)),
        "places": ", ".join(f"p{k}: {{gap_m: {0.05 + 0.02 * k:.2f}, height_m: 0.75}}" for k in range(places)),
    }
    text = "study: Benchmark\n" + "".join(f"{key}: {{{value}}}\n" for key, value in labelled.items())
    text += f"seats: {{distance_m: 2.4, ear_height_m: 1.1, count: {seats}}}\n"
    (folder / "study.yaml").write_text(text)
    return roomsim.load(folder / "study.yaml")


def seconds_per_case(folder: Path, repeats: int = 3, **size) -> float:
    """Median over repeats of the processor time of a whole study on one core, per case."""
    plan = make_plan(study(folder, **size))
    order = run.in_order(list(enumerate(plan.cases)))
    times = []
    with one_thread():
        run_case(plan.cases[0])
        for _ in range(repeats):
            start = time.process_time()
            for _, case in order:
                run_case(case)
            times.append((time.process_time() - start) / len(order))
    return statistics.median(times)


def whole(folder: Path, cases: int) -> None:
    """A large study with all cores."""
    rooms = max(cases // 100, 1)
    designs = places = 10 if cases >= 100 else max(round((cases / rooms) ** 0.5), 1)
    said = study(folder, rooms=rooms, designs=designs, places=places)
    count = rooms * designs * places
    print(f"{count} cases ({rooms} rooms × {designs} designs × {places} places), {os.cpu_count()} cores", flush=True)
    told: list[Outlook] = []
    start = time.perf_counter()
    result = roomsim.predict(said, store=folder / "cases", before=told.append)
    spent = time.perf_counter() - start
    size = sum(file.stat().st_size for file in (folder / "cases").iterdir()) / 1e6
    parent, children = (resource.getrusage(who).ru_maxrss / 1e3
                        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(f"{spent:.0f} s, {count / spent:.2f} cases/s (estimated before: {told[0].seconds:.0f} s); "
          f"store {size:.0f} MB; peak memory of the parent {parent:.0f} MB, of the largest process that has ended "
          f"{children:.0f} MB", flush=True)
    start = time.perf_counter()
    roomsim.report(result, folder / "out")
    print(f"report of it: {time.perf_counter() - start:.0f} s, "
          f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")
    start = time.perf_counter()
    roomsim.predict(said, store=folder / "cases")
    print(f"the same study again, every case found: {time.perf_counter() - start:.1f} s")


def growth(folder: Path) -> None:
    """How the time of a whole study grows when one thing is doubled twice; one core, processor time."""
    print("processor time of a study, s, one core; 7 drivers, 15 seats, 1 design, room and place where not said")
    print(f"{'':>28} {'1x':>7} {'2x':>7} {'4x':>7}   ratio per doubling", flush=True)
    for what, values in (("seats", (15, 30, 60)), ("drivers", (7, 14, 28)), ("designs", (1, 2, 4)),
                         ("rooms", (1, 2, 4)), ("places", (1, 2, 4))):
        spent = []
        for n in values:
            cases = n if what in ("designs", "rooms", "places") else 1
            spent.append(cases * seconds_per_case(folder, **{what: n}))
        ratios = ", ".join(f"{later / sooner:.2f}" for sooner, later in itertools.pairwise(spent))
        print(f"{what + ' ' + ', '.join(map(str, values)):>28} " + " ".join(f"{s:7.2f}" for s in spent)
              + f"   {ratios}", flush=True)
    for patches in (False, True):
        case = make_plan(study(folder, patches=patches)).cases[0]
        print(f"one case {'with' if patches else 'without'} patches: "
              f"{seconds_per_case(folder, 1, patches=patches):.2f} s, estimated "
              f"{case_seconds(case) * machine_speed():.2f} s", flush=True)


def main() -> None:
    """Print everything."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--cases", type=int, default=100, metavar="N", help="about so many cases; 1000 take a while")
    asked.add_argument("--no-growth", action="store_true", help="the study of N cases only")
    how = asked.parse_args()
    with tempfile.TemporaryDirectory() as name:
        whole(Path(name), how.cases)
        if not how.no_growth:
            growth(Path(name))


if __name__ == "__main__":
    main()
