"""A room as the engines see it: geometry, a material on every face, air."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..air import Air
from ..errors import InvalidValue
from .furnishing import Furniture, Patch, face_axes
from .geometry import Geometry
from .materials import Material


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """One acoustic state of one room.

    Attributes
    ----------
    name : label for people
    geometry : the faces
    materials : face name -> Material, one for every face
    patches : rectangles of another finish; they lie inside their face and do not overlap
    furniture : objects that absorb and scatter
    air : state of the air

    Raises
    ------
    InvalidValue : a face without a material, a material for a face that is not there, a patch that leaves its
        face or overlaps another
    """

    name: str
    geometry: Geometry
    materials: Mapping[str, Material]
    patches: tuple[Patch, ...] = ()
    furniture: tuple[Furniture, ...] = ()
    air: Air = field(default_factory=Air)

    def __post_init__(self) -> None:
        faces = set(self.geometry.face_names)
        if missing := sorted(faces - set(self.materials)):
            raise InvalidValue("surfaces", ", ".join(missing), "every face needs a material")
        if extra := sorted(set(self.materials) - faces):
            raise InvalidValue("surfaces", ", ".join(extra), "no such face in this room")
        for index, patch in enumerate(self.patches):
            _check_patch(self.geometry, patch, index)
            for earlier, other in enumerate(self.patches[:index]):
                apart = np.maximum(patch.from_m, other.from_m) >= np.minimum(patch.to_m, other.to_m) - 1e-9
                if patch.face == other.face and not apart.any():
                    raise InvalidValue(f"patches[{index}]", patch.face, f"overlaps patches[{earlier}]")

    def parts(self) -> tuple[Part, ...]:
        """Every face less its patches, then every patch, with areas and materials."""
        covered = dict.fromkeys(self.geometry.face_names, 0.0)
        for patch in self.patches:
            covered[patch.face] += patch.area_m2
        faces = [
            Part(name=face.name, face=face.name, area_m2=max(face.area_m2 - covered[face.name], 0.0),
                 material=self.materials[face.name])
            for face in self.geometry.faces
        ]
        patches = [
            Part(name=f"{patch.face}: {patch.material.name}", face=patch.face, area_m2=patch.area_m2,
                 material=patch.material)
            for patch in self.patches
        ]
        return tuple(part for part in (*faces, *patches) if part.area_m2 > 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One piece of surface with one finish: a face less its patches, or a patch."""

    name: str
    face: str
    area_m2: float
    material: Material


def _check_patch(geometry: Geometry, patch: Patch, index: int) -> None:
    try:
        face = geometry.face(patch.face)
    except KeyError:
        known = ", ".join(geometry.face_names)
        raise InvalidValue(f"patches[{index}].surface", patch.face, f"must be one of {known}") from None
    origin, first, second = face_axes(geometry, face)
    rel = face.corners_m - origin
    outline = np.stack([rel @ first, rel @ second], axis=1)
    low, high = outline.min(axis=0), outline.max(axis=0)
    inside = np.all(patch.from_m >= low - 1e-9) and np.all(patch.to_m <= high + 1e-9)
    if inside and face.axis == 2 and geometry.kind != "box":
        inside = bool(np.all(_inside_outline(patch, geometry)))
    if not inside:
        extent = " × ".join(f"{a:g} to {b:g}" for a, b in zip(low, high, strict=True))
        raise InvalidValue(
            f"patches[{index}]", f"{list(map(float, patch.from_m))} to {list(map(float, patch.to_m))}",
            f"leaves the {patch.face} ({extent} m)")


def _inside_outline(patch: Patch, geometry: Geometry) -> NDArray[np.bool_]:
    """Whether a fine grid over a patch on the floor or ceiling of a plan lies inside the plan."""
    u = np.linspace(patch.from_m[0] + 1e-6, patch.to_m[0] - 1e-6, 33)
    v = np.linspace(patch.from_m[1] + 1e-6, patch.to_m[1] - 1e-6, 33)
    grid = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    middle = np.full((len(grid), 1), geometry.height_m / 2)
    return geometry.contains(np.hstack([grid, middle]))
