"""A room to scale: plan and its four sides seen from inside, with what stands and hangs there.

The front wall is at the top of the plan, so that left is left and right is right for someone who faces it: x runs
down the page, y to the right.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..room.room import Room
from ..scene import PlacedLoudspeaker, Scene
from .room_drawing_key import KIND_FILL, key_column, letter
from .room_drawing_shapes import NEAR_WALL_M, draw_ceiling, draw_obstacles, is_wall, silhouette
from .style import COLOURS, HAIRLINE, INK, PAPER, QUIET, SHADE, drawing, fit, new_figure, plain_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PAGE_M = (0.297, 0.210)
"""A4 across: the stated scale holds on it."""

SCALES = (10, 15, 20, 25, 30, 40, 50, 60, 75, 100, 125, 150, 200, 250, 300, 400, 500)
_MARGIN_M, _HEAD_M, _GAP_M, _KEY_M = 0.016, 0.020, 0.013, 0.070     # on paper
_SPEAKER, _SEAT = COLOURS[0], COLOURS[1]

Projection = Callable[[ArrayLike], NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """One view: room coordinates (n, 3) to the page in metres of the room (n, 2).

    Attributes
    ----------
    name : what it shows
    to_page : the projection
    towards : where the viewer looks; faces that look back are seen
    """

    name: str
    to_page: Projection
    towards: NDArray[np.float64]


def draw_room(subject: Room | Scene, title: str = "") -> Figure:
    """Plan and elevations of a room, with loudspeaker and seats where a scene is given.

    Parameters
    ----------
    subject : a room, or a scene with its room, loudspeakers and listeners
    title : instead of the room's name
    """
    scene = subject if isinstance(subject, Scene) else None
    room = subject.room if isinstance(subject, Scene) else subject
    with drawing():
        figure = new_figure(PAGE_M[0] / 0.0254, PAGE_M[1] / 0.0254)
        scale = _scale(room)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_axis_off()
        axes.set_xlim(0, PAGE_M[0] * scale)
        axes.set_ylim(0, PAGE_M[1] * scale)
        axes.set_aspect("equal")
        views = _views(room, scale)
        for view in views:
            _surfaces(axes, view, room, scale)
            draw_obstacles(axes, view, room.geometry)
            _furniture(axes, view, room)
            if scene is not None and view.name in ("plan", "front", "right"):
                _listening(axes, view, scene)
        _dimensions(axes, views, room, scale)
        _names_and_frame(axes, views, room, scale)
        _heading(figure, room, title, scale)
        length, width, _ = room.geometry.size_m
        key_left = _MARGIN_M + 1.4 * _GAP_M + (width + max(length, width)) / scale + 0.6 * _GAP_M
        key_column(figure, axes, room, key_left, PAGE_M[1] - _HEAD_M - 0.004, 0.5 * _MARGIN_M, scale)
        _scale_bar(axes, scale)
    return figure


def _scale(room: Room) -> int:
    """The largest scale at which all views fit on the page."""
    length, width, height = room.geometry.size_m
    across = PAGE_M[0] - 2 * _MARGIN_M - _KEY_M - 2.4 * _GAP_M
    up = PAGE_M[1] - _HEAD_M - 1.5 * _MARGIN_M
    for scale in SCALES:
        columns = width + max(length, width) <= across * scale
        rows = max(height + length, 3 * height + _GAP_M * scale) <= (up - _GAP_M) * scale
        if columns and rows:
            return scale
    return int(np.ceil(max(2 * max(length, width) / across, (height + length) / (up - 2 * _GAP_M)) / 100) * 100)


def _views(room: Room, scale: int) -> tuple[View, ...]:
    """Plan and four elevations: the front wall above the plan, the other three in a column beside them."""
    low = np.append(room.geometry.plan_m.min(axis=0), 0.0)
    length, width, height = room.geometry.size_m
    left = _MARGIN_M * scale
    side = left + width + 1.4 * _GAP_M * scale
    floor = (PAGE_M[1] - _HEAD_M - 0.6 * _GAP_M) * scale - height
    row = height + _GAP_M * scale

    def view(name: str, towards: ArrayLike, across: ArrayLike, up: ArrayLike, origin: ArrayLike) -> View:
        """across and up: room axes that run to the right and up on the page, from `origin`."""
        axes, start = np.array([across, up], float).T, np.array(origin, float)

        def to_page(points: ArrayLike) -> NDArray[np.float64]:
            return start + (np.atleast_2d(np.asarray(points, float)) - low) @ axes

        return View(name=name, to_page=to_page, towards=np.array(towards, float))

    x, y, z = np.eye(3)
    return (
        view("plan", -z, y, -x, [left, floor - _GAP_M * scale]),
        view("front", -x, y, z, [left, floor]),
        view("right", y, x, z, [side, floor]),
        view("left", -y, -x, z, [side + length, floor - row]),
        view("back", x, -y, z, [side + width, floor - 2 * row]),
    )


def _surfaces(axes: Axes, view: View, room: Room, scale: int) -> None:
    """Outline of the room and its patches."""
    geometry = room.geometry
    obstacles = {one.name for one in geometry.obstacles}
    if view.name == "plan":
        outline = view.to_page(np.column_stack([geometry.plan_m, np.zeros(len(geometry.plan_m))]))
        _polygon(axes, outline, facecolor="none", edgecolor=INK, linewidth=2.4, zorder=4)
        for face in geometry.faces:
            if is_wall(geometry, face) and room.materials[face.name].kind == "opening":
                _gap(axes, view.to_page(face.corners_m[:2]))
        draw_ceiling(axes, view, geometry, scale)
    else:
        for face in geometry.faces:
            if face.axis != 2 and face.of not in obstacles:
                _polygon(axes, view.to_page(face.corners_m), facecolor="none", edgecolor=HAIRLINE, linewidth=0.9,
                         zorder=1)
        _polygon(axes, silhouette(view, geometry), facecolor="none", edgecolor=INK, linewidth=1.8, zorder=4)
    for number, patch in enumerate(room.patches, 1):
        face = geometry.face(patch.face)
        corners = patch.corners_m(geometry)
        fill = KIND_FILL.get(patch.material.kind, SHADE)
        if view.name == "plan" and face.axis == 2:
            style = {"linestyle": (0, (4, 2)), "facecolor": "none"} if patch.face == "ceiling" else {"facecolor": fill}
            page = view.to_page(corners)
            _polygon(axes, page, edgecolor=QUIET, linewidth=0.9, zorder=2, **style)
            low, high = _extent(page)
            inset = np.minimum(0.0035 * scale, (high - low) / 2)
            _number(axes, high - inset if patch.face == "floor" else low + inset, number)
        elif view.name == "plan":
            if patch.material.kind == "opening":
                _gap(axes, view.to_page(corners[:2]))
            else:
                page = view.to_page(corners[:2] + 0.0011 * scale * face.normal)
                axes.plot(*page.T, color=_strong(fill), linewidth=4.4, solid_capstyle="butt", zorder=5)
            _number(axes, view.to_page(corners[:2].mean(axis=0) + 0.0042 * scale * face.normal)[0], number)
        elif face.normal @ view.towards < -0.05:
            page = view.to_page(corners)
            _polygon(axes, page, facecolor=fill, edgecolor=QUIET, linewidth=0.9, zorder=2)
            _number(axes, page.mean(axis=0), number)


def _furniture(axes: Axes, view: View, room: Room) -> None:
    """What stands at a place: all of it in the plan, on each side what is near it."""
    reach = float((room.geometry.plan_m @ view.towards[:2]).max())
    for index, item in enumerate(room.furniture):
        footprint = item.footprint_m()
        if footprint is None:
            continue
        if view.name == "plan":
            page = view.to_page(np.column_stack([footprint, np.zeros(4)]))
            _polygon(axes, page, facecolor=PAPER, edgecolor=INK, linewidth=0.9, zorder=3, alpha=0.93)
            axes.plot(*page[[0, 3]].T, color=INK, linewidth=2.2, solid_capstyle="butt", zorder=3.1)
            aside = 0.3 * (page[3] - page[0])          # beside the middle, where the axis of the loudspeaker runs
            axes.text(*(page.mean(axis=0) + aside), letter(index), ha="center", va="center", fontsize=8.5, zorder=6)
        elif reach - float((footprint @ view.towards[:2]).max()) < NEAR_WALL_M:
            solid = np.concatenate([np.column_stack([footprint, np.full(4, z)]) for z in (0.0, item.size_m[2])])
            low, high = _extent(view.to_page(solid))
            _polygon(axes, _rectangle(low, high), facecolor="none", edgecolor=INK, linewidth=0.8, zorder=3)
            axes.text(low[0] + 0.05, high[1] - 0.04, letter(index), ha="left", va="top", fontsize=7.5, zorder=6)


def _listening(axes: Axes, view: View, scene: Scene) -> None:
    """Loudspeakers and seats."""
    if view.name == "right":
        _heights(axes, view, scene)
    seats = view.to_page(scene.listeners_m)
    axes.plot(*seats[1:].T, "o", markersize=3.2, markerfacecolor=PAPER, markeredgecolor=_SEAT, markeredgewidth=0.9,
              zorder=7)
    axes.plot(*seats[:1].T, "o", markersize=5.2, color=_SEAT, zorder=7.2)
    for placed in scene.loudspeakers:
        corners = _cabinet(placed)
        page = view.to_page(corners)
        if view.name == "plan":
            _polygon(axes, page[:4], facecolor=_SPEAKER, edgecolor=_SPEAKER, linewidth=0.8, zorder=6.5)
            _aim(axes, view, placed, scene)
        else:
            low, high = _extent(page)
            _polygon(axes, _rectangle(low, high), facecolor=_SPEAKER, edgecolor=_SPEAKER, linewidth=0.8, zorder=6.5)


def _aim(axes: Axes, view: View, placed: PlacedLoudspeaker, scene: Scene) -> None:
    """The loudspeaker's axes and the distance to the centre of the seats, in the plan."""
    azimuth = np.radians(placed.azimuth_deg)
    ahead, left = np.array([np.cos(azimuth), np.sin(azimuth), 0]), np.array([-np.sin(azimuth), np.cos(azimuth), 0])
    at, centre = placed.position_m, scene.listeners_m[0]
    line = view.to_page([at, centre])
    axes.plot(*line.T, color=_SEAT, linewidth=0.9, linestyle=(0, (5, 2)), zorder=6)
    distance = float(np.linalg.norm((centre - at)[:2]))
    axes.annotate(f"{distance:.2f} m", line.mean(axis=0), xytext=(5, 0), textcoords="offset points", fontsize=8,
                  color=_SEAT, va="center", zorder=8, bbox=_paper())
    for direction, name in ((ahead, "x"), (left, "y")):
        tip = view.to_page([at, at + 0.42 * direction])
        axes.annotate("", tip[1], tip[0], arrowprops={"arrowstyle": "->", "color": _SPEAKER, "linewidth": 1.1,
                                                     "shrinkA": 0, "shrinkB": 0}, zorder=7)
        axes.text(*view.to_page(at + 0.52 * direction)[0], name, fontsize=7.5, color=_SPEAKER, ha="center", va="center",
                  zorder=8)


