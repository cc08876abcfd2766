"""One response from the engines: wave below the crossfade, images above, late energy after them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE, OCTAVES_HZ
from ..conventions import EARLY_WINDOW_MS, HAND_OVER_FADE_S, HAND_OVER_S
from ..response import Note, Response
from ..room.assumptions import room_assumptions
from ..room.statistics import room_transition_hz
from ..scene import Scene
from .images import ImagePart, trace_images
from .late import spectrum_of_bands
from .modes import highest_modal_band_hz, modal_decay_s
from .paths import first_arrivals_m
from .plate_paths import PLATE_ORDER
from .ray_part import RayPart, after_hand_over
from .rays import trace_rays
from .special_paths import FRESNEL_ORDER
from .wave_field import CROSSFADE_HZ, PLAN_CROSSFADE_HZ, SOLID_CROSSFADE_HZ, room_crossfade_hz, wave_pressure

RAY_BANDS_HZ = 1000 * OCTAVE ** np.arange(-4, 5)
"""Octaves 63 Hz to 16 kHz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How the engines are joined.

    Attributes
    ----------
    crossfade_hz : lower and upper end of the crossfade
    hand_over_s : early sound ends this long after the direct sound at each seat
    rays : per channel
    seed : of the rays
    """

    crossfade_hz: tuple[float, float] = CROSSFADE_HZ
    hand_over_s: float = HAND_OVER_S
    rays: int = 5_000
    seed: int = 1


def crossfade_weight(frequency_hz: ArrayLike, crossfade_hz: tuple[float, float]) -> NDArray[np.float64]:
    """Weight of the wave part: 1 below the crossfade, 0 above, half a cosine over log frequency between."""
    low, high = crossfade_hz
    position = np.log(np.asarray(frequency_hz, float) / low) / np.log(high / low)
    return 0.5 * (1 + np.cos(np.pi * np.clip(position, 0, 1)))


def simulate(
    scene: Scene, frequency_hz: ArrayLike, options: Options | None = None, *, threads: int = 1
) -> Response:
    """Response of every channel at every listener.

    Parameters
    ----------
    scene : room, placed loudspeakers, listeners
    frequency_hz : analysis frequencies, rising, shape (n_frequency,)
    options : how the engines are joined
    threads : with two or more, image sources are summed beside the other engines; the result does not depend on it

    Returns
    -------
    Response with direct, early, late and wave parts, decay time per octave, reflections and notes
    """
    options = options or Options()
    f = np.asarray(frequency_hz, float)

    def by_images() -> ImagePart:
        return trace_images(scene, f, hand_over_s=options.hand_over_s, fade_s=HAND_OVER_FADE_S,
                            all_within_ms=EARLY_WINDOW_MS)

    with ThreadPoolExecutor(max_workers=1) if threads > 1 else nullcontext() as pool:
        beside = pool.submit(by_images) if pool else None    # the others keep what they found for this thread's next
        rays = trace_rays(scene, RAY_BANDS_HZ, rays=options.rays, seed=options.seed)
        wave, weight = _wave_part(scene, f, options)
        images = beside.result() if beside else by_images()
    late, scattered = ray_spectra(scene, f, rays, images.hand_over_s)
    return Response(
        frequency_hz=f,
        channels=scene.channels,
        direct=images.direct,
        early=images.early,
        late=late,
        scattered=scattered,
        wave=wave,
        wave_weight=weight,
        energy=rays.energy,
        energy_groups=rays.groups,
        energy_step_s=rays.bin_s,
        energy_band_hz=rays.band_hz,
        direct_s=rays.direct_s,
        late_noise_db=rays.noise_db,
        reflections=images.reflections,
        notes=(*_notes(scene, options), *_plan_notes(scene, options, images)),
    )


def _wave_part(
    scene: Scene, f: NDArray[np.float64], options: Options
) -> tuple[NDArray[np.complex128] | None, NDArray[np.float64] | None]:
    """Pressure of the wave engine, NaN above its range, and its weight; None where it does not take part."""
    fade = room_crossfade_hz(scene.room, options.crossfade_hz)
    weight = np.zeros(f.size) if fade is None else crossfade_weight(f, fade)
    low = weight > 0
    if not low.any():
        return None, None
    wave = np.full((len(scene.channels), len(scene.listeners_m), f.size), np.nan, complex)
    wave[..., low] = wave_pressure(scene, f[low])
    return wave, weight


def ray_spectra(
    scene: Scene, frequency_hz: NDArray[np.float64], rays: RayPart, hand_over_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean-square pressure [Pa²] of the rays after and before the hand-over, (n_channel, n_listener, n_frequency).

    After it: everything. Before it: only paths that were scattered at least once, since the image engine has
    the others.
    """
    after = np.clip((rays.time_s + rays.bin_s - hand_over_s[..., None, None]) / rays.bin_s, 0, 1)
    unscattered = rays.unscattered * after_hand_over(rays, hand_over_s, HAND_OVER_FADE_S)
    late = (rays.scattered * after + unscattered).sum(axis=-1)
    early = (rays.scattered * (1 - after)).sum(axis=-1)
    both = spectrum_of_bands(scene, frequency_hz, np.concatenate([late, early], axis=1), rays.band_hz, rays.fraction)
    return both[:, : late.shape[1]], both[:, late.shape[1] :]


