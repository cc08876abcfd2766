"""The column beside a room's drawing: surfaces, patches, furniture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..room.faces import Face
from ..room.furnishing import Furniture
from ..room.obstacles import Obstacle
from ..room.room import Room
from .style import INK, PAPER, QUIET, SHADE, fit, plain_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

KIND_FILL = {"hard": "#cfd3d8", "panel": "#e6d3ad", "porous": "#bfd8c6", "curtain": "#d6c6e6", "opening": PAPER}
"""Tint of a patch by the kind of its finish."""

_LINE_M, _MOST = 0.0042, 12


def letter(index: int) -> str:
    """A, B, … Z, AA, AB, … of the item with this index."""
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text


def obstacle_mark(index: int) -> str:
    """a, b, … of the obstacle with this index; furniture has capitals."""
    return letter(index).lower()


def key_column(
    figure: Figure, axes: Axes, room: Room, left_m: float, top_m: float, bottom_m: float, scale: int
) -> None:
    """Write the column; places in metres on paper, from the page's lower left."""
    groups: list[tuple[str, list[tuple[str, str, str]]]] = [
        ("Surfaces", [("", plain_label(f"{face.of}: {room.materials[face.name].name}", 90),
                       KIND_FILL.get(room.materials[face.name].kind, SHADE)) for face in _surfaces(room)]),
        ("Patches", [(str(k), f"{plain_label(patch.material.name, 60)}, {plain_label(patch.face, 20)}, "
                              f"{_sides(patch.to_m - patch.from_m)}",
                      KIND_FILL.get(patch.material.kind, SHADE)) for k, patch in enumerate(room.patches, 1)]),
        ("Obstacles", [(obstacle_mark(k), _obstacle(room, one), "")
                       for k, one in enumerate(room.geometry.obstacles)]),
        ("Furniture", [(letter(k), _item(item), "") for k, item in enumerate(room.furniture)]),
    ]
    groups = [group for group in groups if group[1]]
    lines = int((top_m - bottom_m) / _LINE_M) - 2 * len(groups)
    most = max(2, min(_MOST, lines // max(len(groups), 1)))
    right = 1 - 0.006 / figure.get_figwidth() / 0.0254
    y = top_m
    for title, entries in groups:
        axes.text(left_m * scale, y * scale, title, fontsize=9, fontweight="bold", va="center")
        y -= _LINE_M * 1.15
        shown = entries if len(entries) <= most else entries[: most - 1]
        for mark, text, fill in shown:
            if fill:
                axes.plot([(left_m + 0.0062) * scale], [y * scale], marker="s", markersize=6, color=fill,
                          markeredgecolor=QUIET, markeredgewidth=0.6)
            axes.text((left_m + 0.0032) * scale, y * scale, mark, fontsize=8, va="center", ha="right", color=INK)
            said = axes.text((left_m + (0.0084 if fill else 0.0052)) * scale, y * scale, text, fontsize=8, va="center")
            fit(figure, said, right)
            y -= _LINE_M
        if len(shown) < len(entries):
            axes.text((left_m + 0.0052) * scale, y * scale, f"and {len(entries) - len(shown)} more", fontsize=8,
                      va="center", color=QUIET)
            y -= _LINE_M
        y -= _LINE_M * 0.7
    _unplaced(axes, room, left_m, y, bottom_m, right * figure.get_figwidth() * 0.0254, scale)


def _unplaced(axes: Axes, room: Room, left_m: float, top_m: float, bottom_m: float, right_m: float, scale: int) -> None:
    """Furniture that stands anywhere, to scale, as far as there is room for it."""
    from matplotlib.patches import Rectangle

    loose = [(k, item) for k, item in enumerate(room.furniture) if item.position_m is None and item.size_m is not None]
    if not loose or top_m - _LINE_M < bottom_m:
        return
    axes.text(left_m * scale, top_m * scale, "Standing anywhere, to scale", fontsize=8, color=QUIET, va="center")
    x, y, row = left_m, top_m - _LINE_M * 0.8, 0.0
    for index, item in loose:
        for _ in range(item.count):
            width, depth = item.size_m[0] / scale, item.size_m[1] / scale
            if x + width > right_m:
                x, y, row = left_m, y - row - 0.002, 0.0
            if y - depth < bottom_m or x + width > right_m:
                return
            axes.add_patch(Rectangle((x * scale, (y - depth) * scale), width * scale, depth * scale, facecolor=PAPER,
                                     edgecolor=INK, linewidth=0.9))
            axes.text((x + width / 2) * scale, (y - depth / 2) * scale, letter(index), fontsize=7, ha="center",
                      va="center")
            x, row = x + width + 0.002, max(row, depth)


def _surfaces(room: Room) -> list[Face]:
    """One face of every surface that has a finish of its own, without obstacles."""
    obstacles = {one.name for one in room.geometry.obstacles}
    return list({face.of: face for face in reversed(room.geometry.faces) if face.of not in obstacles}.values())[::-1]


def _obstacle(room: Room, one: Obstacle) -> str:
    finish = next(room.materials[face.name].name for face in room.geometry.faces if face.of == one.name)
    width, depth, height = one.size_m
    above = f", {one.base_m:g} m up" if one.base_m > 0 else ""
    return plain_label(f"{one.name}: {finish}, {width:g} × {depth:g} × {height:g} m{above}", 110)


def _item(item: Furniture) -> str:
    many = f"{item.count} × " if item.count > 1 else ""
    return many + plain_label(item.name, 60)


def _sides(extent: np.ndarray) -> str:
    return " × ".join(f"{side:.2f}" for side in extent) + " m"
