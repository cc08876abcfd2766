"""What a drawing shows of rooms that are no box: outlines under slopes and steps, ceilings, obstacles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..room.faces import Face
from ..room.geometry import Geometry
from .room_drawing_key import obstacle_mark
from .style import INK, PAPER, QUIET, SHADE, plain_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .room_drawing import View

NEAR_WALL_M = 0.8
"""A side shows the furniture and obstacles that stand closer to it than this."""


def is_wall(geometry: Geometry, face: Face) -> bool:
    """Whether a face is a wall of the plan: no part of the ceiling, no step in it, no obstacle."""
    return face.upright and face.of == face.name and face.of not in {one.name for one in geometry.obstacles}


def silhouette(view: View, geometry: Geometry) -> NDArray[np.float64]:
    """Outline of the room in a side, on the page, shape (n, 2)."""
    from shapely import Polygon, unary_union

    shadows = [Polygon(view.to_page(face.corners_m)) for face in geometry.faces]
    whole = unary_union([shadow.buffer(1e-6, join_style="mitre") for shadow in shadows if shadow.area > 1e-9])
    pieces = getattr(whole, "geoms", [whole])
    return np.array(max(pieces, key=lambda piece: piece.area).exterior.simplify(1e-4).coords)


def draw_ceiling(axes: Axes, view: View, geometry: Geometry, scale: int) -> None:
    """Parts of the ceiling in the plan: dashed outlines with their heights."""
    if len(geometry.ceiling) < 2 and all(not part.plane[:2].any() for part in geometry.ceiling):
        return
    for part in geometry.ceiling:
        outline, heights = part.outline_m, part.height_m(part.outline_m)
        page = view.to_page(np.column_stack([outline, heights]))
        axes.plot(*np.concatenate([page, page[:1]]).T, color=QUIET, linewidth=0.7, linestyle=(0, (1, 2)), zorder=2.5)
        if not part.plane[:2].any():
            _said(axes, _inside(page), f"{plain_label(part.name, 20)}\n{heights[0]:.2f} m", zorder=5.6)
            continue
        _said(axes, _inside(page), plain_label(part.name, 20), zorder=5.6)
        shown: list[NDArray[np.float64]] = []
        for corner, height, inwards in zip(page, heights, _bisectors(page), strict=True):
            at = corner + 0.0075 * scale * inwards
            if all(np.linalg.norm(at - other) > 0.009 * scale for other in shown):
                _said(axes, at, f"{height:.2f}", zorder=5.6)
                shown.append(at)


def draw_obstacles(axes: Axes, view: View, geometry: Geometry) -> None:
    """Obstacles: all of them in the plan, on each side those near it."""
    reach = float((geometry.plan_m @ view.towards[:2]).max())
    for index, one in enumerate(geometry.obstacles):
        style: dict[str, Any] = {"edgecolor": INK, "linewidth": 1.1, "facecolor": SHADE}
        if view.name == "plan":
            hangs = one.base_m > 1.2
            page = view.to_page(np.column_stack([one.footprint_m, np.zeros(4)]))
            if hangs:
                style |= {"facecolor": "none", "linestyle": (0, (4, 2)), "linewidth": 0.9}
            _polygon(axes, page, zorder=2.8, **style)
            _mark(axes, page.mean(axis=0) if not hangs else page[0] + 0.12 * (page[2] - page[0]), index)
            continue
        if reach - float((one.footprint_m @ view.towards[:2]).max()) > NEAR_WALL_M:
            continue
        page = view.to_page(one.corners_m)
        low, high = page.min(axis=0), page.max(axis=0)
        _polygon(axes, np.array([low, [high[0], low[1]], high, [low[0], high[1]]]), zorder=2.2, alpha=0.9, **style)
        thin = high[1] - low[1] < 0.2
        _mark(axes, np.array([(low[0] + high[0]) / 2, high[1] + 0.15 if thin else (low[1] + high[1]) / 2]), index)


def _bisectors(page: NDArray[np.float64]) -> NDArray[np.float64]:
    """Directions into an outline from its corners, shape (n, 2)."""
    edge = np.roll(page, -1, axis=0) - page
    edge /= np.linalg.norm(edge, axis=1, keepdims=True)
    before = np.roll(edge, 1, axis=0)
    x, y = page.T
    turn = np.sign(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    across = turn * np.stack([-(edge + before)[:, 1], (edge + before)[:, 0]], axis=1)
    return across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)


def _inside(page: NDArray[np.float64]) -> NDArray[np.float64]:
    """A point well inside an outline, above its middle, where the axis of the loudspeaker does not run."""
    from shapely import Polygon
    from shapely.ops import polylabel

    at = polylabel(Polygon(page), 0.02)
    return np.array([at.x, at.y])


def _mark(axes: Axes, at: NDArray[np.float64], index: int) -> None:
    axes.text(*at, obstacle_mark(index), fontsize=8, ha="center", va="center", zorder=6)


def _said(axes: Axes, at: NDArray[np.float64], text: str, **more: Any) -> None:
    axes.text(*at, text, fontsize=7, color=QUIET, ha="center", va="center",
              bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6, "alpha": 0.85}, **more)


def _polygon(axes: Axes, corners: NDArray[np.float64], **style: Any) -> None:
    from matplotlib.patches import Polygon

    axes.add_patch(Polygon(corners, closed=True, **style))


