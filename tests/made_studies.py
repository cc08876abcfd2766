"""Small studies for the tests: written as files and loaded as a user's would be."""

from __future__ import annotations

from pathlib import Path

ROOM = """\
room: Test room
width_m: 4.0
length_m: 5.2
height_m: 2.5
surfaces:
  {front: plasterboard on studs, back: plaster on brick, left: {left}, right: {right}, floor: oak on joists,
   ceiling: plasterboard on studs}
"""

BAR = """\
loudspeaker: Test bar
cabinet_m: {width: 0.9, height: 0.07, depth: 0.09}
mounting: free
drivers:
  point: {omni: {}}
channels:
  left: [{driver: point, at_m: [0, -0.3, 0]}]
  right: [{driver: point, at_m: [0, 0.3, 0], filter: {highpass_hz: 2000}}]
"""

STUDY = """\
study: A small test
rooms: {one: room.yaml}
designs: {bar: {loudspeaker: bar.yaml}}
places: {wall: {gap_m: 0.05, height_m: 0.8}}
seats: {distance_m: 2.4, ear_height_m: 1.1, count: 3}
frequency: {low_hz: 50, high_hz: 8000, per_octave: 12}
"""


def write_study(
    folder: Path, *, study: str = STUDY, bar: str = BAR, left: str = "plaster on brick", right: str = "plaster on brick"
) -> Path:
    """Write the three files and return the study's path."""
    room = ROOM.replace("{left}", left).replace("{right}", right)
    for name, text in (("room.yaml", room), ("bar.yaml", bar), ("study.yaml", study)):
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "study.yaml"
