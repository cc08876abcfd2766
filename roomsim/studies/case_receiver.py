"""What the receiver of a system does to the response of its loudspeakers: crossover, level, delay, polarity.

It sets itself as such devices do, from the average over the seats (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..loudspeaker.filters import Filter
from ..response import Note, Response
from ..scene import Scene
from ..systems import LFE, Receiver, System, channel_label

LEVEL_HZ = (500.0, 2000.0)
"""Levels of the loudspeakers are matched in this range; the reference signal of EBU's alignment has it too."""
DELAYS = 201
"""Delays of the subwoofer that are tried, over one period of the crossover frequency about equal arrival."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setting:
    """What the receiver sets on its way to one channel of one loudspeaker.

    Attributes
    ----------
    channel : its label in the scene of all loudspeakers
    filter : gain, delay, polarity and crossover
    """

    channel: str
    filter: Filter


def receiver_settings(scene: Scene, response: Response, receiver: Receiver) -> tuple[Setting, ...]:
    """Align the channels of a scene; one setting each, in the scene's order.

    Parameters
    ----------
    scene, response : of all loudspeakers without a receiver; the subwoofer's channel is the last
    receiver : what it may set

    Notes
    -----
    The channels of one loudspeaker keep their balance. Level: mean over its channels, the seats and log frequency,
    LEVEL_HZ, like that of the first loudspeaker; of the subwoofer from a quarter of the crossover frequency to 0.7 of
    it. Delay: the direct sounds arrive together, on average over the seats; that of the subwoofer is then moved by up
    to half a period of the crossover frequency. Polarity: with that delay, whatever gives the highest mean level over
    seats and main channels in the octave about the crossover.
    """
    f = response.frequency_hz
    count, low = len(response.channels), receiver.subwoofer is not None
    mains = count - low
    square = _of_loudspeakers(scene, response.mean_square.mean(axis=1))
    arrival = _of_loudspeakers(scene, response.direct_s.mean(axis=1))
    cut = receiver.crossover_hz
    mid = _range_mean(square, f, *LEVEL_HZ)
    gain_db = np.zeros(count)
    if "level" in receiver.align:
        gain_db[:mains] = 10 * np.log10(mid[0] / mid[:mains])
        if low:
            bass = _range_mean(square[mains:], f, cut / 4, 0.7 * cut)
            gain_db[mains] = 10 * np.log10(mid[0] / bass[0])
    gain_db = np.clip(np.round(gain_db, 2), -60, 60)
    delay_s = arrival.max() - arrival if "delay" in receiver.align else np.zeros(count)
    invert = False
    if low:
        passes = [Filter(highpass_hz=cut), Filter(lowpass_hz=cut)]
        spread = np.log2(f / cut)
        octave = np.abs(spread) <= 0.5 + 1e-9
        sent = response.pressure[..., octave] * 10 ** (gain_db[:, None, None] / 20)
        sent = sent * np.exp(-2j * np.pi * f[octave] * delay_s[:, None, None])
        main, sub = sent[:mains] * passes[0].response(f[octave]), sent[mains] * passes[1].response(f[octave])
        together = (main.conj() * sub).mean(axis=1).sum(axis=0)         # the rest does not depend on delay and polarity
        tried = np.linspace(-0.5, 0.5, DELAYS) / cut if "delay" in receiver.align else np.zeros(1)
        signs = (1, -1) if "polarity" in receiver.align else (1,)
        gain = np.real(np.exp(-2j * np.pi * np.outer(tried, f[octave])) @ (together * _steps(f[octave])))
        best = max((sign * gain[k], -abs(tried[k]), sign, k) for sign in signs for k in range(tried.size))
        invert = best[2] < 0
        delay_s = delay_s + np.where(np.arange(count) == mains, tried[best[3]], 0.0)
    delay_ms = np.round((delay_s - delay_s.min()) * 1e3, 3)
    return tuple(
        Setting(channel=name, filter=Filter(
            gain_db=float(gain_db[k]), delay_ms=float(delay_ms[k]), invert=bool(invert and k == mains),
            highpass_hz=cut if low and k < mains else None, lowpass_hz=cut if low and k == mains else None,
        ))
        for k, name in enumerate(response.channels)
    )


def received(response: Response, settings: tuple[Setting, ...], system: System, channels: tuple[str, ...]) -> Response:
    """The response of the receiver's inputs.

    Each main channel with its share of the subwoofer, and LFE where there is one. What has no phase (late and
    scattered sound) is added as energy; below the crossfade of the engines the exact field has phase in all of it.
    """
    f, low = response.frequency_hz, system.receiver.subwoofer is not None
    mains = len(settings) - low
    gain = receiver_gains(settings, system, len(channels), f)
    square = np.abs(gain) ** 2
    shares = np.stack([
        np.interp(np.log(response.energy_band_hz), np.log(f), row) for row in square.reshape(-1, f.size)
    ]).reshape(*gain.shape[:2], -1)
    delays = np.array([one.filter.delay_ms / 1e3 for one in settings])
    direct_s = response.direct_s + delays[:, None]
    energy = _later(response.energy, delays[:, None, None, None] / response.energy_step_s)
    groups = _later(response.energy_groups, delays[None, :, None, None] / response.energy_step_s)
    leads = [k if k < mains else len(settings) - 1 for k in range(len(channels))]
    return replace(
        response,
        channels=channels,
        direct=_mixed(gain, response.direct), early=_mixed(gain, response.early),
        late=_mixed(square, response.late), scattered=_mixed(square, response.scattered),
        wave=None if response.wave is None else _mixed(gain, response.wave),
        energy=np.einsum("oib,ilbt->olbt", shares, energy),
        energy_groups=None if groups is None else np.einsum("oib,gibt->gobt", shares, groups),
        direct_s=direct_s[leads],
        late_noise_db=None if response.late_noise_db is None else response.late_noise_db[leads],
        reflections=tuple(one for one in response.reflections if one.channel < mains),
        notes=(*response.notes, *_notes(system, settings)),
    )


def receiver_gains(
    settings: tuple[Setting, ...], system: System, inputs: int, frequency_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """From each input of the receiver to each channel of the loudspeakers, shape (n_input, n_channel, n_frequency)."""
    mains = len(settings) - (system.receiver.subwoofer is not None)
    gain = np.zeros((inputs, len(settings), frequency_hz.size), complex)
    for k in range(mains):
        gain[k, k] = settings[k].filter.response(frequency_hz)
    if mains < len(settings):
        gain[:, mains] = settings[mains].filter.response(frequency_hz)
    return gain


def settings_record(system: System, scene: Scene, settings: tuple[Setting, ...]) -> list[dict[str, Any]]:
    """What stands where and what was set, as plain rows for the result's metadata."""
    rows, at = [], iter(settings)
    for placed in scene.loudspeakers:
        away = placed.position_m - scene.listeners_m[0]
        for channel in placed.loudspeaker.channels:
            what = next(at).filter
            azimuth, elevation = scene.arrival_angles_deg(0, away)
            rows.append({
                "loudspeaker": placed.loudspeaker.name,
                "channel": channel_label(placed.label, channel, len(placed.loudspeaker.channels)),
                "at_m": [round(float(x), 3) for x in placed.position_m],
                "distance_m": round(float(np.linalg.norm(away)), 3),
                "azimuth_deg": round(float(azimuth), 1) + 0.0, "elevation_deg": round(float(elevation), 1) + 0.0,
                "gain_db": what.gain_db, "delay_ms": what.delay_ms,
                "polarity": "inverted" if what.invert else "normal",
                "highpass_hz": what.highpass_hz, "lowpass_hz": what.lowpass_hz,
            })
    return rows


