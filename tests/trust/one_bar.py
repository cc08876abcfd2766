"""One bar in one flat: the smallest study of these tests, written into a folder."""

from __future__ import annotations

import shutil
from pathlib import Path

GOOD = Path(__file__).parents[1] / "definitions" / "good"
STUDY = """\
study: One bar in one flat
rooms: {flat: room.yaml}
settings: [ordinary]
designs: {sketch: {loudspeaker: bar.yaml}}
places: {wall: {gap_m: 0.05, height_m: 0.75}}
seats: {distance_m: 2.5, count: 2}
"""


def write_one_bar(folder: Path, frequency: str) -> Path:
    """Its three files; `frequency` as the study says it. Returns the study's path."""
    for name in ("room.yaml", "bar.yaml"):
        shutil.copy(GOOD / name, folder)
    study = folder / "study.yaml"
    study.write_text(f"{STUDY}frequency: {frequency}\n", "utf-8")
    return study
