"""Walls that do not answer before they are struck: causal twins of finishes with a real impedance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..room.materials import Material
from ..room.room import Room
from ..scene import Scene
from ..spectra import bode_phase

STEEPEST = 1.2
"""Largest phase of an impedance [rad]: beyond a quarter turn it would not be passive."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CausalFinish:
    """A hard finish whose impedance has the minimum phase of its magnitude; everything else is the finish's own."""

    finish: Material
    log_frequency: NDArray[np.float64]
    log_impedance: NDArray[np.complex128]

    @classmethod
    def of(cls, finish: Material) -> CausalFinish:
        """The absorption stays: to first order α goes with Re 1/ζ, so |ζ| takes on cos φ.

        A table that rises faster than any passive surface can follow would ask for more than a quarter turn;
        the phase then stops at STEEPEST and a little of the sound comes early.
        """
        u = np.log(20.0) + np.arange(-60, 300) * np.log(2) / 24
        real = np.log(np.abs(finish.impedance(np.exp(u))))
        level = real
        for _ in range(3):
            phase = np.clip(bode_phase(u, level), -STEEPEST, STEEPEST)
            level = real + np.log(np.cos(phase))
        return cls(finish=finish, log_frequency=u, log_impedance=level + 1j * phase)

    @property
    def name(self) -> str:
        return self.finish.name

    @property
    def kind(self) -> str:
        return self.finish.kind

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """ζ, shape (n_frequency,)."""
        u = np.log(np.maximum(np.asarray(frequency_hz, float), 1e-3))
        return np.exp(
            np.interp(u, self.log_frequency, self.log_impedance.real)
            + 1j * np.interp(u, self.log_frequency, self.log_impedance.imag)
        )

    def absorption(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """The finish's own."""
        return self.finish.absorption(frequency_hz)

    def scattering(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """The finish's own."""
        return self.finish.scattering(frequency_hz)


def causal_scene(scene: Scene) -> Scene:
    """The scene with a causal twin for every finish whose impedance is real."""
    twins: dict[int, Material] = {}

    def twin(material: Material) -> Material:
        if material.kind != "hard":
            return material
        return twins.setdefault(id(material), CausalFinish.of(material))

    room: Room = replace(
        scene.room,
        materials={face: twin(material) for face, material in _items(scene.room.materials)},
        patches=tuple(replace(patch, material=twin(patch.material)) for patch in scene.room.patches),
    )
    return Scene(room=room, loudspeakers=scene.loudspeakers, listeners_m=scene.listeners_m)


def _items(materials: Mapping[str, Material]) -> list[tuple[str, Material]]:
    return [(face, materials[face]) for face in materials]
