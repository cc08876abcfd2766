"""Studies: the schema."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from ..analysis.weighting import WEIGHTINGS
from ..limits import limits
from ..placing import Place, Seats
from ..programme import Programme
from ..room.plates import BenchTop, Near, Recess, Screen
from ..systems import ALIGNMENTS, LAYOUTS, Receiver
from .fields import Model, angle, choice, entries, items, maybe_empty, name, number, numbers, refusal, text, whole
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


def _as_text(value: Any) -> Any:
    """5.1 is a number to YAML."""
    return str(value) if isinstance(value, float) else value


class SubwooferModel(Model):
    loudspeaker: file_path(*YAML_SUFFIXES) = Field(description="a loudspeaker file with one channel")
    wall: name() = Field("front", description="the wall behind it")
    across_fraction: number(0, 1) = Field(
        0.5, description="where along that wall: 0 its left end for someone facing it, 1 its right end"
    )
    gap_m: number(0, 20, "m") = Field(0.05, description="gap from the wall to the cabinet's back")
    height_m: number(0, 15, "m") = Field(description="height of the baffle's centre above the floor")
    crossover_hz: number(30, 300, "Hz") = Field(
        Receiver().crossover_hz, description="below it all loudspeakers' sound comes from the subwoofer"
    )


class CompanionModel(Model):
    loudspeaker: file_path(*YAML_SUFFIXES) = Field(description="a loudspeaker file beside this one")
    azimuth_deg: angle(180) = Field(
        description="where the seats' centre sees it, from the first loudspeaker, positive to the left"
    )
    elevation_deg: angle(80) = Field(0.0, description="the same upwards")
    distance_m: number(0.3, 40, "m") = Field(
        None, description="from the seats' centre; as far as the first loudspeaker by default"
    )


class DesignModel(Model):
    loudspeaker: file_path(*YAML_SUFFIXES) = Field(
        description="a loudspeaker file beside this one; it stands at the study's places"
    )
    layout: Annotated[choice(*LAYOUTS), BeforeValidator(_as_text)] = Field(
        None, description="the same loudspeaker at every angle of ITU-R BS.2051, this one in the middle"
    )
    beside: entries(CompanionModel, 24, "{loudspeaker, azimuth_deg, …}") = Field(
        None, description="label: a further loudspeaker, facing the seats"
    )
    subwoofer: SubwooferModel = Field(None, description="plays the bass of all the others")
    align: items(choice(*ALIGNMENTS), len(ALIGNMENTS), "level, delay, polarity", unique=True, lowest=0) = Field(
        list(ALIGNMENTS), description="what the receiver sets by itself at the average of the seats"
    )


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


class ProgrammeModel(Model):
    level_db: number(0, 130, "dB") = Field(
        None, description="mean over the seats, all channels with unlike signals, re 20 µPa"
    )
    weighting: choice(*WEIGHTINGS) = Field("A", description="of level_db; Z for none")
    drive_v: number(0.001, 200, "V") = Field(
        None, description="instead of level_db: rms voltage at the input of a channel of 0 dB"
    )
    channels_db: entries(number(-60, 20, "dB"), 60, "level") = Field(
        None, description="level of the signal of each channel; those that are not named have 0"
    )
    low_hz: number(10, 1000, "Hz") = Field(20.0, description="lowest frequency of the pink noise")
    high_hz: number(100, 24000, "Hz") = Field(20000.0, description="highest frequency of the pink noise")


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
    programme: ProgrammeModel = Field(
        None, description="what is played, for levels at the seats in dB, dB(A) and dB(C), and headroom"
    )
    frequency: FrequencyModel = Field(FrequencyModel(), description="the analysis frequencies")
    crossfade_hz: Annotated[numbers(2, "[low, high]", number(50, 1150, "Hz")), AfterValidator(_fade)] = Field(
        (400.0, 800.0), description="where the exact field of a box hands over to the images"
    )


def to_programme(said: ProgrammeModel | None) -> Programme | None:
    """The same in the words of the engines."""
    if said is None:
        return None
    return Programme(**{key: value for key, value in said.model_dump().items() if value is not None})


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
