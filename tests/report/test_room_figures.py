"""Drawings of rooms are to scale and say what is there; survey and finish figures show what was computed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.patches import Polygon
from matplotlib.text import Text

import roomsim
from roomsim.definitions import load, shipped_rooms
from roomsim.placing import Place, Seats, build_scene
from roomsim.report.finishes_plot import finishes_figures
from roomsim.report.formulas_plot import formulas_figure
from roomsim.report.room_drawing import PAGE_M, draw_room
from roomsim.report.room_drawing_key import letter
from roomsim.report.style import drawing, save
from roomsim.report.survey_plot import survey_figure
from roomsim.room.absorbers import MembraneAbsorber
from roomsim.room.furniture import furniture
from roomsim.room.geometry import box, extruded_plan
from roomsim.room.materials import catalogue, material
from roomsim.room.predictors import predictors
from roomsim.room.room import Room
from roomsim.studies.rooms import survey_rooms

GOOD = Path(__file__).parents[1] / "definitions" / "good"
FILES = {**shipped_rooms(), "furnished": GOOD / "furnished.yaml", "alcove": GOOD / "alcove.yaml"}


def room_of(name: str) -> Room:
    definition = load(FILES[name], "room")
    return definition.room(definition.settings[0])


def scene_of(name: str):
    bar = load(Path(roomsim.__file__).parent / "demo" / "files" / "bar-wide.yaml").loudspeaker()
    return build_scene(room_of(name), bar, Place(height_m=0.75), Seats(distance_m=2.2, count=9))


def texts(figure) -> list[str]:
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def polygons(figure) -> list[np.ndarray]:
    return [patch.get_xy()[:-1] for patch in figure.axes[0].patches if isinstance(patch, Polygon)]


@pytest.mark.parametrize("name", FILES)
def test_the_plan_is_the_rooms_outline(name):
    """Side by side lengths: the drawing's unit is the metre, on axes of the same scale both ways."""
    room = room_of(name)
    figure = draw_room(room)
    plan = room.geometry.plan_m
    wanted = np.linalg.norm(np.roll(plan, -1, axis=0) - plan, axis=1)
    found = next(p for p in polygons(figure) if len(p) == len(plan) and np.allclose(
        np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1), wanted, atol=1e-9))
    # x runs down the page, y to the right: turning by the frame, no mirror image
    assert found - found[0] == pytest.approx(np.column_stack([plan[:, 1], -plan[:, 0]]) - [plan[0, 1], -plan[0, 0]])
    axes = figure.axes[0]
    per_m = [np.ptp(side) / page for side, page in zip((axes.get_xlim(), axes.get_ylim()), PAGE_M, strict=True)]
    assert per_m[0] == pytest.approx(per_m[1])
    said = next(text for text in texts(figure) if "on A4" in text)
    assert f"1 : {per_m[0]:.0f} on A4" in said
    assert figure.get_size_inches() * 0.0254 == pytest.approx(PAGE_M)


def assert_no_text_is_cut(figure) -> None:
    with drawing():
        figure.canvas.draw()                       # axis labels find their places only now
    page, renderer = figure.bbox, figure.canvas.get_renderer()
    for text in figure.findobj(Text):
        if text.get_text() and text.get_visible():
            extent = text.get_window_extent(renderer)
            assert extent.x0 >= page.x0 - 1 and extent.x1 <= page.x1 + 1, text.get_text()
            assert extent.y0 >= page.y0 - 1 and extent.y1 <= page.y1 + 1, text.get_text()


@pytest.mark.parametrize("name", FILES)
def test_everything_is_on_the_page(name):
    figure = draw_room(scene_of(name))
    assert_no_text_is_cut(figure)
    page = figure.bbox
    for corners in polygons(figure):
        on_page = figure.axes[0].transData.transform(corners)
        assert np.all(on_page >= 0) and np.all(on_page <= [page.width, page.height])


def test_loudspeaker_and_seats_are_where_the_scene_has_them():
    scene = scene_of("typical")
    figure = draw_room(scene)
    room = scene.room.geometry
    outline = next(p for p in polygons(figure) if len(p) == 4 and np.ptp(p[:, 0]) == pytest.approx(room.size_m[1])
                   and np.ptp(p[:, 1]) == pytest.approx(room.size_m[0]))
    corner = np.array([outline[:, 0].min(), outline[:, 1].max()])            # front left
    width, depth = scene.loudspeakers[0].loudspeaker.width_m, scene.loudspeakers[0].loudspeaker.depth_m
    cabinet = next(p for p in polygons(figure) if np.ptp(p[:, 0]) == pytest.approx(width)
                   and np.ptp(p[:, 1]) == pytest.approx(depth))
    baffle = corner + np.array([scene.loudspeakers[0].position_m[1], -scene.loudspeakers[0].position_m[0]])
    assert cabinet[:, 0].mean() == pytest.approx(baffle[0]) and cabinet[:, 1].min() == pytest.approx(baffle[1])
    seats = [line for line in figure.axes[0].lines if len(line.get_xdata()) == 8]
    wanted = corner + np.column_stack([scene.listeners_m[1:, 1], -scene.listeners_m[1:, 0]])
    assert any(np.allclose(np.column_stack(line.get_data()), wanted) for line in seats)
    for text in ("2.20 m", "0.75 m", "1.10 m", "3.65 m", "4.57 m", "2.52 m"):
        assert text in texts(figure), text


