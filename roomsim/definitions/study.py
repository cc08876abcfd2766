"""Studies: the schema."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, Field

from ..limits import limits
from ..placing import Place, Seats
from ..room.plates import BenchTop, Near, Recess, Screen
from .fields import Model, entries, items, maybe_empty, name, number, numbers, refusal, text, whole
from .references import YAML_SUFFIXES, file_path
from .room import ORDINARY

ROOMS, DESIGNS, PLACES, SETTINGS, VARY_KEYS, VARY_VALUES, CASES = 1000, 100, 200, 20, 6, 200, limits().cases
"""The most a study may hold; CASES is of all combinations."""


def _fade(value: tuple[float, float]) -> tuple[float, float]:
    low, high = value
    if not 2 <= high / low <= 4:
        low = high if 2 <= low / high <= 4 else min(low, 575)
        raise refusal("must rise by one to two octaves", f"write [{low:g}, {2 * low:g}]")
    return value


class DesignModel(Model):
    loudspeaker: file_path(*YAML_SUFFIXES) = Field(description="a loudspeaker file beside this one")


class BenchTopModel(Model):
    below_m: number(0, 3, "m") = Field(description="from the baffle's centre down to the bench's top")
    depth_m: number(0.02, 5, "m") = Field(description="from the wall to its front edge")
    width_m: number(0.02, 20, "m") = Field(description="along the wall, the loudspeaker in its middle")


class RecessModel(Model):
    width_m: number(0.02, 20, "m") = Field(description="of its opening, the loudspeaker in its middle")
    height_m: number(0.02, 5, "m") = Field(description="of its opening")
    depth_m: number(0.02, 5, "m") = Field(description="from the wall to its front edges")
    below_m: number(0, 3, "m") = Field(
        None, description="from the baffle's centre down to its bottom; without it half its height"
    )


class ScreenModel(Model):
    above_m: number(-3, 3, "m") = Field(
        description="from the baffle's centre up to the screen's lower edge, negative where it reaches below that"
    )
    width_m: number(0.02, 10, "m") = Field(description="of the screen, centred over the loudspeaker")
    height_m: number(0.02, 10, "m") = Field(description="of the screen")
    gap_m: number(0, 3, "m") = Field(0.05, description="from the wall to the screen's front")


class NearModel(Model):
    bench_top: BenchTopModel = Field(None, description="the top of the furniture it stands on")
    recess: RecessModel = Field(None, description="the compartment it stands in")
    screen: ScreenModel = Field(None, description="a screen above or behind it")


class PlaceModel(Model):
    wall: name() = Field("front", description="the wall behind the loudspeaker")
    across_fraction: number(0, 1) = Field(
        0.5, description="where along that wall: 0 its left end for someone facing it, 1 its right end"
    )
    gap_m: number(0, 20, "m") = Field(description="gap from the wall to the cabinet's back, 0 to touch")
    height_m: number(0, 15, "m") = Field(description="height of the baffle's centre above the floor")
    near: maybe_empty(NearModel) = Field(NearModel(), description="rigid plates close to the loudspeaker")


class SpreadModel(Model):
    depth: number(0, 20, "m") = Field(Seats().depth_m, description="full extent along the loudspeaker's axis")
    across: number(0, 20, "m") = Field(Seats().across_m, description="full extent across it")
    height: number(0, 5, "m") = Field(Seats().rise_m, description="full extent in height")


class SeatsModel(Model):
    distance_m: number(0.3, 40, "m") = Field(description="distance of the seats' centre from the baffle's centre")
    ear_height_m: number(0.2, 10, "m") = Field(
        Seats().ear_height_m, description="height of the seats' centre above the floor"
    )
    aside_m: number(-20, 20, "m") = Field(
        Seats().aside_m,
        description="of the seats' centre from straight ahead, positive to the right for someone who faces the "
                    "loudspeaker",
    )
    count: whole(1, limits().seats) = Field(Seats().count, description="number of seats, the first in the centre")
    spread_m: SpreadModel = Field(SpreadModel(), description="how far the seats are spread about their centre")


class FrequencyModel(Model):
    low_hz: number(10, 1000, "Hz") = Field(20.0, description="lowest frequency")
    high_hz: number(100, 24000, "Hz") = Field(20000.0, description="highest frequency")
    per_octave: whole(3, 96) = Field(48, description="frequencies per octave")


class StudyModel(Model):
    """Rooms × settings × designs × places × varied keys."""

    study: text() = Field(description="the study's question")
    rooms: entries(file_path(*YAML_SUFFIXES, names=True), ROOMS, "room file or shipped room") = Field(
        description="label: a room file beside this one, or a shipped room's name"
    )
    settings: items(name(), SETTINGS, "settings", unique=True) = Field(
        [ORDINARY], description="acoustic states that every room has"
    )
    designs: entries(DesignModel, DESIGNS, "{loudspeaker: file}") = Field(description="label: {loudspeaker: file}")
    places: entries(PlaceModel, PLACES, "place") = Field(description="label: where the loudspeaker stands")
    seats: SeatsModel = Field(description="where people sit")
    vary: entries(items(Any, VARY_VALUES, "values", unique=True), VARY_KEYS, "list of values") = Field(
        None, description="dotted key: list of values; every combination is run"
    )
    frequency: FrequencyModel = Field(FrequencyModel(), description="the analysis frequencies")
    crossfade_hz: Annotated[numbers(2, "[low, high]", number(50, 1150, "Hz")), AfterValidator(_fade)] = Field(
        (400.0, 800.0), description="where the exact field of a box hands over to the images"
    )


def to_place(said: PlaceModel) -> Place:
    """The same in the words of the engines."""
    kinds = {"bench_top": BenchTop, "recess": Recess, "screen": Screen}
    given = said.model_dump()
    near = {key: kinds[key](**sizes) for key, sizes in given.pop("near").items() if sizes is not None}
    return Place(near=Near(**near), **given)


def to_seats(said: SeatsModel) -> Seats:
    """The same in the words of the engines."""
    return Seats(
        distance_m=said.distance_m, aside_m=said.aside_m, ear_height_m=said.ear_height_m, count=said.count,
        depth_m=said.spread_m.depth, across_m=said.spread_m.across, rise_m=said.spread_m.height,
    )
