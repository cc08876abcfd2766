"""Rooms: the schema."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import ConfigDict, Field, WithJsonSchema

from ..conventions import BOX_FACES
from ..room.geometry import LOWEST_CEILING_M, SIZE_LIMITS_M
from ..room.outline import MOST_CORNERS
from .decay_target import decay_target
from .fields import (
    Model,
    angle,
    bands,
    entries,
    items,
    maybe_empty,
    name,
    number,
    number_or_bands,
    numbers,
    text,
    whole,
    yes_no,
)
from .materials import FINISHES, FinishModel
from .references import YAML_SUFFIXES, file_path

ORDINARY = "ordinary"
"""The setting of a room that names none: the room as written."""

PATCHES, ITEMS, ADJUSTABLE = 500, 200, 40
FACE_MATERIAL = "every face needs a material"


CORNER_HEIGHTS = items(number(LOWEST_CEILING_M, SIZE_LIMITS_M["height_m"][1], "m"), MOST_CORNERS, "heights")


class AirModel(Model):
    temperature_c: number(-20, 50, "°C") = Field(20.0, description="air temperature")
    humidity_percent: number(1, 100, "%") = Field(50.0, description="relative humidity")
    pressure_kpa: number(50, 120, "kPa") = Field(101.325, description="ambient pressure")


class PatchModel(Model):
    """A rectangle of another finish on a face."""

    surface: name() = Field(description="the face it lies on")
    material: name() = Field(description="its finish, or opening")
    from_m: numbers(2, "[a, b]", number(-50, 50, "m")) = Field(
        description="one corner, in the two room axes of the face in the order x, y, z; on the wall of a plan along it "
                    "from its first corner, and height"
    )
    to_m: numbers(2, "[a, b]", number(-50, 50, "m")) = Field(description="the opposite corner")


class SizeModel(Model):
    width: number(0.01, 20, "m") = Field(description="width in metres")
    depth: number(0.01, 20, "m") = Field(description="depth in metres, from its front to its back")
    height: number(0.01, 15, "m") = Field(description="height in metres")


class FurnitureModel(Model):
    """Furniture of the catalogue, or of a user's own."""

    item: name() = Field(description="a name of the catalogue, or one of your own with volume_m3")
    count: whole(1, 200) = Field(1, description="how many")
    occupied: yes_no() = Field(False, description="true for people sitting on it")
    absorption_m2: bands(0, 100) = Field(
        None, description="absorption area of one item of your own by midband; without it, it counts as a hard object"
    )
    volume_m3: number(1e-4, 100, "m³") = Field(None, description="volume of one item of your own")
    scattering: number(0, 1) = Field(None, description="scattering coefficient of one item of your own")
    source: text() = Field(None, description="where the numbers of your own item come from")
    size_m: SizeModel = Field(None, description="width, depth and height of one item of your own, for the drawing")
    at_m: numbers(2, "[x, y]", number(-50, 50, "m")) = Field(
        None, description="centre of its footprint, for the drawing; furniture counts as spread over the room"
    )
    azimuth_deg: angle(180) = Field(
        0.0, description="where its front points: 0 away from the front wall, 90 to the right, 180 to the front wall"
    )


class CeilingModel(Model):
    """A part of the ceiling with a height or a slope of its own."""

    outline_m: items(numbers(2, "[x, y]", number(-50, 50, "m")), MOST_CORNERS, "corners") = Field(
        description="corners [x, y] of the part, counter-clockwise seen from above"
    )
    height_m: number(LOWEST_CEILING_M, SIZE_LIMITS_M["height_m"][1], "m") = Field(
        None, description="its height, where it is level"
    )
    corner_heights_m: CORNER_HEIGHTS = Field(None, description="or its height above each corner, where it slopes")


class ObstacleModel(Model):
    """A box that blocks, reflects and scatters sound: a cupboard, a large sofa, a beam, a chimney breast."""

    material: name() = Field(description="its finish, on all sides")
    size_m: SizeModel = Field(description="its width, depth and height")
    at_m: numbers(2, "[x, y]", number(-50, 50, "m")) = Field(description="centre of its footprint")
    azimuth_deg: angle(180) = Field(0.0, description="where its front points, as for furniture")
    base_m: number(0, 15, "m") = Field(0.0, description="height of its underside above the floor")


class OpeningModel(Model):
    """An opening in a surface to a space with its own absorption."""

    surface: name() = Field(description="the face it is in")
    from_m: numbers(2, "[a, b]", number(-50, 50, "m")) = Field(description="one corner, as for patches")
    to_m: numbers(2, "[a, b]", number(-50, 50, "m")) = Field(description="the opposite corner")
    space: name() = Field(None, description="what the space behind is called")
    absorption: number_or_bands(0, 1) = Field(
        None, description="part of what goes through that does not come back, for all bands or by midband; 1 without it"
    )
    absorption_m2: number_or_bands(0.01, 10000) = Field(
        None, description="or the absorption area of the space behind, for all bands or by midband"
    )


Label = name()
"""A name, for a model that has a key of that name."""


