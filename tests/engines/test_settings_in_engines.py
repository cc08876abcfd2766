"""What a setting adds, and what a draw changes, acts in every engine.

The check is the room drawn by hand: the same rectangle of the same finish as a patch, and for draws a finish whose
published table was multiplied instead. Both ways end in the same physics, so that the engines must agree on them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ray_scenes import speaker

from roomsim.bands import OCTAVES_HZ
from roomsim.engines.images import trace_images
from roomsim.engines.rays import trace_rays
from roomsim.engines.wave_field import wave_pressure
from roomsim.room.adjustable import Adjustable, placements, with_areas
from roomsim.room.furnishing import Patch
from roomsim.room.geometry import box
from roomsim.room.materials import material
from roomsim.room.reproducibility import DrawnMaterial
from roomsim.room.room import Room
from roomsim.scene import PlacedLoudspeaker, Scene

LOW_HZ, HIGH_HZ = np.arange(40.0, 160.0), np.geomspace(300, 4000, 24)       # so close that resonances are seen
WALLS = ("front", "back", "left", "right", "floor", "ceiling")
FINISH = "wool panel"


def bare(finish: str = "plaster on brick", **own: object) -> Room:
    return Room(name="r", geometry=box(4.2, 3.4, 2.4), materials={**dict.fromkeys(WALLS, material(finish)), **own})


def parts(room: Room) -> dict[str, np.ndarray]:
    """What each engine says of one source and two seats."""
    placed = PlacedLoudspeaker(loudspeaker=speaker(), position_m=np.array([0.9, 1.2, 1.0]))
    scene = Scene(room=room, loudspeakers=(placed,), listeners_m=np.array([[3.0, 2.1, 1.2], [2.6, 1.1, 1.1]]))
    return {
        "wave": wave_pressure(scene, LOW_HZ),
        "images": trace_images(scene, HIGH_HZ, reflections=0).pressure,
        "rays": trace_rays(scene, OCTAVES_HZ, rays=800, duration_s=0.3, seed=1).energy.sum(axis=-1),
    }


def change_db(one: np.ndarray, other: np.ndarray) -> float:
    """How far two fields or energies lie apart: rms of the difference re the rms of the second."""
    return float(10 * np.log10(np.mean(np.abs(one - other) ** 2) / np.mean(np.abs(other) ** 2)))


@pytest.fixture(scope="module")
def plain() -> dict[str, np.ndarray]:
    return parts(bare())


def test_a_panel_of_a_setting_is_the_patch_drawn_by_hand(plain: dict[str, np.ndarray]) -> None:
    panel = Adjustable(name="panels", material=material(FINISH), face="ceiling", least_m2=0, most_m2=8, usual_m2=0)
    ((piece,),) = placements(bare(), [panel], [5.0])
    by_hand = replace(bare(), patches=(
        Patch(face="ceiling", material=material(FINISH), from_m=np.array(piece[:2]), to_m=np.array(piece[2:])),))
    found, expected = parts(with_areas(bare(), [panel], [5.0])), parts(by_hand)
    for engine in plain:
        # the same rectangle by another way: rounding of its corners
        np.testing.assert_allclose(found[engine], expected[engine], rtol=1e-6, atol=1e-9, err_msg=engine)
        assert change_db(found[engine], plain[engine]) > -30, engine                  # and it is heard


def test_a_setting_without_area_is_the_bare_room(plain: dict[str, np.ndarray]) -> None:
    panel = Adjustable(name="panels", material=material(FINISH), face="ceiling", least_m2=0, most_m2=8, usual_m2=0)
    found = parts(with_areas(bare(), [panel], [0.0]))
    for engine in plain:
        np.testing.assert_allclose(found[engine], plain[engine], rtol=1e-9, atol=1e-12, err_msg=engine)


def test_spread_pieces_absorb_in_every_engine(plain: dict[str, np.ndarray]) -> None:
    panel = Adjustable(name="panels", material=material(FINISH), face="ceiling", least_m2=0, most_m2=8, usual_m2=0,
                       spread=True)
    found = parts(with_areas(bare(), [panel], [5.0]))
    for engine in plain:
        assert change_db(found[engine], plain[engine]) > -30, engine
    # five square metres of an absorber take sound away from the octaves where they absorb
    assert np.all(found["rays"][..., 3:] < plain["rays"][..., 3:])


def test_a_draw_that_changes_nothing_is_the_finish_itself(plain: dict[str, np.ndarray]) -> None:
    drawn = DrawnMaterial(base=material("plaster on brick"), factor=np.ones(OCTAVES_HZ.size))
    found = parts(bare(**dict.fromkeys(WALLS, drawn)))
    for engine in plain:
        # the scale is found to 4e-6 (reproducibility.scaled_to), and reflections of many orders add that up
        np.testing.assert_allclose(found[engine], plain[engine], rtol=2e-3,
                                   atol=2e-3 * np.abs(plain[engine]).max(), err_msg=engine)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_draw_moves_every_engine_the_same_way(plain: dict[str, np.ndarray], factor: float) -> None:
    drawn = DrawnMaterial(base=material("plaster on brick"), factor=np.full(OCTAVES_HZ.size, factor))
    found = parts(bare(**dict.fromkeys(WALLS, drawn)))
    for engine in plain:
        energy, usual = (np.mean(np.abs(one[engine]) ** (1 if engine == "rays" else 2)) for one in (found, plain))
        assert (energy < usual) == (factor > 1), engine
        assert abs(10 * np.log10(energy / usual)) > 0.2, engine
