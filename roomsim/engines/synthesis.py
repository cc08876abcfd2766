"""Impulse responses of a scene: exact field below the crossfade, images above, late energy as shaped noise.

Time zero is the emission. The coherent part is w·p_wave + (1 - w)·p_image on a linear grid; the late part is
noise whose energy over time follows the ray histogram of each band, with weight √(1 - w²), as in the hybrid's
energies. It is scaled so that every band of the sum holds what the prediction holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..bands import OCTAVE, midbands_hz
from ..conventions import HAND_OVER_FADE_S, HAND_OVER_S
from ..errors import InvalidValue
from ..response import Note
from ..room.statistics import eyring_kuttruff_s
from ..scene import Scene
from ..spectra import fast_length, impulse_response, linear_grid_hz, minimum_phase, raised_cosine
from .causal import causal_scene
from .hybrid import crossfade_weight
from .images import trace_images
from .late_noise import TOP_HZ, LateNoise
from .modes import modal_decay_s
from .ray_part import RayPart, late_histogram
from .rays import trace_rays
from .wave import LOW_HZ
from .wave_field import CROSSFADE_HZ, room_crossfade_hz, wave_pressure

RATES_HZ = (44100, 48000, 96000)
SUBSONIC_HZ = 12.0
"""A causal fourth-order high-pass keeps the response from drifting (a sealed room has gain down to 0 Hz)."""

IMAGES_RING_S, BEFORE_S = 0.15, 0.05
"""Where the images are cut out: so long after their last path, and so long before time 0."""

GATE_S = 0.001
FADE_S = 0.0003
LONGEST_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImpulseResponses:
    """Impulse responses of every channel at every listener.

    Attributes
    ----------
    rate_hz : sample rate
    channels : labels
    samples : pressure [Pa] per sample, shape (n_channel, n_listener, n_sample): the spectrum is Σ samples
        e^{-j2πft}, in pascal like the prediction's pressure
    direct_s : arrival of the direct sound after emission, shape (n_channel, n_listener)
    band_hz : octave midbands in which the late part was scaled, shape (n_band,)
    predicted : mean of |P|² + late energy over each of those bands [Pa²], shape (n_channel, n_listener, n_band)
    removed_db : energy before 1 ms ahead of the direct sound that was cut off, re all energy,
        shape (n_channel, n_listener)
    notes : assumptions and limits
    """

    rate_hz: float
    channels: tuple[str, ...]
    samples: NDArray[np.float64]
    direct_s: NDArray[np.float64]
    band_hz: NDArray[np.float64]
    predicted: NDArray[np.float64]
    removed_db: NDArray[np.float64]
    notes: tuple[Note, ...] = ()

    def scaled(self, peak: float = 0.7) -> tuple[NDArray[np.float64], float]:
        """Samples with one common gain so that the largest magnitude is `peak` (full scale 1), and that gain."""
        largest = float(np.abs(self.samples).max())
        gain = peak / largest if largest > 0 else 1.0
        return self.samples * gain, gain


def synthesise(
    scene: Scene,
    rate_hz: float = 48000,
    *,
    length_s: float | None = None,
    crossfade_hz: tuple[float, float] = CROSSFADE_HZ,
    hand_over_s: float = HAND_OVER_S,
    rays: RayPart | None = None,
    seed: int = 0,
    threads: int = 1,
) -> ImpulseResponses:
    """Impulse responses of every channel at every listener.

    Parameters
    ----------
    scene : a room that a wave engine serves, with its loudspeakers and listeners
    rate_hz : 44,100, 48,000 or 96,000
    length_s : default: until the longest decay has fallen by 60 dB and more
    crossfade_hz, hand_over_s : as in the hybrid
    rays : traced octaves of the same scene; default: traced here, 0.3 dB noise
    seed : of the rays and of the late noise, which is independent from listener to listener
    threads : for the engines; the result does not depend on it

    Raises
    ------
    InvalidValue : another rate, a length beyond 0.1 to 20 s, a room that is no box, rays without octaves

    Notes
    -----
    Hard finishes have a real ζ(f), which would sound before it is struck: here they get the minimum phase that
    belongs to their magnitude [bode1945]. What little comes earlier than 1 ms before the direct sound even so
    is cut off and reported; it is under -60 dB.
    """
    rate = float(rate_hz)
    if rate not in RATES_HZ:
        raise InvalidValue("rate_hz", rate_hz, "must be 44100, 48000 or 96000")
    fade = room_crossfade_hz(scene.room, crossfade_hz)
    if fade is None:
        raise InvalidValue("room", scene.room.name, "has no wave engine for the low frequencies of an impulse response")
    crossfade_hz = fade
    causal = causal_scene(scene)
    bands = _ray_bands(crossfade_hz)
    length = length_s or _default_length_s(scene)
    if not 0.1 <= length <= LONGEST_S:
        raise InvalidValue("length_s", length, f"must be 0.1 to {LONGEST_S:g} s")
    count = fast_length(rate, length)
    f = linear_grid_hz(rate, count)
    if rays is None:
        rays = trace_rays(scene, bands, noise_db=0.3, duration_s=count / rate, seed=seed, threads=threads)
    elif rays.fraction != 1:
        raise InvalidValue("rays", f"1/{rays.fraction} octaves", "must be traced in octaves")
    coherent, hand_over = _coherent(causal, f, crossfade_hz, hand_over_s, threads)
    weight = crossfade_weight(np.maximum(f, 1e-3), crossfade_hz)
    shaping = _high_pass(f) * _low_pass(f)
    direct = _direct_s(scene)
    late = late_histogram(rays, hand_over, HAND_OVER_FADE_S)
    samples = np.empty((*coherent.shape[:2], count))
    predicted = np.empty((*coherent.shape[:2], rays.band_hz.size))
    removed = np.empty(coherent.shape[:2])
    for channel, listener in np.ndindex(*coherent.shape[:2]):
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(channel, listener, 1)))
        tail = LateNoise(
            frequency_hz=f, rate_hz=rate, band_hz=rays.band_hz, histogram=late[channel, listener],
            bin_s=rays.bin_s, start_s=float(direct[channel, listener]), keep=1 - weight**2,
        )
        spectrum, predicted[channel, listener] = tail.joined(coherent[channel, listener], rng)
        h = impulse_response(spectrum * shaping)
        samples[channel, listener], removed[channel, listener] = _gated(h, rate, float(direct[channel, listener]))
    return ImpulseResponses(
        rate_hz=rate, channels=scene.channels, samples=samples, direct_s=direct, band_hz=rays.band_hz,
        predicted=predicted, removed_db=removed, notes=_notes(removed),
    )


# ----- the coherent part


def _coherent(
    scene: Scene, f: NDArray[np.float64], crossfade_hz: tuple[float, float], hand_over_s: float, threads: int
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """w·wave + (1 - w)·images on the linear grid, shape (n_channel, n_listener, n_frequency), and the hand-over."""
    weight = crossfade_weight(np.maximum(f, 1e-3), crossfade_hz)
    total, hand_over = _images(scene, f, crossfade_hz, hand_over_s, threads)
    low = (weight > 0) & (f >= LOW_HZ)
    wave = wave_pressure(scene, f[low])
    total[..., low] += wave * weight[low]
    below = (f < LOW_HZ) & (weight > 0)
    for channel, listener in np.ndindex(*total.shape[:2]):
        total[channel, listener, below] = _towards_zero(f[low], wave[channel, listener], f[below])
    return total, hand_over


def _images(
    scene: Scene, f: NDArray[np.float64], crossfade_hz: tuple[float, float], hand_over_s: float, threads: int
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """(1 - w)·images on the linear grid, and the hand-over.

    They end soon after it, so a coarser grid holds all there is of them: they are summed there and brought to the
    fine one in the time domain. What the zero-phase weight lets sound before time 0 stands at the end of both.
    """
    rate, count = 2 * float(f[-1]), 2 * (f.size - 1)
    last = float(_direct_s(scene).max()) + hand_over_s + HAND_OVER_FADE_S
    short = min(fast_length(rate, last + IMAGES_RING_S + BEFORE_S), count)
    coarse = linear_grid_hz(rate, short)
    audible = coarse >= crossfade_hz[0]
    images = trace_images(scene, coarse[audible], hand_over_s=hand_over_s, fade_s=HAND_OVER_FADE_S, reflections=0,
                          threads=threads)
    spectrum = np.zeros((*images.direct.shape[:2], coarse.size), complex)
    spectrum[..., audible] = images.pressure * (1 - crossfade_weight(coarse[audible], crossfade_hz))
    if short == count:
        return spectrum, images.hand_over_s
    h = impulse_response(spectrum)
    before = int(BEFORE_S * rate)
    whole = np.zeros((*h.shape[:2], count))
    whole[..., : short - before], whole[..., count - before :] = h[..., : short - before], h[..., short - before :]
    return np.fft.rfft(whole, axis=-1), images.hand_over_s


# ----- shaping


def _towards_zero(
    known_hz: NDArray[np.float64], known: NDArray[np.complex128], wanted_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """The field below the wave engine's range: a rational function through it at ±f [nakatsukasa2018].

    P(-f) is the conjugate of P(f), so this interpolates between -10 and 10 Hz. A sealed room's pressure goes
    with 1/f to infinity at 0; the high-pass takes it to zero, so 0 itself is given as 0.
    """
    from scipy.interpolate import AAA

    near = np.flatnonzero(known_hz < 4 * LOW_HZ)
    near = near[:: max(near.size // 60, 1)]
    s = 2j * np.pi * known_hz[near]
    fit = AAA(np.concatenate([s, s.conj()]), np.concatenate([known[near], known[near].conj()]), rtol=1e-6)
    out = np.zeros(wanted_hz.size, complex)
    above = wanted_hz > 0
    out[above] = fit(2j * np.pi * wanted_hz[above])
    largest = 2 * np.abs(known[near]).max() * known_hz[near[0]] / np.maximum(wanted_hz, 1e-3)
    too_large = np.abs(out) > largest                        # should the fit have a pole between
    out[too_large] *= (largest / np.maximum(np.abs(out), 1e-30))[too_large]
    return out


def _high_pass(f: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Causal Butterworth high-pass of fourth order."""
    s = 1j * f / SUBSONIC_HZ
    return s**4 / ((s**2 + 0.7653668647 * s + 1) * (s**2 + 1.8477590650 * s + 1))


