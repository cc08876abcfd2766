"""A loudspeaker, a measurement or a chamber's correction by itself: what `roomsim speaker` shows."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..air import Air
from ..bands import midbands_hz
from ..definitions import load
from ..definitions.correction_definition import CorrectionDefinition, stored_correction
from ..definitions.loudspeaker_definition import LoudspeakerDefinition
from ..definitions.measurement_definition import MeasurementDefinition, sofa_file
from ..errors import InvalidValue
from ..loudspeaker.channels import PlacedDriver
from ..loudspeaker.output import Load, MaximumLevels, load_at_level, maximum_levels
from ..loudspeaker.overview import ChannelOverview, channel_overview
from ..loudspeaker.quality import MeasurementQuality, measurement_quality

Subject = LoudspeakerDefinition | MeasurementDefinition | CorrectionDefinition

MAXIMUM_FROM_HZ, MAXIMUM_TO_HZ = 20.0, 20000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelView:
    """One channel.

    Attributes
    ----------
    overview : its far field
    maximum : what it can play per third octave, None where no driver has limits
    load : what a stated level takes, None where none was stated
    """

    overview: ChannelOverview
    maximum: MaximumLevels | None
    load: Load | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeakerView:
    """A design or a measurement.

    Attributes
    ----------
    name : label for people
    channels : name -> channel; one without a name for a measurement
    measurements : driver -> its measurement and what it is worth
    assumptions : what was assumed, filled, or is not to be trusted
    drive_v : what absolute levels are for [V], None where levels are relative
    """

    name: str
    channels: Mapping[str, ChannelView]
    measurements: Mapping[str, tuple[MeasurementDefinition, MeasurementQuality]]
    assumptions: tuple[str, ...]
    drive_v: float | None


def load_subject(path: str | os.PathLike[str], *, correct: str | os.PathLike[str] | None = None) -> Subject:
    """What a file holds: a loudspeaker, measurement or correction (.yaml), AES69 (.sofa), a stored correction (.txt).

    Parameters
    ----------
    correct : a correction (.yaml or .txt) to apply to a measurement

    Raises
    ------
    DefinitionError : every problem of the files
    InvalidValue : a file of another kind, or a correction where none can be applied
    """
    subject = _loaded(Path(path))
    if correct is None:
        return subject
    if not isinstance(subject, MeasurementDefinition):
        raise InvalidValue("--correct", str(correct), f"goes with a measurement; {Path(path).name} is none",
                           "in a loudspeaker file: measured: {file: …, correction: …}")
    correction = _loaded(Path(correct))
    if not isinstance(correction, CorrectionDefinition):
        raise InvalidValue("--correct", str(correct), "is no correction", "a .yaml with correction:, or a stored .txt")
    return subject.corrected(correction)


def speaker_view(
    subject: LoudspeakerDefinition | MeasurementDefinition, *, channel: str | None = None, level_db: float | None = None
) -> SpeakerView:
    """Everything there is to see of a design or a measurement.

    Parameters
    ----------
    channel : only this one
    level_db : level on axis at 1 m [dB re 20 µPa] whose drive and headroom are asked for (pink noise)

    Raises
    ------
    InvalidValue : no such channel; a level where no driver has limits
    """
    if isinstance(subject, LoudspeakerDefinition):
        speaker = subject.loudspeaker()
        channels: dict[str, tuple[PlacedDriver, ...]] = dict(speaker.channels)
        measurements = dict(subject.measurements)
    else:
        only = PlacedDriver(name=subject.name, directivity=subject.directivity, position_m=np.zeros(3))
        channels, measurements = {"": (only,)}, {subject.name: subject}
    if channel is not None:
        if channel not in channels or channel == "":
            known = ", ".join(name for name in channels if name)
            raise InvalidValue("--channel", channel, "is no channel of it", f"it has {known}" if known else "")
        channels = {channel: channels[channel]}
    return SpeakerView(
        name=subject.name,
        channels={name: _channel(subject.name, name, drivers, level_db) for name, drivers in channels.items()},
        measurements={name: (one, measurement_quality(one.as_measured)) for name, one in measurements.items()},
        assumptions=subject.assumptions,
        drive_v=subject.drive_v,
    )


def convert(subject: Subject, path: str | os.PathLike[str]) -> Path:
    """Write a measurement as AES69 (.sofa), as it was measured, or a correction as text (.txt).

    Raises
    ------
    InvalidValue : a design, a wrong suffix, or a file that is there already
    OutputError : it cannot be written
    """
    target = Path(path)
    if isinstance(subject, LoudspeakerDefinition):
        raise InvalidValue("--convert", str(path), "goes with a measurement or a correction; this is a design")
    suffix = ".sofa" if isinstance(subject, MeasurementDefinition) else ".txt"
    if target.suffix.lower() != suffix:
        raise InvalidValue("--convert", str(path), f"must end in {suffix}")
    if os.path.lexists(target):
        raise InvalidValue("--convert", str(path), "is there already", "move it, or name another file")
    if isinstance(subject, MeasurementDefinition):
        from ..files.sofa import write_directivity

        write_directivity(target, subject.as_measured)
    else:
        from ..files.correction_text import write_correction

        write_correction(target, subject.correction)
    return target


def _loaded(path: Path) -> Subject:
    suffix = path.suffix.lower()
    if suffix == ".sofa":
        return sofa_file(path)
    if suffix == ".txt":
        return stored_correction(path)
    found = load(path)
    if isinstance(found, LoudspeakerDefinition | MeasurementDefinition | CorrectionDefinition):
        return found
    kind = type(found).__name__.removesuffix("Definition").lower()
    raise InvalidValue("", str(path), f"is a {kind} file; a loudspeaker, measurement or correction is wanted here")


def _channel(title: str, name: str, drivers: tuple[PlacedDriver, ...], level_db: float | None) -> ChannelView:
    air = Air()
    if level_db is not None and not any(driver.limits for driver in drivers):
        raise InvalidValue("--level", level_db, f"needs limits of a driver{f' of channel {name}' if name else ''}",
                           "write limits: {excursion_m: …} under drivers")
    maximum = load_ = None
    if any(driver.limits for driver in drivers):
        about = {"speed_m_s": air.speed_m_s, "density_kg_m3": air.density_kg_m3}
        maximum = maximum_levels(drivers, midbands_hz(3, MAXIMUM_FROM_HZ, MAXIMUM_TO_HZ), **about)
        load_ = None if level_db is None else load_at_level(drivers, level_db, **about)
    shown = f"{title}, {name}" if name else title
    return ChannelView(
        overview=channel_overview(drivers, name=shown, speed_m_s=air.speed_m_s), maximum=maximum, load=load_
    )

