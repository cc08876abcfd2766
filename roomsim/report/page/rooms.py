"""Each room to scale, from above and towards its right wall, with loudspeaker, seats, patches and the strongest
reflections as numbered paths; and the table of those reflections."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..balance import EarlyReflections, early_reflections, surface_name
from ..cases import main_setting, variant_dimensions, variant_name, variants
from ..room_drawing_key import letter
from ..sketch import Kept, Shape, Sketch, shape
from ..style import plain_label
from .panels import room_words
from .paths import path_points, planes_of
from .selection import Selection

MOST_PATHS = 6
MOST_OTHERS = 12
"""Channels and places of a room whose reflections stand beside the drawn ones, in short."""
PAGE_UNITS = 340.0
"""Width of the largest drawing."""
_MARGIN = 12.0
_BETWEEN = 30.0
_FLAT_M = 0.02
"""A patch seen from its edge is drawn so thick beside its wall, re the size of the room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PathRow:
    """One line of the table: a numbered reflection.

    Attributes
    ----------
    number : as drawn
    surfaces : what it meets, in order
    delay : after the direct sound [ms], as text
    levels : per drawn design, re its direct sound, 1 to 8 kHz [dB], as text; "–" where it is not listed
    strong : above the recommendation for reference rooms, for the design that is drawn
    direction : where it arrives from
    """

    number: int
    surfaces: str
    delay: str
    levels: tuple[str, ...]
    strong: bool
    direction: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomView:
    """One room.

    Attributes
    ----------
    name, detail : label and sizes
    sketch : the drawing
    rows : the reflections
    subject : whose reflections are drawn
    others : the same in short of the other channels, places and variations: one line each
    more : how many of these stand in reflections.csv only
    key : (mark, what it is) of patches and furniture
    finishes : (face, finish) of the room
    """

    name: str
    detail: str
    sketch: Sketch
    rows: tuple[PathRow, ...]
    subject: str
    others: tuple[tuple[str, ...], ...]
    more: int
    key: tuple[tuple[str, str, str], ...]
    finishes: tuple[tuple[str, str], ...]


def room_views(chosen: Selection, most_designs: int = 3) -> list[RoomView]:
    """The rooms of the drawn cases, all at one scale, as far as the result records them."""
    meta = chosen.metadata()
    main = main_setting(chosen.result)
    outlines: dict[Any, dict[str, Any]] = {}
    for one in sorted(meta.get("rooms", []), key=lambda one: one.get("setting") != main):
        outlines.setdefault(one["room"], one)
    scenes: dict[Any, dict[str, Any]] = {}
    for one in meta.get("scenes", []):                  # recorded once for all settings, which move nobody
        if one["design"] in chosen.designs:
            scenes.setdefault(one["room"], {**one, "setting": outlines.get(one["room"], one).get("setting", main)})
    rooms = [room for room in chosen.rooms if room in outlines]
    if not rooms:
        return []
    widest = max(outlines[room]["size"][1] for room in rooms)
    longest = max(outlines[room]["size"][0] for room in rooms)
    unit = min((PAGE_UNITS - 2 * _MARGIN) / max(widest, longest), 70.0)
    return [_view(chosen, k, room, outlines[room], scenes.get(room), unit, most_designs)
            for k, room in enumerate(rooms, 1)]


def _view(
    chosen: Selection, number: int, room: Any, outline: dict[str, Any], scene: dict[str, Any] | None, unit: float,
    most_designs: int,
) -> RoomView:
    found, labels = _reflections(chosen, room, scene)
    paths: list[NDArray[np.float64]] = []
    kept: list[int] = []
    subject = ""
    if found is not None and scene is not None:
        planes = planes_of(outline, scene.get("plates", ()))
        order = np.argsort(-found.high_level_db, kind="stable")
        for k in order:
            points = path_points(scene["channels"][found.channel], scene["seats"][found.listener - 1], found.faces[k],
                                 planes) if found.channel in scene["channels"] else None
            if points is not None and len(paths) < MOST_PATHS:
                paths.append(points)
                kept.append(int(k))
        state = variant_name(chosen.result, {d: labels[d] for d in variant_dimensions(chosen.result) if d in labels})
        subject = (f"{plain_label(labels['design'])}, channel {plain_label(found.channel)}, middle seat"
                   + (f", {state}" if state else ""))
    rows = _rows(chosen, found, kept, labels, most_designs) if found is not None else ()
    names = tuple(f"{row.number}: {row.surfaces}, {row.delay} ms, {row.levels[0]} dB" for row in rows)
    sketch = _draw(f"room-{number}", plain_label(room, 60), outline, scene, paths, names, unit)
    others, more = _others(chosen, room, labels, found)
    return RoomView(
        name=plain_label(room, 60), detail=room_words(chosen, room), sketch=sketch, rows=rows, subject=subject,
        others=others, more=more,
        key=_key(outline), finishes=tuple((plain_label(face["name"]), plain_label(face["finish"], 80))
                                          for face in outline["faces"]),
    )


