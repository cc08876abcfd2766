"""A room as the engines see it: geometry, a material on every face, air."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..air import Air
from ..errors import InvalidValue
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
    air : state of the air

    Raises
    ------
    InvalidValue : a face without a material, or a material for a face that is not there
    """

    name: str
    geometry: Geometry
    materials: Mapping[str, Material]
    air: Air = field(default_factory=Air)

    def __post_init__(self) -> None:
        faces = set(self.geometry.face_names)
        if missing := sorted(faces - set(self.materials)):
            raise InvalidValue("surfaces", ", ".join(missing), "every face needs a material")
        if extra := sorted(set(self.materials) - faces):
            raise InvalidValue("surfaces", ", ".join(extra), "no such face in this room")