class AdjustableModel(Model):
    """Something of which there can be more or less: a panel, a curtain, a rug, a reflector."""

    absorber: Label = Field(description="its finish; reflecting and scattering ones are as good as absorbing ones")
    surface: Label = Field(description="the face it hangs or lies on")
    name: Label = Field(None, description="what settings and shopping lists call it; the finish by default")
    area_m2: numbers(2, "[least, most]", number(0, 2500, "m²")) = Field(
        None, description="least and most of it; with from_m and to_m, by default from nothing to all of the rectangle"
    )
    coverage: numbers(2, "[least, most]", number(0, 1)) = Field(
        None, description="instead of area_m2: least and most as parts of the face's area"
    )
    usual_m2: number(0, 2500, "m²") = Field(
        None, description="how much of it there is in a setting that does not say; the least by default"
    )
    spread: yes_no() = Field(
        False, description="true for small pieces spread evenly over what is free of the face, which then counts as "
                           "one mixed finish: quick to predict, and no place to name"
    )
    from_m: numbers(2, "[a, b]", number(-50, 50, "m")) = Field(
        None, description="one corner of the rectangle that it may fill, as of a patch; a curtain is drawn from here. "
                          "It hides what it covers. Without it, the largest free rectangles of the face"
    )
    to_m: numbers(2, "[a, b]", number(-50, 50, "m")) = Field(None, description="the opposite corner")


class SettingModel(Model):
    """A named acoustic state of the room; `{}` is the room as written."""

    decay_s: decay_target() = Field(
        None, description="decay time that is to be met by changing what is adjustable: one number for the mean of 500 "
                          "and 1000 Hz, or {octave: decay time}"
    )
    area_m2: entries(number(0, 2500, "m²"), ADJUSTABLE, "area in m²") = Field(
        None, description="how much there is of what is adjustable, by its name"
    )


def face_materials() -> Any:
    """A mapping from faces to materials."""
    faces = {face: {"type": "string", "description": FACE_MATERIAL} for face in BOX_FACES}
    schema = {"type": "object", "properties": faces, "additionalProperties": {"type": "string"}}
    return Annotated[entries(name(), MOST_CORNERS + 52, "material"), WithJsonSchema(schema)]


class RoomModel(Model):
    """A box room, or a room over a floor plan."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [
        {"required": ["width_m", "length_m", "height_m"], "properties": {"surfaces": {
            "description": "the six faces of a box", "required": list(BOX_FACES),
            "properties": {face: {"description": FACE_MATERIAL} for face in BOX_FACES}}}},
        {"required": ["plan_m", "walls"]},
    ]})

    room: text() = Field(description="the room's name")
    source: text(1000) = Field(None, description="where its size and furnishing come from")
    width_m: number(*SIZE_LIMITS_M["width_m"], "m") = Field(None, description="width from the left to the right wall")
    length_m: number(*SIZE_LIMITS_M["length_m"], "m") = Field(
        None, description="length from the front to the back wall"
    )
    plan_m: items(numbers(2, "[x, y]", number(-50, 50, "m")), MOST_CORNERS, "corners") = Field(
        None, description="instead of width_m and length_m: corners [x, y], counter-clockwise seen from above"
    )
    walls: items(name(), MOST_CORNERS, "wall names") = Field(
        None, description="a name per wall of plan_m, wall k from corner k to corner k + 1"
    )
    height_m: number(*SIZE_LIMITS_M["height_m"], "m") = Field(
        None, description="height from the floor to the ceiling"
    )
    corner_heights_m: CORNER_HEIGHTS = Field(
        None, description="instead of height_m, for a ceiling that slopes: its height above each corner of plan_m"
    )
    ceilings: entries(CeilingModel, 50, "part of the ceiling") = Field(
        None, description="parts of the ceiling that are lower, higher or sloping, by the names that surfaces give them"
    )
    obstacles: entries(ObstacleModel, 60, "obstacle") = Field(
        None, description="boxes that block and reflect sound, by name"
    )
    openings: items(OpeningModel, PATCHES, "openings", lowest=0) = Field(
        [], description="openings to spaces with their own absorption"
    )
    air: AirModel = Field(AirModel(), description="state of the air")
    materials: file_path(*YAML_SUFFIXES) = Field(None, description="a file of finishes of your own, beside this one")
    finishes: entries(FinishModel, FINISHES, "finish") = Field(
        None, description="finishes of this room's own, written as in a materials file"
    )
    surfaces: face_materials() = Field(description="the material of every face: " + ", ".join(BOX_FACES))
    patches: items(PatchModel, PATCHES, "patches", lowest=0) = Field(
        [], description="rectangles of another finish: rugs, windows, panels, paintings, openings"
    )
    furniture: items(FurnitureModel, ITEMS, "items", lowest=0) = Field([], description="what stands in the room")
    adjustable: items(AdjustableModel, ADJUSTABLE, "adjustables", lowest=0) = Field(
        [], description="what settings may change: panels, curtains, rugs, reflectors, within limits"
    )
    settings: entries(maybe_empty(SettingModel), 20, "setting") = Field(
        {ORDINARY: SettingModel()}, description="named acoustic states of the same room"
    )