def _reflections(
    chosen: Selection, room: Any, scene: dict[str, Any] | None
) -> tuple[EarlyReflections | None, dict[str, Any]]:
    """Those of the first listed channel of the scene that is drawn."""
    if scene is None:
        return None, {}
    dims = [d for d in chosen.result["level_db"].dims if d not in ("channel", "listener", "frequency")]
    labels = {str(d): scene[str(d)] for d in dims if str(d) in scene}
    found = early_reflections(chosen.result, labels)
    return (found[0] if found else None), labels


def _others(
    chosen: Selection, room: Any, drawn: dict[str, Any], found: EarlyReflections | None
) -> tuple[tuple[tuple[str, ...], ...], int]:
    """Channel, variant, gap and strongest reflection of what is not drawn of the same design and setting."""
    if found is None:
        return (), 0
    lines = []
    for variant in variants(chosen.result):
        if variant["setting"] != drawn["setting"]:
            continue
        for one in early_reflections(chosen.result, {"design": drawn["design"], "room": room, **variant}):
            if (one.channel, one.listener) == (found.channel, found.listener) and all(
                    drawn.get(d) == label for d, label in variant.items()):
                continue
            if len(lines) < MOST_OTHERS and one.faces:
                k = int(np.argmax(one.high_level_db))
                gap = one.judgement.gap_ms
                lines.append((
                    ", ".join(filter(None, (plain_label(one.channel), variant_name(chosen.result, variant)))),
                    "–" if gap is None else f"{gap:.1f}", surface_name(one.faces[k]), f"{one.delay_ms[k]:.1f}",
                    f"{one.high_level_db[k]:.1f}".replace("-", "−")))
    count = sum(v["setting"] == drawn["setting"] for v in variants(chosen.result)) * chosen.result.sizes["channel"]
    return tuple(lines), max(count - 1 - len(lines), 0) if len(lines) == MOST_OTHERS else 0


def _rows(
    chosen: Selection, found: EarlyReflections, kept: list[int], labels: dict[str, Any], most_designs: int
) -> tuple[PathRow, ...]:
    others = [labels["design"], *(d for d in chosen.designs if d != labels["design"])][:most_designs]
    levels = []
    for design in others:
        lists = early_reflections(chosen.result, labels | {"design": design})
        same = next((one for one in lists if one.channel == found.channel), lists[0] if lists else None)
        levels.append({} if same is None else dict(zip(same.faces, same.high_level_db, strict=True)))
    rows = []
    for number, k in enumerate(kept, 1):
        at = [one.get(found.faces[k]) for one in levels]
        rows.append(PathRow(
            number=number, surfaces=surface_name(found.faces[k]), delay=f"{found.delay_ms[k]:.1f}",
            levels=tuple("–" if v is None else f"{v:.1f}".replace("-", "−") for v in at),
            strong=k in found.judgement.too_strong,
            direction=_direction(float(found.azimuth_deg[k]), float(found.elevation_deg[k])),
        ))
    return tuple(rows)


def table_designs(chosen: Selection, most_designs: int = 3) -> list[str]:
    """Whose levels the tables of reflections show, in order."""
    return [plain_label(d) for d in chosen.designs[:most_designs]]


def _direction(azimuth: float, elevation: float) -> str:
    across = "ahead" if abs(azimuth) < 0.5 else f"{abs(azimuth):.0f}° {'left' if azimuth > 0 else 'right'}"
    up = "" if abs(elevation) < 0.5 else f", {abs(elevation):.0f}° {'up' if elevation > 0 else 'down'}"
    return across + up


def _key(outline: dict[str, Any]) -> tuple[tuple[str, str, str], ...]:
    """Marks of patches (numbers are taken by reflections: letters) and furniture."""
    rows = [
        (letter(k), f"{plain_label(patch['finish'], 60)} on the {plain_label(patch['face'], 24)}", patch["kind"])
        for k, patch in enumerate(outline["patches"])
    ]
    many = len(rows)
    for k, item in enumerate(outline["furniture"]):
        count = f"{item['count']} × " if item["count"] > 1 else ""
        where = "" if item["footprint"] else ", anywhere"
        rows.append((letter(many + k), f"{count}{plain_label(item['name'], 60)}{where}", "furniture"))
    return tuple(rows)


