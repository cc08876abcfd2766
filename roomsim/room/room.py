"""A room as the engines see it: geometry, a material on every face, air."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..air import Air
from ..errors import InvalidValue
from .furnishing import Furniture, Patch, face_axes
from .geometry import Geometry
from .materials import Material
from .outline import signed_distance_m

MOST_FURNITURE = 0.5
"""Share of the room's volume that furniture may fill; more is a slip (EN 12354-6 holds below 0.2)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """One acoustic state of one room.

    Attributes
    ----------
    name : label for people
    geometry : the faces
    materials : surface or face name -> Material, one for every face; faces that share a surface (`Face.of`) share
        its finish, and every face has its own entry afterwards
    patches : rectangles of another finish; they lie inside their face and do not overlap
    furniture : objects that absorb and scatter
    air : state of the air

    Raises
    ------
    InvalidValue : a face without a material, a material for a face that is not there, a patch that leaves its
        face or overlaps another, furniture outside the room or more than fits
    """

    name: str
    geometry: Geometry
    materials: Mapping[str, Material]
    patches: tuple[Patch, ...] = ()
    furniture: tuple[Furniture, ...] = ()
    air: Air = field(default_factory=Air)

    def __post_init__(self) -> None:
        given = dict(self.materials)
        faces = {face.name for face in self.geometry.faces}
        for face in self.geometry.faces:
            if face.name not in given and face.of in given:
                given[face.name] = given[face.of]
        for shared in set(self.geometry.surface_names) - faces:
            given.pop(shared, None)
        object.__setattr__(self, "materials", given)
        if missing := sorted(faces - set(self.materials)):
            raise InvalidValue("surfaces", ", ".join(missing), "every face needs a material")
        if extra := sorted(set(self.materials) - faces):
            raise InvalidValue("surfaces", ", ".join(extra), "no such face in this room")
        for problem in furnishing_problems(self.geometry, self.patches, self.furniture):
            raise problem

    def parts(self) -> tuple[Part, ...]:
        """Every face less its patches, then every patch, with areas and materials."""
        covered = dict.fromkeys(self.geometry.face_names, 0.0)
        free = [_free_m2(self.geometry, patch) for patch in self.patches]
        for patch, area in zip(self.patches, free, strict=True):
            covered[patch.face] += area
        faces = [
            Part(name=face.name, face=face.name, area_m2=max(face.exposed_m2 - covered[face.name], 0.0),
                 material=self.materials[face.name])
            for face in self.geometry.faces
        ]
        patches = [
            Part(name=f"{patch.face}: {patch.material.name}", face=patch.face, area_m2=area, material=patch.material)
            for patch, area in zip(self.patches, free, strict=True)
        ]
        return tuple(part for part in (*faces, *patches) if part.area_m2 > 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One piece of surface with one finish: a face less its patches, or a patch."""

    name: str
    face: str
    area_m2: float
    material: Material


def _free_m2(geometry: Geometry, patch: Patch) -> float:
    """Area of a patch that nothing stands on."""
    face = geometry.face(patch.face)
    if not face.covers:
        return patch.area_m2
    from shapely import Polygon, box

    origin, first, second = face_axes(geometry, face)
    whole = box(*patch.from_m, *patch.to_m)
    return float(whole.area - sum(
        whole.intersection(Polygon(np.stack([(cover - origin) @ first, (cover - origin) @ second], axis=1))).area
        for cover in face.covers))