def test_patches_furniture_and_surfaces_are_named():
    said = texts(draw_room(room_of("furnished")))
    for word in ("long-pile rug, floor, 2.40 × 2.40 m", "opening, back, 0.90 × 2.00 m", "floor: parquet on concrete",
                 "three-seat sofa, occupied", "4 × wooden chair", "Standing anywhere, to scale"):
        assert word in said, word
    assert {"1", "2", "3", "4", "A", "B", "C", "D"} <= set(said)


def test_furniture_is_drawn_to_scale_where_it_stands():
    figure = draw_room(room_of("furnished"))
    sides = [sorted(np.linalg.norm(np.diff(p[:3], axis=0), axis=1)) for p in polygons(figure)]
    assert any(np.allclose(side, [0.9, 2.1]) for side in sides)              # the sofa's footprint
    assert any(np.allclose(side, [0.5, 1.2]) for side in sides)              # the aquarium's


def test_large_strange_and_crowded_rooms_fit_on_the_page(tmp_path):
    circle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    round_room = extruded_plan(20 * np.column_stack([np.cos(circle), np.sin(circle)]),
                               [f"wall number {k}" for k in range(200)], 12)
    for geometry in (box(50, 50, 15), box(1, 1, 1.5), box(50, 1, 2), round_room):
        room = Room(name="$x^2$ \x07" + "long " * 40, geometry=geometry,
                    materials=dict.fromkeys(geometry.face_names, material("brick")))
        figure = draw_room(room)
        assert not any("\x07" in text for text in texts(figure))
        save(figure, tmp_path / "room.png")
        assert (tmp_path / "room.png").stat().st_size > 10_000
    crowd = tuple(furniture("wooden chair", position_m=[0.5 + 0.2 * (k % 20), 0.5 + 0.1 * (k // 20)])
                  for k in range(200))
    room = Room(name="hall", geometry=box(10, 8, 4), furniture=crowd,
                materials=dict.fromkeys(box(10, 8, 4).face_names, material("brick")))
    assert any(text.startswith("and ") and text.endswith(" more") for text in texts(draw_room(room)))


def test_the_same_room_gives_the_same_picture(tmp_path):
    for name in ("a.png", "b.png"):
        save(draw_room(scene_of("large")), tmp_path / name)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_letters():
    assert [letter(k) for k in (0, 25, 26, 51, 52, 701, 702)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]


def test_the_survey_figure_shows_the_percentiles():
    rooms = survey_rooms(shipped_rooms()["typical"].parent / "survey.csv", percentiles="10,50,90")
    figure = survey_figure(rooms)
    assert_no_text_is_cut(figure)
    histogram, cumulative, shape, decay = figure.axes
    assert sum(patch.get_height() for patch in histogram.patches) == 240
    places = [line.get_xdata()[0] for line in histogram.lines]
    assert places == pytest.approx([target.size for target in rooms.targets])
    assert "42.1 m³" in texts(figure) and "bars: 90 % confidence" in texts(figure)
    assert cumulative.get_xlabel() == "Volume in m³" and decay.get_ylabel() == "Decay time in s"
    diamonds = [line.get_data() for line in shape.lines if line.get_marker() == "D"]
    assert [float(x[0]) for x, _ in diamonds] == [target.width_m for target in rooms.targets]


@pytest.mark.parametrize("rows", [["4,5,2.5"] * 6, ["3,4,2.4", "19,19,5.9", *["4,5,2.5"] * 6]])
def test_odd_surveys_are_drawn(rows, tmp_path):
    """All homes alike, no decay times; one home far beyond the others."""
    path = tmp_path / "homes.csv"
    path.write_text("\n".join(["width_m,length_m,height_m", *rows]), "utf-8")
    figure = survey_figure(survey_rooms(path))
    assert len(figure.axes) == 3
    save(figure, tmp_path / "survey.png")


def test_every_finish_has_its_panel_with_table_model_and_residual():
    figures = finishes_figures(list(catalogue().values()))
    assert set(figures) == {"hard", "panel", "porous", "curtain"}
    for figure in figures.values():
        assert_no_text_is_cut(figure)
    panels = {axes.get_title(loc="left"): axes for figure in figures.values() for axes in figure.axes}
    assert set(panels) == set(catalogue())
    axes, finish = panels["window"], catalogue()["window"]
    assumed = np.concatenate([line.get_ydata() for line in axes.lines
                              if line.get_marker() == "o" and line.get_markerfacecolor() != line.get_color()])
    assert assumed.tolist() == finish.table[finish.assumed].tolist()
    assert f"{np.abs(finish.fit_residual()).max():.2f}" in [text.get_text() for text in axes.texts]


def test_absorbers_by_construction_have_a_panel_without_a_table():
    (figure,) = finishes_figures([MembraneAbsorber(name="trap", mass_kg_m2=5, depth_m=0.1)]).values()
    (axes,) = figure.axes
    assert axes.get_title(loc="left") == "trap" and len(axes.lines) == 1
    frequency, absorption = axes.lines[0].get_data()
    # resonance of mass and spring at 59.9/√(m d) = 85 Hz; the mean over an octave moves it by less than half of one
    assert 60 < frequency[np.argmax(absorption)] < 120


def test_the_formulas_figure_shows_them_all():
    found = predictors(room_of("typical"))
    figure = formulas_figure(found, "Typical")
    drawn = [line.get_ydata() for line in figure.axes[0].lines if line.get_linestyle() != "None"]
    for times in found.decay_s.values():
        assert any(np.array_equal(times, one) for one in drawn)
    assert "Eyring-Kuttruff (believe)" in texts(figure)
    assert_no_text_is_cut(figure)