class _Views:
    """Plan, front wall at the top, above the view towards the right wall, front wall at the left; in metres."""

    def __init__(self, outline: dict[str, Any], unit: float) -> None:
        plan = np.asarray(outline["plan"], float)
        self.low = plan.min(axis=0)
        length, width, height = outline["size"]
        self.margin, self.unit = _MARGIN / unit, unit
        self.plan_top = 26.0 / unit
        self.side_top = self.plan_top + length + (_BETWEEN + 20.0) / unit
        self.floor = self.side_top + height
        self.size = (PAGE_UNITS / unit, self.floor + 46.0 / unit)
        self.plan_left = (self.size[0] - width) / 2
        self.side_left = (self.size[0] - length) / 2

    def plan(self, points: ArrayLike) -> NDArray[np.float64]:
        p = np.atleast_2d(np.asarray(points, float))
        return np.stack([self.plan_left + p[:, 1] - self.low[1], self.plan_top + p[:, 0] - self.low[0]], axis=1)

    def side(self, points: ArrayLike) -> NDArray[np.float64]:
        p = np.atleast_2d(np.asarray(points, float))
        return np.stack([self.side_left + p[:, 0] - self.low[0], self.floor - p[:, 2]], axis=1)


def _draw(
    key: str, title: str, outline: dict[str, Any], scene: dict[str, Any] | None, paths: list[NDArray[np.float64]],
    names: tuple[str, ...], unit: float,
) -> Sketch:
    views = _Views(outline, unit)
    kept = Kept(unit, views.size)
    shapes: list[Shape] = []
    for project, flat in ((views.plan, 2), (views.side, 1)):
        shapes += _surfaces(outline, project, flat)
    texts = _captions(views, outline, kept)
    texts += _marks(views, outline, kept)
    if scene is not None:
        for project in (views.plan, views.side):
            for number, points in enumerate(paths, 1):
                shapes.append(shape("path", project(points), name=names[number - 1], key=number))
            if paths:
                shapes.append(shape("direct", project([paths[0][0], paths[0][-1]]), name="direct sound"))
            shapes += _things(scene, project)
            kept.take(project(scene["seats"][:1])[0], "", "number")
            texts += _numbers(paths, project, kept)
    what = "Plan with the front wall at the top, and below it the view towards the right wall"
    return Sketch(key=key, title=title, words=f"{title}. {what}, with {len(paths)} numbered reflections",
                  size_m=views.size, shapes=(*shapes, *texts), unit=unit)


def _surfaces(outline: dict[str, Any], project: Any, flat: int) -> list[Shape]:
    """Walls, patches and furniture of one view; `flat` is the axis that the viewer looks along."""
    shapes = []
    thick = _FLAT_M * max(outline["size"])
    for patch in outline["patches"]:
        corners = np.asarray(patch["corners"], float)
        spread = np.ptp(corners, axis=0)
        normal = int(np.argmin(spread))
        if normal == flat:
            seen_from_below = flat == 2 and patch["face"] == "ceiling"
            if flat == 2 or patch["face"] != "left":
                kind = "above" if seen_from_below else patch["kind"] or "panel"
                shapes.append(shape(kind, project(corners), closed=True,
                                    name=f"{patch['finish']}, {patch['face']}"))
        elif spread[normal] < 1e-6:
            page = project(corners)
            low, high = page.min(axis=0), page.max(axis=0)
            centre = project(np.asarray([[*np.mean(outline["plan"], axis=0), outline["size"][2] / 2]]))[0]
            out = np.where(high - low < 1e-6, np.sign(low - centre) * thick, 0)
            low, high = np.minimum(low, low + out), np.maximum(high, high + out)
            shapes.append(shape(patch["kind"] or "panel", _box(low, high), closed=True,
                                name=f"{patch['finish']}, {patch['face']}"))
    for item in outline["furniture"]:
        if item["footprint"]:
            foot = np.asarray(item["footprint"], float)
            solid = np.concatenate([np.column_stack([foot, np.full(4, z)]) for z in (0.0, item["height"] or 0.5)])
            page = project(solid)
            shapes.append(shape("furniture", page[:4] if flat == 2 else _box(page.min(axis=0), page.max(axis=0)),
                                closed=True, name=item["name"]))
    if flat == 2:
        plan = np.asarray(outline["plan"], float)
        shapes.append(shape("wall", project(np.column_stack([plan, np.zeros(len(plan))])), closed=True))
    else:
        corners = project(np.concatenate([np.asarray(face["corners"], float) for face in outline["faces"]]))
        shapes.append(shape("wall", _box(corners.min(axis=0), corners.max(axis=0)), closed=True))
    return shapes


