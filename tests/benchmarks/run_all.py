"""Every benchmark, one after the other, printed and kept: `python tests/benchmarks/run_all.py [--matched] [--studies]`.

The raw output goes to tests/evidence/benchmarks.txt with commit, machine and date. --matched adds the peer's image
method at matched order, --studies the study of 1,000 cases; both take minutes.
"""

from __future__ import annotations

import datetime
import os
import platform
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
EVIDENCE = HERE.parent / "evidence" / "benchmarks.txt"
SCRIPTS = ("bench_main.py", "bench_slider.py", "bench_images.py", "bench_wave.py", "bench_rays.py", "bench_page.py",
           "bench_peer.py")


def main(arguments: list[str]) -> None:
    """Run, print and keep."""
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], cwd=HERE, capture_output=True, text=True).stdout
    lines = [f"commit {commit.strip()}, {datetime.date.today()}, Python {platform.python_version()}, "
             f"{os.cpu_count()} cores, load at the start {os.getloadavg()[0]:.1f}"]
    print(lines[0], flush=True)
    scripts = [*SCRIPTS, *(["bench_study.py"] if "--studies" in arguments else [])]
    here = str(HERE.parents[1])
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([here, os.environ.get("PYTHONPATH", "")])}
    for script in scripts:
        more = ["--matched"] if script == "bench_peer.py" and "--matched" in arguments else []
        more += ["--cases", "1000"] if script == "bench_study.py" else []
        done = subprocess.run([sys.executable, str(HERE / script), *more], capture_output=True, text=True,
                              env=environment, cwd=HERE)
        text = done.stdout if done.returncode == 0 else done.stdout + done.stderr[-2000:]
        lines += ["", f"== {script} {' '.join(more)}", text.rstrip()]
        print("\n".join(lines[-3:]), flush=True)
    EVIDENCE.parent.mkdir(exist_ok=True)
    EVIDENCE.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
