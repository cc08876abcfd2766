"""Room impulse responses on disk: one AES69 file (SingleRoomMIMOSRIR), or a folder of WAV files."""

from __future__ import annotations

import json
import os
import secrets
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..constants import CELSIUS_ZERO_K, REFERENCE_PRESSURE_PA
from ..errors import DefinitionError, InvalidValue, Problem, RoomsimError, shown
from .output import safe_name, safe_names
from .problems import with_file
from .sofa_content import read_sofa_content
from .wav import write_wav

CONVENTION = "SingleRoomMIMOSRIR"
PEAK = 0.7
LEVELS_FILE = "levels.json"
_CHANNEL_LETTERS = 24


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomResponses:
    """Impulse responses of a room, with where everything stands.

    Attributes
    ----------
    rate_hz : sample rate
    samples : pressure [Pa] per sample, shape (n_channel, n_listener, n_sample)
    channels : labels, n_channel
    listeners_m : shape (n_listener, 3)
    source_m, source_azimuth_deg : the loudspeaker's place and where its front points
    emitters_m : centre of each channel in the room, shape (n_channel, 3)
    room_name, size_m : label, and extents of the (bounding) box, shape (3,)
    volume_m3, temperature_c : of the room and its air
    comment : what a reader must know
    """

    rate_hz: float
    samples: NDArray[np.float64]
    channels: tuple[str, ...]
    listeners_m: NDArray[np.float64]
    source_m: NDArray[np.float64]
    source_azimuth_deg: float
    emitters_m: NDArray[np.float64]
    room_name: str
    size_m: NDArray[np.float64]
    volume_m3: float
    temperature_c: float = 20.0
    comment: str = ""

    def __post_init__(self) -> None:
        shape = (len(self.channels), len(self.listeners_m))
        if np.ndim(self.samples) != 3 or np.shape(self.samples)[:2] != shape:
            raise InvalidValue("samples", np.shape(self.samples), f"must have shape {shape} and a time axis")
        if not np.all(np.isfinite(self.samples)):
            raise InvalidValue("samples", None, "must be finite")