def _things(scene: dict[str, Any], project: Any) -> list[Shape]:
    """Cabinets, plates close to them, seats."""
    shapes = [shape("plate", project(plate["corners"]), closed=True, name=plate["name"])
              for plate in scene.get("plates", ())]
    for cabinet in scene["cabinets"]:
        page = project(_corners(cabinet))
        low, high = page.min(axis=0), page.max(axis=0)
        straight = abs(cabinet["azimuth_deg"] % 90) < 1e-6
        shapes.append(shape("speaker", _box(low, high) if straight else page[:4], closed=True, name=cabinet["name"]))
    seats = project(scene["seats"])
    if len(seats) > 1:
        shapes.append(shape("other-seat", seats[1:]))
    shapes.append(shape("seat", seats[:1]))
    return shapes


def _corners(cabinet: dict[str, Any]) -> NDArray[np.float64]:
    depth, width, height = cabinet["size"]
    depth = max(depth, 0.02)
    azimuth = np.radians(cabinet["azimuth_deg"])
    ahead, left = np.array([np.cos(azimuth), np.sin(azimuth), 0]), np.array([-np.sin(azimuth), np.cos(azimuth), 0])
    up = np.array([0, 0, 1.0])
    return np.array([
        np.asarray(cabinet["at"]) - back * depth * ahead + side * width / 2 * left + rise * height / 2 * up
        for rise in (-1, 1) for back, side in ((0, 1), (1, 1), (1, -1), (0, -1))
    ])


def _captions(views: _Views, outline: dict[str, Any], kept: Kept) -> list[Shape]:
    """Sizes, names of the views and a scale, where nothing else may come to stand."""
    length, width, height = outline["size"]
    u = views.unit
    places = [
        ("label", (views.plan_left + width / 2, views.plan_top - 12 / u), f"front wall, {width:.2f} m", "mid"),
        ("label", (views.plan_left + width / 2, views.plan_top + length + 17 / u), "from above", "mid"),
        ("label", (views.side_left + length / 2, views.side_top - 12 / u),
         f"{length:.2f} m long, {height:.2f} m high", "mid"),
        ("label", (views.side_left + length / 2, views.floor + 17 / u), "towards the right wall", "mid"),
        ("label", (2 * _MARGIN / u / 2 + 1.0 + 6 / u, views.size[1] - 10 / u), "1 m", "start"),
    ]
    out = []
    for kind, at, text, anchor in places:
        kept.take(at, text, kind, anchor)
        out.append(shape(kind, [at], text=text, anchor=anchor))
    left, y = _MARGIN / u, views.size[1] - 10 / u
    out.append(shape("bar", [(left, y), (left + 1.0, y)], name="scale: 1 m"))
    return out


def _marks(views: _Views, outline: dict[str, Any], kept: Kept) -> list[Shape]:
    """Letters of patches and furniture in the plan, where there is a free place."""
    out = []
    things = [(patch["corners"], patch) for patch in outline["patches"]]
    things += [(item["footprint"], item) for item in outline["furniture"]]
    for k, (corners, _) in enumerate(things):
        if corners is None:
            continue
        points = np.asarray(corners, float)
        points = points if points.shape[1] == 3 else np.column_stack([points, np.zeros(len(points))])
        page = views.plan(points)
        low, high = page.min(axis=0), page.max(axis=0)
        centre, inset = (low + high) / 2, 9.0 / views.unit
        inward = np.sign(np.array([views.plan_left + outline["size"][1] / 2,
                                   views.plan_top + outline["size"][0] / 2]) - centre)
        places = [high - inset, (low[0] + inset, high[1] - inset), (high[0] - inset, low[1] + inset), low + inset,
                  centre]
        if min(high - low) < 2.2 * inset:                                 # a wall's patch, seen from its edge
            step = np.where(high - low < 0.1, inward * 11.0 / views.unit, 0)
            places = [centre + step + share * (high - low) for share in (0, 0.3, -0.3, 0.42, -0.42)]
        place = kept.first_free(places, letter(k), "label")
        if place is not None:
            out.append(shape("label", [place], text=letter(k)))
    return out


def _numbers(paths: list[NDArray[np.float64]], project: Any, kept: Kept) -> list[Shape]:
    """A number on each path, at the reflection if there is room, else along it."""
    out = []
    for number, points in enumerate(paths, 1):
        page = project(points)
        places = [page[1]] if len(page) > 2 else []
        for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9, 0.42, 0.58, 0.28, 0.72):
            places += [page[k] + share * (page[k + 1] - page[k]) for k in range(len(page) - 1)]
        place = kept.first_free(places, str(number), "number")
        if place is not None:
            out.append(shape("number", [place], text=str(number), key=number))
    return out


def _box(low: ArrayLike, high: ArrayLike) -> list[list[float]]:
    (a, b), (c, d) = np.asarray(low, float), np.asarray(high, float)
    return [[a, b], [c, b], [c, d], [a, d]]
