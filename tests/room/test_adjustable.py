"""Where adjustable panels, curtains and rugs hang, and what they hide."""

from __future__ import annotations

import numpy as np
import pytest

from roomsim.errors import InvalidValue
from roomsim.room.adjustable import Adjustable, free_m2, placements, regions, with_areas
from roomsim.room.furnishing import Patch
from roomsim.room.geometry import box
from roomsim.room.impedance import random_absorption
from roomsim.room.materials import material
from roomsim.room.room import Room

WALLS = ("front", "back", "left", "right", "floor", "ceiling")


def room(*patches: Patch) -> Room:
    return Room(name="r", geometry=box(5, 4, 2.5), patches=patches,
                materials=dict.fromkeys(WALLS, material("plaster on brick")))


def patch(face: str, low: tuple, high: tuple, finish: str = "window") -> Patch:
    return Patch(face=face, material=material(finish), from_m=np.array(low), to_m=np.array(high))


def one(face: str = "ceiling", most: float = 6.0, finish: str = "wool panel", **more) -> Adjustable:
    return Adjustable(name=finish, material=material(finish), face=face, least_m2=0, most_m2=most, usual_m2=0, **more)


def areas(found: Room, finish: str) -> float:
    return sum(part.area_m2 for part in found.parts() if part.material.name == finish)


@pytest.mark.parametrize("area", [0.0, 0.5, 3.2, 6.0])
def test_a_panel_has_the_area_asked_for_and_the_room_its_own(area: float) -> None:
    found = with_areas(room(), [one()], [area])
    assert areas(found, "wool panel") == pytest.approx(area, abs=1e-9)
    assert sum(part.area_m2 for part in found.parts()) == pytest.approx(room().geometry.surface_m2)


def test_panels_keep_off_what_is_there_and_off_each_other() -> None:
    base = room(patch("ceiling", (0, 0), (2, 4)), patch("ceiling", (4, 3), (5, 4)))
    both = [one(most=5), Adjustable(name="second", material=material("glass blanket 50 mm"), face="ceiling", least_m2=0,
                                    most_m2=4, usual_m2=0)]
    found = with_areas(base, both, [5, 4])                # Room itself refuses overlaps
    assert areas(found, "wool panel") == pytest.approx(5) and areas(found, "window") == pytest.approx(9)


def test_more_than_is_free_is_refused_with_what_is_free() -> None:
    (found,) = regions(box(5, 4, 2.5), [patch("ceiling", (0, 0), (4, 4))], [one(most=6)])
    assert isinstance(found, InvalidValue) and "4.00 m²" in found.rule


def test_a_curtain_is_drawn_from_its_first_corner_and_hides_the_window() -> None:
    window = patch("left", (1.5, 0.9), (3.5, 2.1))
    curtain = one("left", 8.4, "heavy curtain", from_m=(1.0, 0.1), to_m=(4.5, 2.5))
    ((piece,),) = placements(room(window), [curtain], [2.4])
    assert piece == pytest.approx((1.0, 0.1, 2.0, 2.5))
    found = with_areas(room(window), [curtain], [2.4])
    assert areas(found, "window") == pytest.approx(2.4 - 0.5 * 1.2)          # what stays to the right of it
    assert areas(with_areas(room(window), [curtain], [8.4]), "window") == 0
    back = one("left", 8.4, "heavy curtain", from_m=(4.5, 0.1), to_m=(1.0, 2.5))
    ((piece,),) = placements(room(window), [back], [2.4])
    assert piece == pytest.approx((3.5, 0.1, 4.5, 2.5))


def test_pieces_spread_over_a_face_mix_by_area() -> None:
    """Random absorption of the mix is the mean by area (definition); its phase that of the mean admittance."""
    base = room(patch("left", (1, 1), (2, 2)))
    spread = one("left", 6, spread=True)
    found = with_areas(base, [spread], [4.0])
    share = 4.0 / free_m2(base.geometry, base.patches, "left")
    assert share == pytest.approx(4 / 11.5)
    f = np.array([63.0, 125, 250, 500, 1000, 2000, 4000])
    wall, panel, mix = material("plaster on brick"), material("wool panel"), found.materials["left"]
    mean = share * panel.absorption(f) + (1 - share) * wall.absorption(f)
    assert mix.absorption(f) == pytest.approx(mean)
    of_engines = share * random_absorption(panel.impedance(f)) + (1 - share) * random_absorption(wall.impedance(f))
    assert random_absorption(mix.impedance(f)) == pytest.approx(of_engines, rel=1e-3)     # bisection to 1e-6, grid end
    assert np.all(mix.impedance(f).real > 0)
    assert with_areas(base, [spread], [0.0]).materials["left"] is wall


def test_all_of_a_face_is_the_finish_itself() -> None:
    found = with_areas(room(), [one("floor", 20, spread=True)], [20])
    f = np.array([125.0, 1000.0])
    assert found.materials["floor"].impedance(f) == pytest.approx(material("wool panel").impedance(f), rel=1e-4)
