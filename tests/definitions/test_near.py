"""Near plates in studies: what is read, where the plates then are, what may vary, what is refused."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from roomsim.definitions import load
from roomsim.errors import DefinitionError
from roomsim.placing import place_loudspeaker
from roomsim.room.geometry import box
from roomsim.room.plates import BenchTop, Near, Recess, Screen

GOOD = Path(__file__).parent / "good"
BENCH = "bench_top: {below_m: 0.04, depth_m: 0.35, width_m: 1.4}"
RECESS = "recess: {width_m: 1.2, height_m: 0.3, depth_m: 0.25, below_m: 0.05}"
SCREEN = "screen: {above_m: 0.1, width_m: 1.2, height_m: 0.7}"


@pytest.fixture
def study(tmp_path: Path) -> Callable[..., Path]:
    """A study whose first place has the given plates, and what it varies."""
    folder = tmp_path / "job"
    shutil.copytree(GOOD, folder)

    def written(near: str, vary: str = "") -> Path:
        text = (folder / "study.yaml").read_text("utf-8")
        text = text.replace("height_m: 0.75}", "height_m: 0.75, near: {" + near + "}}", 1)
        text = text[: text.index("vary:")] + (f"vary: {{{vary}}}\n" if vary else "")
        (folder / "study.yaml").write_text(text, "utf-8")
        return folder / "study.yaml"

    return written


def problems(path: Path) -> list[str]:
    with pytest.raises(DefinitionError) as caught:
        load(path)
    return str(caught.value).splitlines()


def test_read_and_placed(study) -> None:
    definition = load(study(", ".join((BENCH, RECESS, SCREEN))))
    place = definition.places["wall"]
    assert place.near == Near(
        bench_top=BenchTop(below_m=0.04, depth_m=0.35, width_m=1.4),
        recess=Recess(width_m=1.2, height_m=0.3, depth_m=0.25, below_m=0.05),
        screen=Screen(above_m=0.1, width_m=1.2, height_m=0.7, gap_m=0.05),
    )
    assert definition.places["side"].near == Near()
    placed = place_loudspeaker(place, definition.designs["sketch"].loudspeaker(), box(5.4, 4.2, 2.5))
    low = {plate.name: plate.corners_m.min(axis=0) for plate in placed.plates}
    high = {plate.name: plate.corners_m.max(axis=0) for plate in placed.plates}
    # the wall is x = 0, the loudspeaker at y = 2.1 with its baffle's centre 0.75 m high
    expected = {
        "bench top": ([0, 1.4, 0.71], [0.35, 2.8, 0.71]),
        "recess bottom": ([0, 1.5, 0.7], [0.25, 2.7, 0.7]), "recess top": ([0, 1.5, 1.0], [0.25, 2.7, 1.0]),
        "recess left side": ([0, 1.5, 0.7], [0.25, 1.5, 1.0]), "recess right side": ([0, 2.7, 0.7], [0.25, 2.7, 1.0]),
        "screen": ([0.05, 1.5, 0.85], [0.05, 2.7, 1.55]),
    }
    assert set(low) == set(expected)
    for name, (near, far) in expected.items():
        assert low[name] == pytest.approx(near) and high[name] == pytest.approx(far), name


@pytest.mark.parametrize("wall", ["front", "back", "left", "right"])
def test_plates_turn_with_the_wall(study, wall: str) -> None:
    """The same distances from the wall and from the loudspeaker at every wall; left is left for who faces it."""
    definition = load(study(", ".join((BENCH, RECESS))))
    place = definition.places["wall"]
    speaker = definition.designs["sketch"].loudspeaker()
    geometry = box(5.4, 4.2, 2.5)
    turned = type(place)(wall=wall, across_fraction=0.5, gap_m=0.05, height_m=0.75, near=place.near)
    placed = place_loudspeaker(turned, speaker, geometry)
    face = geometry.face(wall)
    bench = next(plate for plate in placed.plates if plate.name == "bench top")
    out = (bench.corners_m - face.corners_m[0]) @ face.normal
    assert out.min() == pytest.approx(0) and out.max() == pytest.approx(0.35)
    side = next(plate for plate in placed.plates if plate.name == "recess left side")
    left = face.corners_m[0] - face.corners_m[1]
    assert (side.corners_m.mean(axis=0) - placed.position_m) @ left > 0


def test_sizes_may_vary(study) -> None:
    path = study(BENCH, "place.near.bench_top.depth_m: [0.2, 0.4], places.wall.near.bench_top.below_m: [0.03]")
    variants = load(path).varied()
    assert [v.places["wall"].near.bench_top.depth_m for _, v in variants] == [0.2, 0.4]
    assert {v.places["wall"].near.bench_top.below_m for _, v in variants} == {0.03}
    assert all(v.places["side"].near == Near() for _, v in variants)
    assert len({v.content_hash for _, v in variants}) == 2


@pytest.mark.parametrize("near, vary, says", [
    ("bench_top: {below_m: 0.04, depth_m: 0.35}", "", "places.wall.near.bench_top.width_m: is missing"),
    ("bench: {}", "", "near.bench"),
    ("bench_top: {below_m: 0.01, depth_m: 0.35, width_m: 1.4}", "", "near.bench_top.below_m = 0.01"),
    ("bench_top: {below_m: 0.9, depth_m: 0.35, width_m: 1.4}", "", "is below the floor"),
    ("bench_top: {below_m: 0.04, depth_m: 0.35, width_m: 9}", "", "reaches out of the room"),
    ("recess: {width_m: 0.9, height_m: 0.3, depth_m: 0.25}", "", "the cabinet is 1 m wide"),
    ("recess: {width_m: 1.2, height_m: 0.05, depth_m: 0.25}", "", "would cut the cabinet"),
    ("screen: {above_m: 0, width_m: 1.2, height_m: 0.7, gap_m: 0.1}", "", "would cut the cabinet"),
    (BENCH, "place.near.screen.gap_m: [0.1]", "is nothing that can be varied"),
    (BENCH, "place.near.bench_top.depth_m: [-1]", "place.near.bench_top.depth_m"),
    (BENCH, "place.near: [1]", "is nothing that can be varied"),
])
def test_what_is_refused(study, near: str, vary: str, says: str) -> None:
    found = problems(study(near, vary))
    assert any(says in line for line in found), found


def test_screens_may_stand_behind_the_bar(study) -> None:
    definition = load(study("screen: {above_m: -0.2, width_m: 1.2, height_m: 0.7, gap_m: 0.04}"))
    placed = place_loudspeaker(
        definition.places["wall"], definition.designs["sketch"].loudspeaker(), box(5.4, 4.2, 2.5))
    assert np.all(placed.plates[0].corners_m[:, 0] == 0.04)