def _cabinet(placed: PlacedLoudspeaker) -> NDArray[np.float64]:
    """Corners of the cabinet (8, 3), the four of its floor plan first."""
    speaker = placed.loudspeaker
    depth = 0.0 if speaker.mounting == "on-wall" else speaker.depth_m
    azimuth = np.radians(placed.azimuth_deg)
    ahead, left = np.array([np.cos(azimuth), np.sin(azimuth), 0]), np.array([-np.sin(azimuth), np.cos(azimuth), 0])
    up = np.array([0, 0, 1.0])
    return np.array([
        placed.position_m - back * depth * ahead + side * speaker.width_m / 2 * left + rise * speaker.height_m / 2 * up
        for rise in (-1, 1) for back, side in ((0, 1), (1, 1), (1, -1), (0, -1))
    ])


def _dimensions(axes: Axes, views: Sequence[View], room: Room, scale: int) -> None:
    plan, front, right, _, back = views
    length, width, height = room.geometry.size_m
    low = room.geometry.plan_m.min(axis=0)
    away = 0.0072 * scale

    def at(view: View, x: float, y: float, z: float) -> NDArray[np.float64]:
        return view.to_page([[low[0] + x, low[1] + y, z]])[0]

    _dimension(axes, at(front, 0, 0, height), at(front, 0, width, height), (0, away), f"{width:.2f} m")
    _dimension(axes, at(front, 0, 0, 0), at(front, 0, 0, height), (-away, 0), f"{height:.2f} m")
    _dimension(axes, at(plan, length, 0, 0), at(plan, 0, 0, 0), (-away, 0), f"{length:.2f} m")
    _dimension(axes, at(right, 0, 0, height), at(right, length, 0, height), (0, away), f"{length:.2f} m")
    _dimension(axes, at(back, length, width, 0), at(back, length, width, height), (-0.6 * away, 0), f"{height:.2f} m")


