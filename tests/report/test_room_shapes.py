"""Drawings of rooms that are no box: silhouettes, ceilings, obstacles, what the key says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text
from shapely import Polygon

from roomsim.definitions import load
from roomsim.report.room_drawing import View, draw_room
from roomsim.report.room_drawing_shapes import is_wall, silhouette
from roomsim.room.geometry import box

GOOD = Path(__file__).resolve().parents[1] / "definitions" / "good"


@pytest.fixture(scope="module")
def attic():
    return load(GOOD / "attic.yaml", "room").room("ordinary")


def side(towards, across):
    axes = np.array([across, (0, 0, 1)], float).T
    return View(name="front", to_page=lambda points: np.atleast_2d(points) @ axes, towards=np.array(towards, float))


def test_a_silhouette_follows_the_slope(attic):
    """From the end: 5 m × 2.5 m less the triangle of 1.5 m × 1.5 m over the slope."""
    outline = Polygon(silhouette(side((-1, 0, 0), (0, 1, 0)), attic.geometry))
    assert outline.area == pytest.approx(12.5 - 1.125, abs=1e-3)
    plain = Polygon(silhouette(side((-1, 0, 0), (0, 1, 0)), box(6, 5, 2.5)))
    assert plain.area == pytest.approx(12.5, abs=1e-3)


def test_walls_are_walls(attic):
    walls = [face.name for face in attic.geometry.faces if is_wall(attic.geometry, face)]
    assert walls == ["left", "back", "step", "bay", "right", "front"]


def test_the_drawing_names_heights_and_obstacles(attic):
    said = [text.get_text() for text in draw_room(attic).findobj(Text) if text.get_text()]
    assert "bulkhead\n2.20 m" in said and {"1.00", "2.50", "a", "b"} <= set(said)
    assert any(text.startswith("cupboard: plasterboard on studs, 1.2 × 0.6 × 2 m") for text in said)
    assert sum(text.startswith("cupboard") for text in said) == 1
