"""Published tables as they were printed, and the one comparison that a table's own digits justify.

A table is a CSV file in tests/published/: comment lines that start with # (what, source, how known), one
header line, then values with the digits of the source.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path

FOLDER = Path(__file__).parent / "published"


def published_table(name: str) -> list[dict[str, str]]:
    """Rows of tests/published/<name>.csv, values as printed."""
    lines = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("#") and any("source" in line.lower() for line in lines if line.startswith("#"))
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def assert_printed(computed: Mapping[str, float], printed: Mapping[str, str], *, units: float = 0.5) -> None:
    """Every computed value rounds to what is printed: within `units` of its last printed digit.

    Half a unit is what correct rounding leaves; a whole unit is for sources that may have cut or rounded
    twice, and is to be justified where it is asked for.
    """
    assert computed, "nothing was compared"
    wrong = []
    for key, value in computed.items():
        step = 10.0 ** int(Decimal(printed[key]).as_tuple().exponent)
        difference = float(value) - float(printed[key])
        if not abs(difference) <= units * step * (1 + 1e-6):
            wrong.append(f"{key}: {float(value):.9g}, printed {printed[key]} ({difference / step:+.2f} units)")
    assert not wrong, "; ".join(wrong)