def _heights(axes: Axes, view: View, scene: Scene) -> None:
    """Heights of the loudspeakers and of the centre of the seats above the floor."""
    for point, colour in [(placed.position_m, _SPEAKER) for placed in scene.loudspeakers] + [
            (scene.listeners_m[0], _SEAT)]:
        base = point * [1, 1, 0]
        line = view.to_page([base, point])
        axes.plot(*line.T, color=colour, linewidth=0.9, linestyle=(0, (2, 1.5)), zorder=6)
        axes.annotate(f"{point[2]:.2f} m", line.mean(axis=0), xytext=(4, 0), textcoords="offset points", fontsize=7.5,
                      color=colour, va="center", zorder=8, bbox=_paper())


def _dimension(axes: Axes, start: ArrayLike, end: ArrayLike, away: tuple[float, float], text: str) -> None:
    """A line with ticks at both ends, beside what it measures, and the number on it."""
    a, b = np.asarray(start) + away, np.asarray(end) + away
    upright = abs(b[1] - a[1]) > abs(b[0] - a[0])
    axes.annotate("", a, b, arrowprops={"arrowstyle": "|-|,widthA=0.25,widthB=0.25", "color": QUIET, "linewidth": 0.9,
                                        "shrinkA": 0, "shrinkB": 0})
    axes.text(*(a + b) / 2, text, fontsize=8.5, color=INK, ha="center", va="center", rotation=90 if upright else 0,
              bbox=_paper())