def modal_decays(scene: Scene) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Midbands of the octaves below the transition frequency and their decay times [s] from the modes."""
    top = min(scene_transition_hz(scene), highest_modal_band_hz(scene.room))
    low = OCTAVES_HZ[top > OCTAVES_HZ]
    return low, modal_decay_s(scene.room, low) if low.size else np.empty(0)


def scene_transition_hz(scene: Scene) -> float:
    """Schroeder frequency with the mean statistical decay time of the 500 Hz and 1 kHz octaves."""
    return room_transition_hz(scene.room)


def _notes(scene: Scene, options: Options) -> tuple[Note, ...]:
    room = scene.room
    fade = room_crossfade_hz(room, options.crossfade_hz)
    rays = (f"hat is scattered, and what arrives later than {options.hand_over_s * 1e3:g} ms after the direct sound, "
            f"is ray energy ({options.rays} rays per channel, seed {options.seed}).")
    if fade is None:
        notes = [Note(code="rays", text=f"W{rays}")]
    else:
        low, high = fade
        exact, flat = room.geometry.kind == "box", room.geometry.is_extruded
        solved = "the exact solution of the box" if exact else "solved for by finite elements"
        solved += "" if exact else " over the plan" if flat else " in three dimensions"
        name = "exact" if exact else "solved"
        # a lower fade than usual is the mesh's: it may have only so many unknowns
        lower = not exact and high < (PLAN_CROSSFADE_HZ if flat else SOLID_CROSSFADE_HZ)[1] * (1 - 1e-9) and (
            options.crossfade_hz[1] > high * (1 + 1e-9))
        less = " The room is so large, or has so many small parts, that its mesh reaches no higher." if lower else ""
        notes = [
            Note(code="wave-engine", high_hz=low, text=f"Up to {low:.4g} Hz the field is {solved}.{less}"),
            Note(code="crossfade", low_hz=low, high_hz=high,
                 text=f"From {low:.4g} to {high:.4g} Hz the {name} field fades into image sources."),
            Note(code="rays", low_hz=low, text=f"Above {low:.4g} Hz w{rays}"),
        ]
    first_mode = room.air.speed_m_s / (2 * float(room.geometry.size_m.max()))
    notes.append(
        Note(code="sealed-room", high_hz=first_mode,
             text=f"Below the first mode ({first_mode:.0f} Hz) the room is taken as sealed and rigidly built; "
                  "real rooms leak and their walls flex, so expect less bass there."))
    for placed in scene.loudspeakers:
        speaker = placed.loudspeaker
        if placed.wall and speaker.mounting == "free" and placed.gap_m < speaker.depth_m:
            notes.append(
                Note(code="cabinet-near-wall",
                     text=f"{speaker.name} stands {placed.gap_m:g} m from the {placed.wall} wall, less than its "
                          f"depth of {speaker.depth_m:g} m: scattering between cabinet and wall is neglected."))
    notes.extend(_patch_notes(scene, options))
    notes.extend(_material_notes(scene))
    return tuple(notes)


def _plan_notes(scene: Scene, options: Options, images: ImagePart) -> list[Note]:
    """What the engines leave out in rooms that are no box."""
    if scene.room.geometry.kind == "box":
        return []
    transition, notes = scene_transition_hz(scene), []
    if room_crossfade_hz(scene.room, options.crossfade_hz) is None:
        notes.append(Note(
            code="no-wave-engine", high_hz=transition,
            text=f"Below the transition ({transition:.0f} Hz) the modes of this room are not solved for; image sources "
                 "and rays stand in for them: averages over seats and third octaves may serve, single seats do not."))
    hidden = ~images.direct.any(axis=-1)
    if hidden.any():
        notes.append(Note(
            code="hidden-direct",
            text=f"{int(hidden.any(axis=0).sum())} of {hidden.shape[1]} seats do not see all of the loudspeaker: what "
                 "bends round the corner or obstacle between is left out, so that little or no direct sound is left."))
    ends = float((images.hand_over_s - first_arrivals_m(scene) / scene.room.air.speed_m_s).min())
    if ends < options.hand_over_s - 1e-6:
        notes.append(Note(
            code="images-shortened",
            text=f"Image sources are followed for {ends * 1e3:.0f} ms after the direct sound instead of "
                 f"{options.hand_over_s * 1e3:g}, since the room has many faces; what comes later is ray energy."))
    return notes


def _patch_notes(scene: Scene, options: Options) -> list[Note]:
    """How far patches and near plates are followed."""
    low, high = room_crossfade_hz(scene.room, options.crossfade_hz) or (None, None)
    notes = []
    if scene.room.patches:
        notes.append(
            Note(code="patches", low_hz=low,
                 text=f"Reflections of up to {FRESNEL_ORDER} hits meet patches by their Fresnel weights, later ones a "
                      "mix of each face's finishes; waves bent at one patch and then another are neglected."))
    names = dict.fromkeys(plate.name for placed in scene.loudspeakers for plate in placed.plates)
    if names:
        notes.append(
            Note(code="near-plates", high_hz=high,
                 text=f"{', '.join(names).capitalize()}: rigid plates, followed for paths of up to {PLATE_ORDER} hits "
                      f"in the room; the exact field, which takes part below {high:g} Hz, does not know them, nor do "
                      "the rays."))
    return notes


def _material_notes(scene: Scene) -> list[Note]:
    """What the room's finishes, absorbers, furniture and openings take for granted."""
    return [Note(code=one.code, text=one.text) for one in room_assumptions(scene.room)]
