"""One response from the engines: wave below the crossfade, images above, late energy after them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVES_HZ
from ..conventions import HAND_OVER_S
from ..response import Note, Response
from ..room.statistics import eyring_kuttruff_s, transition_hz
from ..scene import Scene
from .images import trace_images
from .late import statistical_late
from .modes import modal_decay_s
from .wave import solve_box

CROSSFADE_HZ = (400.0, 800.0)
"""The octave over which the exact field of a box hands over to the images."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How the engines are joined.

    Attributes
    ----------
    crossfade_hz : lower and upper end of the crossfade
    hand_over_s : early sound ends this long after the direct sound at each seat
    """

    crossfade_hz: tuple[float, float] = CROSSFADE_HZ
    hand_over_s: float = HAND_OVER_S


def crossfade_weight(frequency_hz: ArrayLike, crossfade_hz: tuple[float, float]) -> NDArray[np.float64]:
    """Weight of the wave part: 1 below the crossfade, 0 above, half a cosine over log frequency between."""
    low, high = crossfade_hz
    position = np.log(np.asarray(frequency_hz, float) / low) / np.log(high / low)
    return 0.5 * (1 + np.cos(np.pi * np.clip(position, 0, 1)))


def simulate(scene: Scene, frequency_hz: ArrayLike, options: Options | None = None) -> Response:
    """Response of every channel at every listener of a box room.

    Parameters
    ----------
    scene : room, placed loudspeakers, listeners
    frequency_hz : analysis frequencies, rising, shape (n_frequency,)
    options : how the engines are joined

    Returns
    -------
    Response with direct, early, late and wave parts, decay time per octave, reflections and notes
    """
    options = options or Options()
    f = np.asarray(frequency_hz, float)
    images = trace_images(scene, f, hand_over_s=options.hand_over_s)
    late = statistical_late(
        scene, f, eyring_kuttruff_s(scene.room, f), hand_over_s=options.hand_over_s
    )
    weight = crossfade_weight(f, options.crossfade_hz)
    wave = np.full(images.direct.shape, np.nan, complex)
    low = weight > 0
    if low.any():
        wave[..., low] = solve_box(scene, f[low])
    decay, method = decay_per_band(scene)
    return Response(
        frequency_hz=f,
        channels=scene.channels,
        direct=images.direct,
        early=images.early,
        late=late,
        wave=wave if low.any() else None,
        wave_weight=weight if low.any() else None,
        band_hz=OCTAVES_HZ,
        decay_s=decay,
        decay_method=method,
        reflections=images.reflections,
        notes=_notes(scene, options),
    )


def decay_per_band(scene: Scene) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Decay time of each octave [s], shape (n_band,), and how it was found.

    Octaves whose midband lies below the transition frequency are read from the modes, the others from
    Eyring's formula with Kuttruff's correction.
    """
    decay = eyring_kuttruff_s(scene.room, OCTAVES_HZ)
    transition = scene_transition_hz(scene)
    modal = transition > OCTAVES_HZ
    if modal.any():
        decay[modal] = modal_decay_s(scene.room, OCTAVES_HZ[modal])
    return decay, tuple("modes" if is_modal else "Eyring–Kuttruff" for is_modal in modal)


def scene_transition_hz(scene: Scene) -> float:
    """Schroeder frequency with the mean statistical decay time of the 500 Hz and 1 kHz octaves."""
    mid = eyring_kuttruff_s(scene.room, np.array([OCTAVES_HZ[3], OCTAVES_HZ[4]]))
    return float(transition_hz(mid.mean(), scene.room.geometry.volume_m3))


def _notes(scene: Scene, options: Options) -> tuple[Note, ...]:
    room = scene.room
    low, high = options.crossfade_hz
    notes = [
        Note(code="wave-engine", high_hz=low,
             text=f"Up to {low:g} Hz the field is the exact solution of the box."),
        Note(code="crossfade", low_hz=low, high_hz=high,
             text=f"From {low:g} to {high:g} Hz the exact field fades into image sources."),
        Note(code="statistical-late-field", low_hz=low,
             text=f"Later than {options.hand_over_s * 1e3:g} ms after the direct sound the energy above "
                  f"{low:g} Hz is statistical: Eyring's formula with Kuttruff's correction."),
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
    notes.extend(_material_notes(scene))
    return tuple(notes)


def _material_notes(scene: Scene) -> list[Note]:
    """One note per finish whose bands rest on an assumption."""
    notes = []
    for material in {id(m): m for m in scene.room.materials.values()}.values():
        if assumed := getattr(material, "assumed_bands", ()):
            notes.append(
                Note(code="material-assumed",
                     text=f"{material.name}: absorption at {', '.join(assumed)} Hz is an assumption."))
    return notes