def _names_and_frame(axes: Axes, views: Sequence[View], room: Room, scale: int) -> None:
    """Names of the walls in the plan, captions of the views, the room's frame."""
    plan = views[0]
    for face in room.geometry.faces:
        if not is_wall(room.geometry, face):
            continue
        along = plan.to_page(face.corners_m[:2])
        angle = np.degrees(np.arctan2(*(along[1] - along[0])[::-1]))
        length = float(np.linalg.norm(along[0] - along[1])) / scale
        name = plain_label(face.name, 24)
        if length > 0.0017 * len(name):            # what fits beside a short wall
            outside = plan.to_page(face.corners_m[:2].mean(axis=0) - 0.0027 * scale * face.normal)[0]
            axes.text(*outside, name, fontsize=8, color=QUIET, ha="center", va="center", zorder=8,
                      rotation=(angle + 90.001) % 180 - 90, rotation_mode="anchor", bbox=_paper())
    corners = np.concatenate([face.corners_m for face in room.geometry.faces])
    for view in views[1:]:
        low, high = _extent(view.to_page(corners))
        box = room.geometry.kind == "box"
        text = f"{view.name} wall from inside" if box else f"towards the {view.name}, from inside"
        axes.text((low[0] + high[0]) / 2, low[1] - 0.0034 * scale, text, fontsize=8, color=QUIET, ha="center",
                  va="center")
    origin, step, beside = np.zeros(3), 0.009 * scale, 0.003 * scale
    for tip, at, name in (([step, 0, 0], [step, -beside, 0], "x"), ([0, step, 0], [-beside, step, 0], "y")):
        page = plan.to_page([origin, tip])
        axes.annotate("", page[1], page[0], zorder=9, arrowprops={
            "arrowstyle": "-|>", "color": INK, "linewidth": 1.6, "shrinkA": 0, "shrinkB": 0})
        axes.text(*plan.to_page(at)[0], name, fontsize=9, ha="center", va="center", zorder=9)
    axes.plot(*plan.to_page(origin).T, "o", markersize=4, color=INK, zorder=9)