def _notes(system: System, settings: tuple[Setting, ...]) -> list[Note]:
    receiver = system.receiver
    said = []
    if receiver.subwoofer is not None:
        said.append(f"it sends what is below {receiver.crossover_hz:g} Hz to {receiver.subwoofer} (fourth-order "
                    "Linkwitz–Riley)")
    done = [what for what in ("level", "delay", "polarity") if what in receiver.align]
    said.append(f"it sets {', '.join(done)} at the average of the seats" if done else "it aligns nothing")
    if receiver.lfe:
        said.append(f"channel {LFE} is shown without the 10 dB that reproduction adds to it")
    notes = [Note(code="receiver", text=f"A receiver feeds the loudspeakers: {'; '.join(said)}. receiver.csv has what "
                                        "it set in each case.")]
    loud = max(one.filter.gain_db for one in settings)
    if loud >= 12:
        notes.append(Note(code="receiver-gain", text="A loudspeaker is raised by 12 dB or more to meet the others' "
                                                     "level at the seats: a real receiver may not reach that, nor may "
                                                     "the loudspeaker."))
    return notes


def _mixed(gain: NDArray, values: NDArray) -> NDArray:
    """Inputs of the receiver from channels of loudspeakers; NaN, where the exact field ends, stays NaN."""
    return np.einsum("oif,ilf->olf", gain, values)


def _later(energy: NDArray | None, steps: NDArray[np.float64]) -> NDArray | None:
    """Energy over time, later by a number of steps per channel (linear between steps)."""
    if energy is None or not steps.any():
        return energy
    whole = np.broadcast_to(np.floor(steps), (*energy.shape[:-1], 1)).astype(int)
    part = steps - np.floor(steps)
    index = np.arange(energy.shape[-1]) - whole

    def taken(at: NDArray) -> NDArray:
        return np.where(at >= 0, np.take_along_axis(energy, np.maximum(at, 0), axis=-1), 0.0)

    return (1 - part) * taken(index) + part * taken(index - 1)


def _of_loudspeakers(scene: Scene, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Every channel's value replaced by the mean over the channels of its loudspeaker."""
    out, start = values.copy(), 0
    for placed in scene.loudspeakers:
        end = start + len(placed.loudspeaker.channels)
        out[start:end] = values[start:end].mean(axis=0)
        start = end
    return out


def _range_mean(square: NDArray[np.float64], f: NDArray[np.float64], low: float, high: float) -> NDArray[np.float64]:
    inside = (f >= low) & (f <= high)
    if not inside.any():
        inside = np.arange(f.size) == np.argmin(np.abs(np.log(f / np.sqrt(low * high))))
    return (square[..., inside] * _steps(f[inside])).sum(axis=-1) / _steps(f[inside]).sum()


def _steps(f: NDArray[np.float64]) -> NDArray[np.float64]:
    """Widths of frequencies on a logarithmic axis."""
    return np.gradient(np.log(f)) if f.size > 1 else np.ones(1)
