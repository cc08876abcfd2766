"""Impulse responses of a study's cases as files: what `roomsim predict --impulse-responses` does."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..engines.synthesis import RATES_HZ, ImpulseResponses, synthesise
from ..errors import InvalidValue
from ..files.output import OutputFolder, safe_name, safe_names
from ..files.room_responses import RoomResponses, write_response_wavs, write_room_responses
from ..scene import Scene
from .plan import Case, Plan, make_plan
from .work import one_thread

if TYPE_CHECKING:
    from ..definitions import StudyDefinition

MOST_FILES = 5000
"""Of one study; more are a slip."""

CAUTION = (
    "Full scale is loud: before playing these, or music through them, turn the volume down, and bring it up slowly. "
    "Sudden peaks can hurt hearing and loudspeakers."
)

_PREFIX_LETTERS = 60


def write_impulse_responses(
    study: StudyDefinition, folder: str | os.PathLike[str], rate_hz: float = 48000, *,
    progress: Callable[[int, int, str], None] | None = None, threads: int | None = None,
) -> list[Path]:
    """Write the impulse response of every channel at every seat of every case: WAV files, and AES69 per case.

    Per case CASE-CHANNEL-seat-01.wav and so on with one common gain, CASE-levels.json with what full scale stands
    for, and CASE.sofa (SingleRoomMIMOSRIR) with samples in pascal. Time zero is the emission.

    Parameters
    ----------
    study : as `roomsim.load` returns it
    folder : appears whole or not at all; the files of an earlier run in it are replaced, no others
    rate_hz : 44,100, 48,000 or 96,000
    progress : told the finished cases, all cases and the last one's title
    threads : all cores by default; the samples do not depend on it

    Returns
    -------
    the files

    Raises
    ------
    InvalidValue : another rate, too many files
    OutputError : the folder cannot be written
    """
    check_request(study, rate_hz)
    plan = make_plan(study)
    names = _case_names(plan)
    with OutputFolder(folder) as output, one_thread():
        home = output.path("any").parent
        for k, (case, name) in enumerate(zip(plan.cases, names, strict=True)):
            scene = case.scene()
            options = case.options
            made = synthesise(
                scene, rate_hz, crossfade_hz=options.crossfade_hz, hand_over_s=options.hand_over_s, seed=options.seed,
                threads=threads or os.cpu_count() or 1,
            )
            responses = as_room_responses(case, scene, made)
            write_response_wavs(home, responses, f"{name}-")
            write_room_responses(output.path(f"{name}.sofa"), responses)
            if progress:
                progress(k + 1, len(plan.cases), case.title)
        written = output.names
    return [output.folder / name for name in written]


def check_request(study: StudyDefinition, rate_hz: float) -> None:
    """Refuse what cannot be written, before anything is computed.

    Raises
    ------
    InvalidValue : a rate other than RATES_HZ, more than MOST_FILES files
    """
    if rate_hz not in RATES_HZ:
        raise InvalidValue("impulse responses", rate_hz, "the sample rate must be 44100, 48000 or 96000 Hz")
    if study.systems:
        raise InvalidValue("impulse responses", ", ".join(study.systems),
                           "designs of several loudspeakers have none yet",
                           "ask for them of a study of single loudspeakers")
    plan = make_plan(study)
    for label, room in study.rooms.items():
        geometry = room.geometry()
        if geometry.kind != "box" and not geometry.is_extruded:
            raise InvalidValue("impulse responses", label,
                               "has a sloping ceiling or obstacles; no wave engine gives it low frequencies",
                               "leave the room out of the study")
    files = sum(len(case.channels) * case.seats.count + 2 for case in plan.cases)
    if files > MOST_FILES:
        raise InvalidValue("impulse responses", files, f"at most {MOST_FILES} files are written",
                           "ask for them of a study of fewer cases or seats")


def as_room_responses(case: Case, scene: Scene, made: ImpulseResponses) -> RoomResponses:
    """Impulse responses with where everything stands and what a reader must know."""
    (placed,) = scene.loudspeakers
    middles = [
        np.mean([emitter.position_m for emitter in scene.channel_emitters(channel)], axis=0)
        for channel in range(len(scene.channels))
    ]
    said = [f"Predicted, not measured: {case.title}."]
    if not case.loudspeaker.calibrated:
        said.append("The design states no drive: pressures, and what full scale stands for, compare within it alone.")
    return RoomResponses(
        rate_hz=made.rate_hz, samples=made.samples, channels=made.channels, listeners_m=scene.listeners_m,
        source_m=placed.position_m, source_azimuth_deg=placed.azimuth_deg, emitters_m=np.array(middles),
        room_name=scene.room.name, size_m=scene.room.geometry.size_m, volume_m3=scene.room.geometry.volume_m3,
        temperature_c=scene.room.air.temperature_c,
        comment=" ".join([*said, *(note.text for note in made.notes), CAUTION]),
    )


def _case_names(plan: Plan) -> list[str]:
    """Beginnings of file names, one per case: room, design, and what else there is more than one of."""
    several = [dim for dim, labels in plan.coordinates.items() if len(labels) > 1 or dim in ("room", "design")]
    order = sorted(several, key=lambda dim: dim != "room")
    found = []
    for case in plan.cases:
        labels = dict(case.labels)
        found.append(safe_name(" ".join(str(labels[dim]) for dim in order))[:_PREFIX_LETTERS])
    return safe_names(found)
