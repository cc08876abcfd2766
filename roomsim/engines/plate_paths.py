"""Near plates in the image engine: every plate adds the driver's image in it, and shades the paths behind it.

A path of the lattice is followed from the driver's own place to the listener's image. Where both are on one side of a
plate, the plate adds a path from the driver's mirror image, weighted by the echo of the finite plate, and changes the
straight one by the diffraction at its edges; where the plate stands between them, it shades the straight path. A plate
that ends at the wall behind the loudspeaker is continued by its image in that wall, so that the wall leaves no free
edge there.

Paths of PLATE_ORDER hits in the room and fewer count. Not in the model: echoes between two plates, plates in the wave
and ray engines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..conventions import DIRECT_S
from ..room.plates import Plate
from ..scene import Emitter, Scene
from .hit_factors import FADE_RAD, HitFactors
from .lattice import image_coordinates, kept_on_wall

PLATE_ORDER = 2

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EchoPaths:
    """Paths of the drivers' images in the plates of one channel.

    Attributes
    ----------
    names : of the plates
    plate, driver : which plate and which driver of the channel each image is of, shape (n_image,)
    position_m : of the images, shape (n_image, 3)
    frames : the images' axes as columns, shape (n_image, 3, 3)
    soon : images so near that they arrive within DIRECT_S of their driver, shape (n_image,)
    index : lattice indices, shape (n_path, 3)
    factors : of each path and image, all hits and the plate's weight, shape (n_path, n_image, n_listener, 2, n_node)
    """

    names: tuple[str, ...]
    plate: NDArray[np.int64]
    driver: NDArray[np.int64]
    position_m: Floats
    frames: Floats
    soon: NDArray[np.bool_]
    index: NDArray[np.int64]
    factors: NDArray[np.float32]


def echo_paths(
    scene: Scene, channel: int, near: list[NDArray[np.int64]], node_hz: Floats, mount: tuple[int, int] | None
) -> EchoPaths | None:
    """The echoes of one channel's plates, None where there are none.

    Parameters
    ----------
    near : lattice indices of PLATE_ORDER hits and fewer, (3,) each
    node_hz : nodes in frequency
    mount : axis and side of the wall that is part of the sources
    """
    emitters = scene.channel_emitters(channel)
    plates = emitters[0].plates
    if not plates:
        return None
    index = np.array([n for n in near if mount is None or kept_on_wall(n[mount[0]], mount[1])])
    size, seats = np.asarray(scene.room.geometry.size_m, float), scene.listeners_m
    hit_factors = HitFactors(scene.room, node_hz)
    k = 2 * np.pi * node_hz / scene.room.air.speed_m_s
    pairs = [(p, e) for p in range(len(plates)) for e in range(len(emitters))]
    position = np.array([plates[p].mirrored(emitters[e].position_m) for p, e in pairs])
    heights = np.array([abs(plates[p].local(emitters[e].position_m)[2]) for p, e in pairs])
    factors = np.zeros((len(index), len(pairs), len(seats), 2, node_hz.size), np.float32)
    for path, n in enumerate(index):
        image = np.stack([image_coordinates(position[:, a], size[a], n[a]) for a in range(3)], axis=-1)
        both = np.broadcast_arrays(image[:, None], seats[None])
        room = hit_factors.at(n, *(one.reshape(-1, 3) for one in both), mount).reshape(len(pairs), len(seats), -1)
        for which, (p, e) in enumerate(pairs):
            mirrored, _ = plate_factors(scene, emitters[e], plates[p], unfolded(seats, size, n), k)
            found = room[which] * mirrored
            factors[path, which] = np.stack([found.real, found.imag], axis=1)
    return EchoPaths(
        names=tuple(plate.name for plate in plates),
        plate=np.array([p for p, _ in pairs]), driver=np.array([e for _, e in pairs]), position_m=position,
        frames=np.array([plates[p].reflection @ emitters[e].rotation for p, e in pairs]),
        soon=2 * heights <= DIRECT_S * scene.room.air.speed_m_s, index=index, factors=factors,
    )


def straight_factors(scene: Scene, emitter: Emitter, n: NDArray[np.int64], k: Floats) -> Complexes:
    """What all plates do to the straight path of one lattice index, shape (n_listener, n_node)."""
    ears = unfolded(scene.listeners_m, np.asarray(scene.room.geometry.size_m, float), n)
    out = np.ones((len(ears), k.size), complex)
    for plate in emitter.plates:
        out *= plate_factors(scene, emitter, plate, ears, k)[1]
    return out


def unfolded(seats_m: Floats, size_m: Floats, n: NDArray[np.int64]) -> Floats:
    """Where listeners stand, seen from the driver along paths of one lattice index, shape (n_listener, 3)."""
    return np.where(n % 2 == 0, seats_m - n * size_m, (n + 1) * size_m - seats_m)


def plate_factors(
    scene: Scene, emitter: Emitter, plate: Plate, ears_m: Floats, k: Floats
) -> tuple[Complexes, Complexes]:
    """Factors of the path from the driver's image in a plate and of the straight path, shape (n_ear, n_node) each.

    See fresnel.plate_weights; nothing happens where the driver or the listener is in the plate's own plane.
    """
    from .fresnel_kernels import add_plate, lean_of

    source, ears = plate.local(emitter.position_m), plate.local(ears_m)
    mirrored, straight = np.zeros((2, len(ears), k.size), complex)
    if abs(source[2]) < 1e-6:
        return mirrored, straight + 1
    behind = ears[:, 2] * source[2] < 0
    source[2], ears[:, 2] = abs(source[2]), np.abs(ears[:, 2])
    rectangles = _with_wall(scene, emitter, plate)
    for ear in range(len(ears)):
        lean = lean_of(source, ears[ear], *rectangles[0])
        for low, high in rectangles:
            add_plate(mirrored[ear], straight[ear], k, source, ears[ear], low, high, lean, *FADE_RAD)
    behind = behind[:, None]
    return np.where(behind, -straight, mirrored), np.where(behind, 1 - mirrored, 1 + straight)


def _with_wall(scene: Scene, emitter: Emitter, plate: Plate) -> list[tuple[Floats, Floats]]:
    """The plate's rectangle in its own plane and its image in the wall behind, which is one with it if they touch."""
    low, high = np.zeros(2), plate.size_m
    if emitter.wall is None:
        return [(low, high)]
    face = scene.room.geometry.face(emitter.wall)
    along = plate.axes[:2] @ face.normal
    u = int(np.abs(along).argmax())
    if abs(along[u]) < 1 - 1e-9:        # parallel to the wall, or askew
        return [(low, high)]
    at_m = float((face.corners_m[0] - plate.corner_m) @ face.normal * along[u])
    begin, end = low.copy(), high.copy()
    begin[u], end[u] = 2 * at_m - high[u], 2 * at_m - low[u]
    if min(abs(low[u] - at_m), abs(high[u] - at_m)) < 1e-6:
        return [(np.minimum(low, begin), np.maximum(high, end))]
    return [(low, high), (begin, end)]
