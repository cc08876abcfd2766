"""Loudspeakers: the schema."""

from __future__ import annotations

import math

from pydantic import Field

from ..loudspeaker.boxes import USUAL_LEAKAGE_Q
from ..loudspeaker.channels import MOUNTINGS
from ..loudspeaker.filters import CROSSOVER_SHAPES, HIGHEST_ORDER, SECTION_KINDS
from .fields import Model, angle, choice, entries, items, maybe_empty, name, number, numbers, text, whole
from .measurement import measured_data
from .references import file_path

DRIVERS = 64
CHANNELS = 64
DRIVERS_PER_CHANNEL = 128


class CabinetModel(Model):
    width: number(0.01, 5, "m") = Field(description="width in metres, along y")
    height: number(0.01, 3, "m") = Field(description="height in metres, along z")
    depth: number(0.005, 2, "m") = Field(description="depth in metres, from the baffle to the back")


class PistonModel(Model):
    radius_m: number(0.002, 0.5, "m") = Field(description="radius of the driver's cone")


class RectangleModel(Model):
    width_m: number(0.002, 1, "m") = Field(description="width, along y")
    height_m: number(0.002, 1, "m") = Field(description="height, along z")


class CapModel(Model):
    radius_m: number(0.002, 0.5, "m") = Field(description="radius of the cap's rim")
    sphere_radius_m: number(0.003, 2, "m") = Field(description="radius of the sphere that stands for the cabinet")


class DipoleModel(Model):
    radius_m: number(0, 0.5, "m") = Field(0.0, description="radius of the disk, 0 for a point")


class LineModel(Model):
    length_m: number(0.01, 2, "m") = Field(description="length of the line")
    axis: choice("vertical", "horizontal") = Field("vertical", description="vertical is along z, horizontal along y")


class OmniModel(Model):
    """The same in every direction; takes no keys."""


class ClosedBoxModel(Model):
    resonance_hz: number(5, 20000, "Hz") = Field(description="resonance of the driver in its box")
    q: number(0.2, 5) = Field(math.sqrt(0.5), description="total quality factor in the box")


class VentedBoxModel(Model):
    tuning_hz: number(5, 5000, "Hz") = Field(description="resonance of box and vent")
    driver_resonance_hz: number(5, 5000, "Hz") = Field(description="resonance of the driver by itself")
    driver_q: number(0.05, 5) = Field(description="total quality factor of the driver by itself")
    compliance_ratio: number(0.01, 100) = Field(description="equivalent volume of the driver over that of the box")
    leakage_q: number(1, 1000) = Field(USUAL_LEAKAGE_Q, description="quality factor of the box's leakage losses")


class LimitsModel(Model):
    excursion_m: number(1e-5, 0.1, "m") = Field(None, description="linear travel of the cone, from rest to peak")
    cone_radius_m: number(0.002, 0.5, "m") = Field(
        None, description="radius of the moving cone; that of a piston or cap unless given"
    )
    power_w: number(0.01, 5000, "W") = Field(None, description="electrical power that it stands for long")
    watt_level_db: number(50, 120, "dB") = Field(
        None, description="level on its axis at 1 m for 1 W, in its pass band and mounted as it is used"
    )


class DriverModel(Model):
    """One way to say what a driver sends out, the box it sits in, and what it can stand."""

    piston: PistonModel = Field(None, description="circular piston: in the wall if on-wall, else a cap on a sphere "
                                                  "that stands for the cabinet")
    rectangle: RectangleModel = Field(None, description="rectangular piston in a wall (on-wall only)")
    cap: CapModel = Field(None, description="cap on a rigid sphere (free only)")
    dipole: DipoleModel = Field(None, description="disk without a baffle (free only)")
    line: LineModel = Field(None, description="straight line of even strength")
    omni: maybe_empty(OmniModel) = Field(None, description="the same in every direction")
    measured: measured_data() = Field(
        None, description="AES69 or measurement file beside this one, or {file: …} with what is known of it"
    )
    closed_box: ClosedBoxModel = Field(None, description="roll-off of a sketched driver in a closed box")
    vented_box: VentedBoxModel = Field(None, description="roll-off of a sketched driver in a vented box")
    sensitivity_db: number(40, 130, "dB") = Field(
        None, description="level of a sketched driver on its axis at 1 m for 2.83 V, in its pass band"
    )
    limits: LimitsModel = Field(None, description="what it can stand: excursion, power")


BOXES = ("closed_box", "vented_box")
KINDS = tuple(key for key in DriverModel.model_fields if key not in (*BOXES, "sensitivity_db", "limits"))


class AimModel(Model):
    azimuth_deg: angle(180) = Field(0.0, description="angle from the front to the loudspeaker's left")
    elevation_deg: angle(90) = Field(0.0, description="angle up")


class SectionModel(Model):
    kind: choice(*SECTION_KINDS) = Field(description="peak, or shelf")
    frequency_hz: number(10, 40000, "Hz") = Field(description="centre of the peak, half gain of the shelf")
    gain_db: number(-40, 40, "dB") = Field(description="gain at the peak or on the shelf")
    q: number(0.1, 100) = Field(math.sqrt(0.5), description="quality factor")


class FilterModel(Model):
    gain_db: number(-80, 40, "dB") = Field(0.0, description="gain")
    delay_ms: number(0, 500, "ms") = Field(0.0, description="delay")
    polarity: choice("normal", "inverted") = Field("normal", description="polarity")
    lowpass_hz: number(10, 40000, "Hz") = Field(None, description="crossover frequency of a low-pass")
    lowpass_order: whole(1, HIGHEST_ORDER) = Field(4, description="its order, even for linkwitz-riley")
    lowpass_shape: choice(*CROSSOVER_SHAPES) = Field(CROSSOVER_SHAPES[0], description="its alignment")
    highpass_hz: number(10, 40000, "Hz") = Field(None, description="crossover frequency of a high-pass")
    highpass_order: whole(1, HIGHEST_ORDER) = Field(4, description="its order, even for linkwitz-riley")
    highpass_shape: choice(*CROSSOVER_SHAPES) = Field(CROSSOVER_SHAPES[0], description="its alignment")
    equaliser: items(SectionModel, 40, "equaliser sections") = Field([], description="parametric sections in series")
    fir: file_path(".wav") = Field(None, description="WAV file with the taps of a finite impulse response, one channel")


class PlacedDriverModel(Model):
    driver: name() = Field(description="one of the names under drivers")
    at_m: numbers(3, "[x, y, z]", number(-2.5, 2.5, "m")) = Field(
        description="[x, y, z] from the centre of the baffle: out of it, to its own left, up"
    )
    aim: AimModel = Field(AimModel(), description="where the driver points")
    filter: FilterModel = Field(FilterModel(), description="what electronics do to it")


class LoudspeakerModel(Model):
    """A cabinet whose channels are sets of drivers."""

    loudspeaker: text() = Field(description="the design's name")
    cabinet_m: CabinetModel = Field(description="width, height, depth")
    mounting: choice(*MOUNTINGS) = Field(description="free, or on-wall (gap_m is then 0)")
    drive_v: number(1e-3, 1000, "V") = Field(
        2.83, description="voltage before every driver's filter, for which levels re 20 µPa are shown"
    )
    drivers: entries(DriverModel, DRIVERS, "driver") = Field(description="the kinds of driver, by name")
    channels: entries(items(PlacedDriverModel, DRIVERS_PER_CHANNEL, "drivers"), CHANNELS, "list of drivers") = Field(
        description="what each channel feeds, by name"
    )