def _heading(figure: Figure, room: Room, title: str, scale: int) -> None:
    geometry = room.geometry
    left = _MARGIN_M / PAGE_M[0]
    text = figure.text(left, 1 - 0.009 / PAGE_M[1], plain_label(title or room.name, 80), fontsize=15, fontweight="bold",
                       va="center")
    fit(figure, text, 0.66)
    figure.text(0.985, 1 - 0.009 / PAGE_M[1], f"{geometry.volume_m3:.1f} m³   floor {geometry.floor_m2:.1f} m²   "
                                             f"surface {geometry.surface_m2:.0f} m²   1 : {scale} on A4",
                ha="right", va="center", fontsize=9.5, color=QUIET)


def _scale_bar(axes: Axes, scale: int) -> None:
    y = 0.0075 * scale
    left = _MARGIN_M * scale
    for metre in range(2):
        axes.plot([left + metre, left + metre + 1], [y, y], color=INK if metre % 2 == 0 else HAIRLINE, linewidth=3,
                  solid_capstyle="butt")
    axes.text(left + 2 + 0.003 * scale, y, "2 m", fontsize=8, va="center", color=QUIET)


def _number(axes: Axes, at: ArrayLike, number: int) -> None:
    axes.text(*np.asarray(at), str(number), fontsize=7.5, ha="center", va="center", zorder=8,
              bbox={"boxstyle": "circle,pad=0.18", "facecolor": PAPER, "edgecolor": QUIET, "linewidth": 0.7})


def _polygon(axes: Axes, corners: ArrayLike, **style: Any) -> None:
    from matplotlib.patches import Polygon

    axes.add_patch(Polygon(np.asarray(corners, float), closed=True, **style))


def _gap(axes: Axes, line: NDArray[np.float64]) -> None:
    """An opening in a wall of the plan."""
    axes.plot(*line.T, color=PAPER, linewidth=4, solid_capstyle="butt", zorder=5)
    axes.plot(*line.T, color=QUIET, linewidth=0.9, linestyle=(0, (4, 3)), zorder=5.1)


def _extent(page: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return page.min(axis=0), page.max(axis=0)


def _rectangle(low: NDArray[np.float64], high: NDArray[np.float64]) -> list[list[float]]:
    return [[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]]


def _strong(fill: str) -> str:
    """A fill as a line: darker, so that it shows on a thin stroke."""
    from matplotlib.colors import to_hex, to_rgb

    return to_hex(np.array(to_rgb(fill)) * 0.78)


def _paper() -> dict[str, Any]:
    return {"facecolor": PAPER, "edgecolor": "none", "pad": 1.0}
