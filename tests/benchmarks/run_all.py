"""Every benchmark, one after the other, printed and kept.

    python tests/benchmarks/run_all.py [--matched] [--studies] [NAME…]

The raw output goes to tests/evidence/benchmarks.txt with commit, machine and date. --matched adds the peer's image
method at matched order, --studies the study of 1,000 cases; both take minutes. Names, such as `main peer`, choose.
"""

from __future__ import annotations

import datetime
import os
import platform
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
EVIDENCE = HERE.parent / "evidence" / "benchmarks.txt"
SCRIPTS = ("bench_main.py", "bench_peer.py", "bench_slider.py", "bench_images.py", "bench_wave.py", "bench_rays.py",
           "bench_page.py")


MOST_S = 3600
"""A script is stopped after this; what it has printed is kept."""


def main(arguments: list[str]) -> None:
    """Run, print and keep."""
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], cwd=HERE, capture_output=True, text=True).stdout
    lines = [f"commit {commit.strip()}, {datetime.date.today()}, Python {platform.python_version()}, "
             f"{os.cpu_count()} cores, load at the start {os.getloadavg()[0]:.1f}"]
    print(lines[0], flush=True)
    scripts = [*SCRIPTS, *(["bench_study.py"] if "--studies" in arguments else [])]
    chosen = [f"bench_{name}.py" for name in arguments if not name.startswith("-")]
    scripts = [script for script in scripts if script in chosen] if chosen else scripts
    here = str(HERE.parents[1])
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([here, os.environ.get("PYTHONPATH", "")])}
    for script in scripts:
        more = ["--matched"] if script == "bench_peer.py" and "--matched" in arguments else []
        more += ["--cases", "1000"] if script == "bench_study.py" else []
        with tempfile.TemporaryFile("w+", encoding="utf-8") as said, tempfile.TemporaryFile("w+") as errors:
            try:
                code = subprocess.run([sys.executable, "-u", str(HERE / script), *more], stdout=said, stderr=errors,
                                      env=environment, cwd=HERE, timeout=MOST_S).returncode
            except subprocess.TimeoutExpired:
                errors.write(f"stopped after {MOST_S} s\n")
                code = 1
            said.seek(0)
            errors.seek(0)
            text = said.read() if code == 0 else said.read() + errors.read()[-2000:]
        lines += ["", f"== {script} {' '.join(more)}", text.rstrip()]
        print("\n".join(lines[-3:]), flush=True)
        EVIDENCE.parent.mkdir(exist_ok=True)
        EVIDENCE.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
