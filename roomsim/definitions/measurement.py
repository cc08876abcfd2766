"""Measurements and chamber corrections: the schemas."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field
from pydantic.annotated_handlers import GetJsonSchemaHandler

from ..loudspeaker.chamber import CUT_OFF_HZ
from ..loudspeaker.channels import MOUNTINGS
from ..loudspeaker.impulse import Gate
from ..loudspeaker.measured import COVERAGES
from ..loudspeaker.measurement import DELAYS
from .fields import Model, choice, entries, items, number, numbers, text, whole, yes_no
from .references import YAML_SUFFIXES, checked_path, file_path

FILES = 20_000
PAIRS = 200
DATA_SUFFIXES = (".sofa", *YAML_SUFFIXES)
"""What `measured` of a driver may name."""
CORRECTION_SUFFIXES = (".txt", *YAML_SUFFIXES)
"""A stored correction, or the pairs that it is made of."""


class SetupModel(Model):
    """What is known of a measurement beside its responses."""

    mounting: choice(*MOUNTINGS) = Field(
        None, description="free (full sphere), or on-wall (half sphere in a large wall); else by the directions"
    )
    coverage: choice(*COVERAGES) = Field(
        None, description="what was measured; held against the directions: full, half, orbits or partial"
    )
    distance_m: number(0.05, 100, "m") = Field(None, description="distance of the microphone from the frame's origin")
    drive_v: number(1e-4, 1000, "V") = Field(
        None, description="voltage at the terminals, rms; levels are then re 20 µPa"
    )
    sensitivity_db: number(40, 130, "dB") = Field(
        None, description="level on axis at 1 m for 2.83 V, mean 300 Hz to 3 kHz; scales relative levels"
    )
    delay: choice(*DELAYS) = Field(
        None, description="delay to remove: distance (travel time), none, estimate (all that is common), or auto "
                          "(travel time unless it is gone)"
    )
    delay_ms: number(-1000, 1000, "ms") = Field(None, description="delay to remove, where it is known")
    acoustic_centre_m: numbers(3, "[x, y, z]", number(-2.5, 2.5, "m")) = Field(
        None, description="point about which phases are interpolated; else found from the delays"
    )
    radius_m: number(0.002, 3, "m") = Field(
        None, description="radius of the smallest sphere about the frame's origin that holds all that sounds"
    )
    low_hz: number(1, 20000, "Hz") = Field(None, description="lowest frequency to be trusted; else by the data")
    high_hz: number(20, 100000, "Hz") = Field(None, description="highest frequency to be trusted; else by the data")
    far_field: yes_no() = Field(False, description="true: the distance is far enough, leave it in")
    fill: yes_no() = Field(True, description="fill directions that were not measured; false: refuse them")
    temperature_c: number(-20, 50, "°C") = Field(20.0, description="air temperature during the measurement")
    correction: file_path(*CORRECTION_SUFFIXES) = Field(
        None, description="low-frequency correction of the chamber, .txt or .yaml, beside this file"
    )


class SofaModel(SetupModel):
    """What has to be chosen of an AES69 file."""

    emitter: whole(0, 10000) = Field(None, description="which emitter of an AES69 file, from 0")
    take: whole(0, 1_000_000) = Field(None, description="which measurement of an AES69 file with several takes, from 0")
    turntable: yes_no() = Field(
        False, description="true: SourcePosition of the AES69 file holds directions of the microphone"
    )


class MeasuredModel(SofaModel):
    """Measured data of a driver."""

    file: file_path(*DATA_SUFFIXES) = Field(description="AES69 or measurement file beside this one")


class _OrFile:
    """In the JSON Schema: the mapping, or the file's name alone."""

    def __get_pydantic_json_schema__(self, core: Any, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"anyOf": [{"type": "string", "minLength": 1}, handler(core)]}


def measured_data() -> Any:
    """`measured` of a driver: the name of a file, or a mapping with it and what is known of an AES69 file."""

    def check(value: Any) -> Any:
        return value if isinstance(value, dict) else {"file": checked_path(value, DATA_SUFFIXES)}

    return Annotated[MeasuredModel, BeforeValidator(check), _OrFile()]


class GateModel(Model):
    length_ms: number(0.1, 100000, "ms") = Field(
        None, description="from the first arrival to the end of what is kept; sets the lowest frequency"
    )
    lead_ms: number(0, 1000, "ms") = Field(1e3 * Gate().lead_s, description="rise before the first arrival")
    fade: number(0, 1) = Field(Gate().fade, description="last part of the length that fades out")


class EntryModel(Model):
    """One response and its direction, by azimuth and elevation or by orbit and angle."""

    file: file_path() = Field(description="text (frequency, level, phase) or WAV file beside this one")
    azimuth_deg: number(-360, 360, "°") = Field(None, description="direction of the microphone, positive to the left")
    elevation_deg: number(-90, 90, "°") = Field(None, description="direction of the microphone, positive up")
    orbit: choice("horizontal", "vertical") = Field(None, description="orbit of the microphone")
    angle_deg: number(-360, 360, "°") = Field(None, description="angle on the orbit, positive to the left or up")


class MeasurementModel(SofaModel):
    """Responses of one loudspeaker or driver in many directions, and how they were taken."""

    measurement: text() = Field(description="what was measured")
    files: items(EntryModel, FILES, "entries {file, azimuth_deg, elevation_deg} or {file, orbit, angle_deg}") = Field(
        None, description="one text or WAV file per direction"
    )
    sofa: file_path(".sofa") = Field(None, description="AES69 file beside this one, instead of files")
    gate: GateModel = Field(None, description="part of impulse responses (WAV) that is kept")
    pascal_per_unit: number(1e-9, 1e9) = Field(None, description="sound pressure in Pa of a sample of 1 (WAV)")


class PairModel(Model):
    free: file_path() = Field(description="text file of the loudspeaker on axis in free space")
    chamber: file_path() = Field(description="text file of the same on axis in the chamber, for the same drive")


class CorrectionModel(Model):
    """What a chamber adds at low frequency, from loudspeakers measured there and in free space."""

    correction: text() = Field(description="name of the chamber")
    pairs: entries(PairModel, PAIRS, "{free, chamber}") = Field(
        description="loudspeaker: {free: file, chamber: file}, at least two"
    )
    cut_off_hz: number(10, 1000, "Hz") = Field(CUT_OFF_HZ, description="the correction is whole below")
    blend_octaves: number(0.05, 4) = Field(1.0, description="the correction fades out over so many octaves above")
    align_hz: numbers(2, "[low, high]", number(10, 20000, "Hz")) = Field(
        None, description="range above the blend in which both levels are taken to be equal, for unlike gains"
    )