def write_room_responses(path: Path, responses: RoomResponses) -> None:
    """Write an AES69 file: one measurement per listener, one emitter per channel; whole or not at all.

    Samples are in pascal as they are: nothing is scaled.

    Raises
    ------
    RoomsimError : the file cannot be written
    """
    import sofar

    sofa = sofar.Sofa(CONVENTION)
    sofa.GLOBAL_Title = f"{responses.room_name}: predicted room impulse responses"
    sofa.GLOBAL_RoomType = "shoebox"
    sofa.GLOBAL_RoomDescription = responses.room_name
    sofa.GLOBAL_Comment = responses.comment
    sofa.GLOBAL_ApplicationName = "roomsim"
    sofa.RoomTemperature = responses.temperature_c + CELSIUS_ZERO_K
    sofa.RoomVolume = responses.volume_m3
    sofa.RoomCornerA, sofa.RoomCornerB = np.zeros((1, 3)), np.asarray(responses.size_m, float)[None]
    sofa.ListenerPosition = np.asarray(responses.listeners_m, float)
    ahead = responses.source_m - responses.listeners_m
    ahead = ahead * [1, 1, 0]
    sofa.ListenerView = ahead / np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-9)
    sofa.ListenerUp = np.tile([0.0, 0.0, 1.0], (len(ahead), 1))
    sofa.SourcePosition = np.tile(np.asarray(responses.source_m, float), (len(ahead), 1))
    angle = np.radians(responses.source_azimuth_deg)
    axes = np.array([[np.cos(angle), np.sin(angle), 0], [-np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    sofa.SourceView, sofa.SourceUp = (np.tile(axis, (len(ahead), 1)) for axis in axes[[0, 2]])
    sofa.EmitterPosition = ((responses.emitters_m - responses.source_m) @ axes.T)[:, :, None]
    sofa.EmitterPosition_Type, sofa.EmitterPosition_Units = "cartesian", "metre"
    count = len(responses.channels)
    sofa.EmitterDescriptions = np.array(responses.channels, str)
    sofa.EmitterView = np.tile(np.array([1.0, 0, 0])[None, :, None], (count, 1, 1))
    sofa.EmitterUp = np.tile(np.array([0, 0, 1.0])[None, :, None], (count, 1, 1))
    sofa.ReceiverPosition = np.zeros((1, 3, 1))
    sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "cartesian", "metre"
    sofa.ReceiverDescriptions = np.array(["omnidirectional"])
    sofa.MeasurementDate = np.zeros(len(ahead))
    sofa.Data_IR = np.asarray(responses.samples, float).transpose(1, 2, 0)[:, None]      # (M, R, N, E)
    sofa.Data_SamplingRate = float(responses.rate_hz)
    sofa.Data_Delay = np.zeros((len(ahead), 1, count))
    path = Path(path)
    draft = path.with_name(f".{path.stem}-{secrets.token_hex(4)}.sofa")
    try:
        sofar.write_sofa(str(draft), sofa)
        os.replace(draft, path)
    except OSError as error:
        raise RoomsimError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        with suppress(OSError):
            draft.unlink()


def read_room_responses(path: Path) -> RoomResponses:
    """Read a file that `write_room_responses` wrote, or one of the same convention with one receiver.

    Raises
    ------
    DefinitionError : not there, no AES69 file, another convention, several receivers
    """
    path = Path(path)

    def wrong(rule: str, value: object = None) -> DefinitionError:
        return DefinitionError([Problem(key="", file=str(path), value=value, rule=rule)])

    try:
        sofa = read_sofa_content(path)
    except InvalidValue as error:
        raise with_file(error, str(path)) from error
    convention = getattr(sofa, "GLOBAL_SOFAConventions", None)
    if convention != CONVENTION:
        raise wrong(f"must be {CONVENTION}", convention)
    try:
        return _from_content(sofa)
    except (AttributeError, IndexError, TypeError, ValueError) as error:     # InvalidValue among them
        if isinstance(error, InvalidValue):
            raise with_file(error, str(path)) from error
        raise wrong(f"lacks something, or has it in another shape ({shown(error, 120)})") from error


def _from_content(sofa: Any) -> RoomResponses:
    samples = np.asarray(sofa.Data_IR, float)
    if samples.ndim != 4 or samples.shape[1] != 1:
        raise InvalidValue("Data.IR", samples.shape, "must have one receiver")
    view = np.asarray(sofa.SourceView, float).reshape(-1, 3)[0]
    angle = float(np.arctan2(view[1], view[0]))
    axes = np.array([[np.cos(angle), np.sin(angle), 0], [-np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    source = np.asarray(sofa.SourcePosition, float).reshape(-1, 3)[0]
    emitters = np.asarray(sofa.EmitterPosition, float).reshape(samples.shape[3], 3)
    numbers = {
        "rate_hz": float(np.ravel(sofa.Data_SamplingRate)[0]), "volume_m3": float(np.ravel(sofa.RoomVolume)[0]),
        "temperature_c": float(np.ravel(sofa.RoomTemperature)[0]) - CELSIUS_ZERO_K,
    }
    responses = RoomResponses(
        **numbers,
        samples=samples[:, 0].transpose(2, 0, 1),
        channels=tuple(str(name) for name in np.ravel(sofa.EmitterDescriptions)),
        listeners_m=np.asarray(sofa.ListenerPosition, float).reshape(-1, 3),
        source_m=source,
        source_azimuth_deg=float(np.degrees(angle)),
        emitters_m=emitters @ axes + source,
        room_name=str(sofa.GLOBAL_RoomDescription),
        size_m=np.ravel(np.asarray(sofa.RoomCornerB, float))[:3],
        comment=str(sofa.GLOBAL_Comment),
    )
    places = (responses.listeners_m, source, emitters, responses.size_m, view, list(numbers.values()))
    if not all(np.all(np.isfinite(one)) for one in places) or responses.rate_hz <= 0 or len(responses.size_m) != 3:
        raise InvalidValue("positions, sizes, rate", None, "must be finite numbers, the rate above 0")
    return responses


def write_response_wavs(folder: Path, responses: RoomResponses, prefix: str = "") -> list[Path]:
    """Write one mono WAV per channel and seat, with one common gain, and the levels that belong to it.

    The largest sample of all is 0.7 of full scale, so nothing clips and levels compare between files;
    `levels.json` says what full scale stands for, and which file belongs to which channel and seat. Mind the
    volume when you play them.

    Parameters
    ----------
    folder : must be there
    prefix : begins every file name; a safe one is the caller's business

    Returns
    -------
    the WAV files, channels first

    Raises
    ------
    RoomsimError : a file cannot be written
    """
    folder = Path(folder)
    largest = float(np.abs(responses.samples).max())
    gain = PEAK / largest if largest > 0 else 1.0
    seats = range(len(responses.listeners_m))
    names = safe_names([safe_name(channel)[:_CHANNEL_LETTERS] for channel in responses.channels])
    files = []
    for k, name in enumerate(names):
        for seat in seats:
            path = folder / f"{prefix}{name}-seat-{seat + 1:02d}.wav"
            write_wav(path, responses.rate_hz, responses.samples[k, seat] * gain)
            files.append({
                "file": path.name, "channel": responses.channels[k], "seat": seat + 1,
                "position_m": [round(float(x), 4) for x in responses.listeners_m[seat]],
            })
    levels = {
        "gain_per_pascal": gain,
        "full_scale_db_re_20_upa": float(20 * np.log10(1 / gain / REFERENCE_PRESSURE_PA)),
        "files": files,
        "comment": responses.comment,
    }
    try:
        text = json.dumps(levels, indent=1, ensure_ascii=False) + "\n"
        (folder / f"{prefix}{LEVELS_FILE}").write_text(text, encoding="utf-8")
    except OSError as error:
        raise RoomsimError(f"{folder}: cannot be written ({error.strerror or error})") from error
    return [folder / one["file"] for one in files]
