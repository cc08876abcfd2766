"""A room flattened into the arrays of the ray kernel: faces, patches, what they do to energy, furniture, air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE
from ..room.furnishing import face_axes
from ..room.geometry import Geometry
from ..room.materials import Material, reflection_factor
from ..room.room import Room

ANGLES = 129
"""Steps of sqrt(cos θ) from grazing to normal: fine towards grazing, where hard walls absorb most."""

PER_BAND = {1: 9, 3: 5}
"""Frequencies over which a band's energy is averaged, for octaves and third octaves."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RayGeometry:
    """Faces as the kernel reads them; axes and corners are in each face's own two coordinates."""

    normal: NDArray[np.float64]
    offset: NDArray[np.float64]
    convex: bool
    origin: NDArray[np.float64]
    axis_u: NDArray[np.float64]
    axis_v: NDArray[np.float64]
    corners: NDArray[np.float64]
    corner_start: NDArray[np.int64]

    @classmethod
    def of(cls, geometry: Geometry) -> RayGeometry:
        """Flatten a room of planar faces."""
        normal = np.array([face.normal for face in geometry.faces])
        offset = np.array([face.normal @ face.corners_m[0] for face in geometry.faces])
        axes = [face_axes(geometry, face) for face in geometry.faces]
        origin, axis_u, axis_v = (np.array([axis[i] for axis in axes]) for i in range(3))
        flat = [
            np.stack([(face.corners_m - o) @ u, (face.corners_m - o) @ v], axis=1)
            for face, (o, u, v) in zip(geometry.faces, axes, strict=True)
        ]
        return cls(
            normal=normal,
            offset=offset,
            convex=_is_convex(geometry, normal, offset),
            origin=origin,
            axis_u=axis_u,
            axis_v=axis_v,
            corners=np.concatenate(flat),
            corner_start=np.cumsum([0, *(len(part) for part in flat)]),
        )

    @property
    def arrays(self) -> tuple:
        """In the order of the kernel's arguments."""
        return (
            self.normal, self.offset, self.convex, self.origin, self.axis_u, self.axis_v, self.corners,
            self.corner_start,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RaySurfaces:
    """What surfaces, furniture and air do to the energy of each band.

    Attributes
    ----------
    face_surface : surface of each face, shape (n_face,)
    patch_start, patches, patch_surface : patches of face k are rows patch_start[k] to patch_start[k + 1] of
        `patches` (u0, u1, v0, v1)
    reflect : |R|² at sqrt(cos θ) = 0 … 1 in even steps, shape (n_surface, n_angle, n_band)
    scatter : scattering coefficient, shape (n_surface, n_band)
    furniture_per_m : hits on furniture per metre of path
    furniture_absorbs : part of the energy absorbed at a hit, shape (n_band,)
    furniture_scatters : part of the rest that goes on in a random direction
    """

    face_surface: NDArray[np.int64]
    patch_start: NDArray[np.int64]
    patches: NDArray[np.float64]
    patch_surface: NDArray[np.int64]
    reflect: NDArray[np.float64]
    scatter: NDArray[np.float64]
    furniture_per_m: float
    furniture_absorbs: NDArray[np.float64]
    furniture_scatters: float

    @classmethod
    def of(cls, room: Room, band_hz: ArrayLike, fraction: int) -> RaySurfaces:
        """The surfaces of a room: the image engine's own R(θ), averaged as |R|² over each band."""
        names = room.geometry.face_names
        materials = [room.materials[name] for name in names]
        rectangles, owner, start = [], [], [0]
        for name in names:
            for patch in room.patches:
                if patch.face == name:
                    rectangles.append([patch.from_m[0], patch.to_m[0], patch.from_m[1], patch.to_m[1]])
                    owner.append(len(materials))
                    materials.append(patch.material)
            start.append(len(rectangles))
        per_m, absorbs, scatters = furniture_cloud(room, band_hz)
        return cls(
            face_surface=np.arange(len(names)),
            patch_start=np.array(start),
            patches=np.array(rectangles, float).reshape(-1, 4),
            patch_surface=np.array(owner, np.int64),
            reflect=np.stack([energy_reflection(material, band_hz, fraction) for material in materials]),
            scatter=np.stack([_band_scattering(material, band_hz, fraction) for material in materials]),
            furniture_per_m=per_m,
            furniture_absorbs=absorbs,
            furniture_scatters=scatters,
        )

    @property
    def arrays(self) -> tuple:
        """In the order of the kernel's arguments."""
        return (
            self.face_surface, self.patch_start, self.patches, self.patch_surface,
            np.ascontiguousarray(self.reflect, float), np.ascontiguousarray(self.scatter, float),
            float(self.furniture_per_m), np.ascontiguousarray(self.furniture_absorbs, float),
            float(self.furniture_scatters),
        )


def band_frequencies_hz(band_hz: ArrayLike, fraction: int, count: int = 0) -> NDArray[np.float64]:
    """Frequencies that stand for each band, even in log frequency, shape (n_band, count or PER_BAND)."""
    count = count or PER_BAND[fraction]
    step = (np.arange(count) + 0.5) / count - 0.5
    return np.asarray(band_hz, float)[:, None] * OCTAVE ** (step / fraction)


def energy_reflection(material: Material, band_hz: ArrayLike, fraction: int) -> NDArray[np.float64]:
    """|R(θ)|² averaged over each band, on even steps of sqrt(cos θ), shape (ANGLES, n_band)."""
    f = band_frequencies_hz(band_hz, fraction)
    if getattr(material, "anechoic", False):                 # an opening: what comes back does so at any angle
        back = 1 - np.asarray(material.absorption(f.ravel()), float).reshape(f.shape).mean(axis=-1)
        return np.tile(np.clip(back, 0, 1), (ANGLES, 1))
    cosine = np.linspace(0, 1, ANGLES)[:, None, None] ** 2
    factor = reflection_factor(material.impedance(f.ravel()).reshape(f.shape), cosine)
    return np.minimum(np.abs(factor) ** 2, 1.0).mean(axis=-1)


def _band_scattering(material: Material, band_hz: ArrayLike, fraction: int) -> NDArray[np.float64]:
    f = band_frequencies_hz(band_hz, fraction)
    values = np.broadcast_to(material.scattering(f.ravel()), f.size)
    return np.clip(values.reshape(f.shape).mean(axis=-1), 0, 1)


def furniture_cloud(room: Room, band_hz: ArrayLike) -> tuple[float, NDArray[np.float64], float]:
    """Furniture as a thin cloud of convex bodies: hits per metre, α at a hit per band, scattered part.

    Notes
    -----
    A ray in a diffuse field meets convex bodies of surface S in a volume V at S/4V per metre (Cauchy's mean
    projection S/4). An item of volume v stands on the floor and shows five sides of a cube, S = 5 v^(2/3),
    or more where its absorption area asks for it; α = A/S keeps the absorption area. Assumption: the bodies
    are taken as spread over the whole room, not where they stand.
    """
    band = np.asarray(band_hz, float)
    if not room.furniture:
        return 0.0, np.zeros(band.size), 0.0
    area = np.array([item.absorption_m2(band) for item in room.furniture])
    surface = np.array([5 * item.count * item.volume_m3 ** (2 / 3) for item in room.furniture])
    surface = np.maximum(surface, area.max(axis=1) / 0.95)
    total = surface.sum()
    if total == 0:
        return 0.0, np.zeros(band.size), 0.0
    scatters = sum(item.scattering * s for item, s in zip(room.furniture, surface, strict=True)) / total
    return total / (4 * room.geometry.volume_m3), area.sum(axis=0) / total, float(scatters)


def furniture_loss_per_m(room: Room, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Energy that unscattered paths lose to furniture, exp(-loss·distance), shape (n_frequency,)."""
    per_m, absorbs, scatters = furniture_cloud(room, frequency_hz)
    return per_m * (1 - (1 - absorbs) * (1 - scatters))


def air_table(room: Room, band_hz: ArrayLike, fraction: int, reach_m: float) -> tuple[NDArray[np.float64], float]:
    """What the air leaves of each band's energy after k steps of distance, shape (n_step, n_band), and the step.

    The mean of exp(-m(f)·distance) over the band: at 8 kHz the lower edge outlives the midband.
    """
    f = band_frequencies_hz(band_hz, fraction)
    loss = room.air.energy_attenuation_per_m(f)
    step_m = 0.25
    distance = np.arange(int(np.ceil(reach_m / step_m)) + 3) * step_m
    return np.exp(-distance[:, None, None] * loss).mean(axis=-1), step_m


def _is_convex(geometry: Geometry, normal: NDArray[np.float64], offset: NDArray[np.float64]) -> bool:
    """Whether every corner lies on the inner side of every face, and no two faces share a plane."""
    corners = np.concatenate([face.corners_m for face in geometry.faces])
    if np.any(corners @ normal.T < offset - 1e-9):
        return False
    same = (normal @ normal.T > 1 - 1e-9) & (np.abs(offset[:, None] - offset) < 1e-9)
    return int(same.sum()) == len(offset)