def furnishing_problems(
    geometry: Geometry, patches: Sequence[Patch | None], furniture: Sequence[Furniture | None]
) -> Iterator[InvalidValue]:
    """Everything wrong with where patches and furniture are; keys are `patches[k]…` and `furniture[k]…`.

    None in place of a patch or an item passes over one that is wrong in itself.
    """
    seen: list[tuple[int, Patch]] = []
    for k, patch in enumerate(patches):
        if patch is None:
            continue
        if (problem := _patch_problem(geometry, patch, k)) is not None:
            yield problem
        elif (under := next((j for j, other in seen if _overlap(patch, other)), None)) is not None:
            yield InvalidValue(f"patches[{k}]", patch.face, f"overlaps patches[{under}]",
                               "draw what is seen from the room: parts that do not overlap")
        seen.append((k, patch))
    for k, item in enumerate(furniture):
        if item is not None:
            yield from _item_problems(geometry, item, k)
    volume = sum(item.count * item.volume_m3 for item in furniture if item is not None)
    if volume > MOST_FURNITURE * geometry.volume_m3:
        yield InvalidValue("furniture", None, f"fills {volume:.3g} m³ of a room of {geometry.volume_m3:.3g} m³; "
                                              f"at most {MOST_FURNITURE:.0%}")


def _overlap(one: Patch, other: Patch) -> bool:
    apart = np.maximum(one.from_m, other.from_m) >= np.minimum(one.to_m, other.to_m) - 1e-9
    return one.face == other.face and not apart.any()


def _item_problems(geometry: Geometry, item: Furniture, index: int) -> Iterator[InvalidValue]:
    if item.size_m is None:
        return
    width, depth, height = item.size_m
    corners = item.footprint_m()
    if corners is not None:
        out = -float(signed_distance_m(corners, geometry.plan_m).min())
        if out > 1e-6:
            yield InvalidValue(f"furniture[{index}].at_m", list(map(float, item.position_m)),
                               f"{item.name} ({width:g} × {depth:g} m) would stand {out:.2f} m outside the room",
                               "at_m is the centre of its footprint")
    if height > geometry.height_m:
        yield InvalidValue(f"furniture[{index}]", item.name,
                           f"is higher ({height:g} m) than the room ({geometry.height_m:g} m)")


def _patch_problem(geometry: Geometry, patch: Patch, index: int) -> InvalidValue | None:
    try:
        face = geometry.face(patch.face)
    except KeyError:
        known = ", ".join(geometry.face_names)
        return InvalidValue(f"patches[{index}].surface", patch.face, f"must be one of {known}")
    if face.axis is None and not face.upright:
        return InvalidValue(f"patches[{index}].surface", patch.face, "slopes; patches lie on upright and level faces",
                            "give a part of the ceiling a finish of its own: ceilings")
    origin, first, second = face_axes(geometry, face)
    rel = face.corners_m - origin
    outline = np.stack([rel @ first, rel @ second], axis=1)
    low, high = outline.min(axis=0), outline.max(axis=0)
    inside = np.all(patch.from_m >= low - 1e-9) and np.all(patch.to_m <= high + 1e-9)
    if inside and face.area_m2 < (1 - 1e-9) * float(np.prod(high - low)):
        inside = bool(np.all(_inside_outline(patch, outline)))
    if inside:
        return None
    axes = _axis_names(geometry, patch.face)
    extent = ", ".join(f"{name} {a:g} to {b:g}" for name, a, b in zip(axes, low, high, strict=True))
    return InvalidValue(
        f"patches[{index}]", f"{list(map(float, patch.from_m))} to {list(map(float, patch.to_m))}",
        f"leaves the {_called(patch.face)} ({extent} m)")


def _called(face: str) -> str:
    return face if face in ("floor", "ceiling") or "wall" in face else f"{face} wall"


def _axis_names(geometry: Geometry, face: str) -> tuple[str, str]:
    """What the two coordinates of a patch on a face are."""
    axis = geometry.face(face).axis
    if geometry.kind == "box" or geometry.room_axes or axis == 2:
        first, second = (name for k, name in enumerate("xyz") if k != axis)
        return first, second
    return "along the wall", "height"


def _inside_outline(patch: Patch, outline_m: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a fine grid over a patch lies inside the outline of its face."""
    u = np.linspace(patch.from_m[0] + 1e-6, patch.to_m[0] - 1e-6, 33)
    v = np.linspace(patch.from_m[1] + 1e-6, patch.to_m[1] - 1e-6, 33)
    return signed_distance_m(np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2), outline_m) >= 0
