"""Factors of image paths hit by hit, where faces carry patches.

Where a path meets a face with patches, what comes back is a mix: the face's own factor and, weighted by the Fresnel
integral over each patch, the difference of the patch's factor to it. Weights are complex and depend on frequency: at
low frequencies the Fresnel zone is larger than a rug, and even a patch beside the point of reflection sends
something back; a patch that moves through that point changes the response smoothly. The mirror images of a patch in
the faces around its own count as well (they stand for what reaches the patch by way of those faces), so that a patch
that covers its face is that face.

First-order reflections use the integral over the rectangle (Owen's function), later ones the product of its two
strips, which errs by up to 0.2 beside a corner that is met obliquely and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import BOX_FACES
from ..room.materials import Material
from ..room.room import Room
from .lattice import image_coordinates
from .walls import specular_part, spherical_factor

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

FADE_RAD = (8.0, 14.0)
"""Waves from a patch's edges fade out where their phase against the path runs from the first to the second: nodes
of EDGE_STEPS follow no faster ones, and 0.05 of the path's amplitude is all that they are then."""

EDGE_STEPS = 4
"""Widest spacing of nodes, in lattice steps, that follows FADE_RAD."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _PatchedFace:
    """One face with its patches: finishes, the face's own first; corners of the patches and the finish of each."""

    finishes: tuple[Material, ...]
    low_m: Floats
    high_m: Floats
    finish_of: tuple[int, ...]


class HitFactors:
    """Factors of paths at nodes in frequency.

    Parameters
    ----------
    room : a box
    node_hz : shape (n_node,)
    """

    def __init__(self, room: Room, node_hz: ArrayLike) -> None:
        self._f = np.asarray(node_hz, float)
        self._k = 2 * np.pi * self._f / room.air.speed_m_s
        self._size = np.asarray(room.geometry.size_m, float)
        self._faces = [_patched_face(room, face) for face in BOX_FACES]
        self._finishes = {
            id(finish): None if getattr(finish, "anechoic", False) else (
                1 / np.asarray(finish.impedance(self._f), complex), specular_part(finish, self._f))
            for face in self._faces for finish in face.finishes
        }

    def at(
        self, index: NDArray[np.int64], image_m: Floats, listener_m: Floats, mount: tuple[int, int] | None = None
    ) -> Complexes:
        """Product of all hits of the paths of one lattice index.

        Parameters
        ----------
        index : lattice index per axis, shape (3,)
        image_m, listener_m : image and listener of each path, shape (n_path, 3)
        mount : axis and side of the wall that is part of the source; it adds (1 + Q)/2

        Returns
        -------
        shape (n_path, n_node)
        """
        length = np.linalg.norm(image_m - listener_m, axis=1)
        out = np.ones((len(length), self._k.size), complex)
        exact = int(np.abs(index).sum()) <= 1
        for axis in range(3):
            n = int(index[axis])
            planes = range(1, n + 1) if n > 0 else range(n + 1, 1)
            known: dict[int, list[Complexes]] = {}
            for plane in planes:
                out *= self._hit(axis, plane % 2, plane * self._size[axis], image_m, listener_m, length, known, exact)
            if mount is not None and mount[0] == axis:
                wall = float(image_coordinates(mount[1] * self._size[axis], self._size[axis], n))
                out *= 0.5 + 0.5 * self._hit(axis, mount[1], wall, image_m, listener_m, length, known, exact)
        return out

    def _hit(
        self, axis: int, side: int, plane_m: float, image_m: Floats, listener_m: Floats, length_m: Floats,
        known: dict[int, list[Complexes]], exact: bool,
    ) -> Complexes:
        """Factor of one hit on one face, whose factors of angle are made once for all its hits."""
        from .fresnel_kernels import patch_weights

        face = self._faces[2 * axis + side]
        if side not in known:
            cosine = (np.abs(image_m[:, axis] - listener_m[:, axis]) / length_m)[:, None]
            kr = self._k * length_m[:, None]
            known[side] = [self._factor(finish, cosine, kr) for finish in face.finishes]
        own, *others = known[side]
        if not face.finish_of:
            return own
        across = [other for other in range(3) if other != axis]
        source, receiver = (
            np.column_stack([point[:, across], np.abs(point[:, axis] - plane_m)]) for point in (image_m, listener_m)
        )
        mixed = own.copy()
        weights = np.empty_like(own)
        for low, high, finish in zip(face.low_m, face.high_m, face.finish_of, strict=True):
            patch_weights(weights, self._k, source, receiver, low, high, self._size[across], exact, *FADE_RAD)
            mixed += weights * (others[finish - 1] - own)
        return mixed


    def _factor(self, finish: Material, cosine: Floats, kr: Floats) -> Complexes:
        """Q·√(1 - s) of one finish; 0 for an opening."""
        known = self._finishes[id(finish)]
        if known is None:
            return np.zeros(kr.shape, complex)
        admittance, kept = known
        return spherical_factor(admittance, cosine, kr) * kept


def _patched_face(room: Room, face: str) -> _PatchedFace:
    patches = [patch for patch in room.patches if patch.face == face and patch.material is not room.materials[face]]
    finishes = {id(m): m for m in (room.materials[face], *(patch.material for patch in patches))}
    number = {key: n for n, key in enumerate(finishes)}
    return _PatchedFace(
        finishes=tuple(finishes.values()),
        low_m=np.array([patch.from_m for patch in patches]).reshape(-1, 2),
        high_m=np.array([patch.to_m for patch in patches]).reshape(-1, 2),
        finish_of=tuple(number[id(patch.material)] for patch in patches),
    )