def _low_pass(f: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Minimum-phase low-pass between 20 kHz and the end of the grid, at most 4 kHz wide."""
    width = min(f[-1] - TOP_HZ, 4000.0)
    return minimum_phase(np.maximum(raised_cosine((f - TOP_HZ) / width), 1e-5))


def _gated(h: NDArray[np.float64], rate: float, direct_s: float) -> tuple[NDArray[np.float64], float]:
    """Silence until 1 ms before the direct sound, a fade at the end, and what the first took away [dB]."""
    t = np.arange(h.size) / rate
    start = direct_s - GATE_S
    opening = 1 - raised_cosine((t - start) / FADE_S)
    closing = raised_cosine((t - 0.95 * t[-1]) / (0.05 * t[-1]))
    whole = float((h**2).sum())
    early = float((h[t < start] ** 2).sum())
    with np.errstate(divide="ignore"):
        return h * opening * closing, float(10 * np.log10(early / whole)) if whole > 0 else -np.inf


def _direct_s(scene: Scene) -> NDArray[np.float64]:
    """Arrival from the nearest driver of each channel, shape (n_channel, n_listener)."""
    speed = scene.room.air.speed_m_s
    return np.array([
        np.min(
            [np.linalg.norm(scene.listeners_m - e.position_m, axis=1) for e in scene.channel_emitters(channel)], axis=0
        ) / speed
        for channel in range(len(scene.channels))
    ])


def _ray_bands(crossfade_hz: tuple[float, float]) -> NDArray[np.float64]:
    """Octaves from the one that holds the lower end of the crossfade to 16 kHz."""
    octaves = midbands_hz(1, 31.5, 16000)
    return octaves[octaves * OCTAVE**0.5 > crossfade_hz[0]]


def _default_length_s(scene: Scene) -> float:
    octaves = midbands_hz(1, 31.5, 8000)
    modal = modal_decay_s(scene.room, octaves[:4])
    longest = max(float(np.nanmax(modal)), float(np.max(eyring_kuttruff_s(scene.room, octaves))))
    return float(np.clip(1.5 * longest, 0.5, LONGEST_S))


def _notes(removed_db: NDArray[np.float64]) -> tuple[Note, ...]:
    worst = float(removed_db.max())
    return (
        Note(code="late-noise", text="The late part is noise with the traced energy over time; it differs from seat "
             "to seat at random, without the spatial correlation of a real field."),
        Note(code="early-energy-cut", text=f"Energy earlier than 1 ms before the direct sound is cut off; it was at "
             f"most {worst:.0f} dB re all energy."),
    )
