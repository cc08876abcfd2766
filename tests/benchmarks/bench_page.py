"""Size and loading time of the report page: python tests/benchmarks/bench_page.py, with the project and Chromium.

As large as the demo, and a study of 1,000 cases; invented results, since only what is shown counts.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from chromium import chromium
from made_result import made_result

from roomsim.report.page.build import build_page

STUDIES = {
    "as the demo, 18 cases": {"settings": ("bright", "ordinary", "dead")},
    "1,000 cases": {
        "rooms": {f"room {k + 1}": (3.5 + 0.12 * k, 3.0 + 0.08 * k, 2.5) for k in range(25)}, "per_octave": 12,
        "seats": 4,
        "designs": tuple(f"design {k}" for k in range(10)), "settings": ("bright", "ordinary"),
        "places": ("wall", "corner")},
}
LOADED = "performance.timing.loadEventEnd - performance.timing.navigationStart"


def main() -> None:
    """Print everything."""
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        for title, how in STUDIES.items():
            result = made_result(**how)
            start = time.perf_counter()
            html = build_page(result).html
            made = time.perf_counter() - start
            path = Path(name) / "report.html"
            path.write_text(html, "utf-8")
            took = []
            for _ in range(5):
                tab = browser.new_page()
                tab.goto(path.as_uri())
                took.append(tab.evaluate(LOADED))
                count = tab.evaluate("document.querySelectorAll('*').length")
                tab.close()
            print(f"{title}: {len(html.encode()) / 1e6:.2f} MB, {count} elements, made in {made:.1f} s, loads in "
                  f"{', '.join(f'{t} ms' for t in took)}")


if __name__ == "__main__":
    main()
