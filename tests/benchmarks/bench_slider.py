"""One step of a slider, and starts of the command line: `python tests/benchmarks/bench_slider.py`.

One room, one design, one changed gap: the changed study is read and predicted, in a process that has done it before.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import roomsim

ONE = {"rooms.small": None, "rooms.large": None, "designs.narrow": None, "settings": ["ordinary"]}


def spread(times: list[float]) -> str:
    return f"{statistics.median(times):.3f} s ({min(times):.3f} to {max(times):.3f})"


def timed(job) -> float:
    start = time.perf_counter()
    job()
    return time.perf_counter() - start


def command(*words: str) -> float:
    return timed(lambda: subprocess.run([sys.executable, *words], check=True, capture_output=True))


def main() -> None:
    """Run and print."""
    with tempfile.TemporaryDirectory() as name:
        study = roomsim.write_demo(Path(name) / "demo")

        def step(gap_m: float) -> None:
            roomsim.predict(roomsim.load(study, changes={**ONE, "places.sideboard.gap_m": gap_m}))

        step(0.05)
        print(f"slider step, typical room: {spread([timed(lambda k=k: step(0.06 + 0.01 * k)) for k in range(7)])}")
        plain = [command("-c", "pass") for _ in range(5)]
        loaded = [command("-c", "import roomsim") for _ in range(5)]
        print(f"import roomsim beyond the interpreter: {statistics.median(loaded) - statistics.median(plain):.3f} s")
        print(f"roomsim --version: {spread([command('-m', 'roomsim.cli', '--version') for _ in range(3)])}")
        words = ("-m", "roomsim.cli", "predict", str(study), "--out")
        first = command(*words, str(Path(name) / "a"))
        print(f"roomsim predict of the demo: {first:.1f} s; again into another folder "
              f"{spread([command(*words, str(Path(name) / f'b{k}')) for k in range(3)])}")


if __name__ == "__main__":
    main()
