"""Slow exact image sum of a box, path by path, for tests: plain numpy, nothing of the engine's own code.

Every image is made by mirroring the driver, position and axes, in one face after the other, in the order in
which the path hits them. Factors are evaluated at every frequency: no table, no node, no polynomial.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import erfcx

FACES = (("front", "back"), ("left", "right"), ("floor", "ceiling"))


@dataclass(frozen=True)
class Path:
    faces: tuple[str, ...]          # from the loudspeaker on, per axis
    image_m: np.ndarray             # of the driver
    frame: np.ndarray               # columns: the mirrored driver's axes
    middle_m: np.ndarray            # image of the middle of the channel's drivers


def axis_sequences(length: float, reach: float) -> list[tuple[int, ...]]:
    """Orders in which the low (0) and high (1) face of an axis can be hit, none longer than can matter."""
    most = int(reach / length) + 2
    return [()] + [tuple((start + k) % 2 for k in range(count)) for count in range(1, most + 1) for start in (0, 1)]


def mirrored(point: np.ndarray, axis: int, side: int, size: np.ndarray) -> np.ndarray:
    out = point.copy()
    out[axis] = 2 * (size[axis] if side else 0.0) - point[axis]
    return out


def paths(scene, emitter, reach: float) -> Iterator[Path]:
    size = scene.room.geometry.size_m
    others = [e for e in scene.emitters if e.channel == emitter.channel]
    middle = np.mean([e.position_m for e in others], axis=0)
    for orders in itertools.product(*(axis_sequences(size[a], reach) for a in range(3))):
        image, centre, frame, faces = emitter.position_m.copy(), middle.copy(), emitter.rotation.copy(), []
        for axis, order in enumerate(orders):
            for side in order:
                image, centre = mirrored(image, axis, side, size), mirrored(centre, axis, side, size)
                frame[axis] *= -1
                faces.append(FACES[axis][side])
        yield Path(tuple(faces), image, frame, centre)


def factor(room, face: str, f: np.ndarray, cosine: float, r: float) -> np.ndarray:
    """Spherical-wave factor of one hit, with the error function instead of the engine's Faddeeva function."""
    material = room.materials[face]
    beta = 1 / material.impedance(f)
    plane = (cosine - beta) / (cosine + beta)
    w = (1 - 1j) / 2 * np.sqrt(2 * np.pi * f / room.air.speed_m_s * r) * (cosine + beta)
    loss = 1 - 1j * np.sqrt(np.pi) * w * erfcx(1j * w)
    return (plane + (1 - plane) * loss) * np.sqrt(1 - material.scattering(f))


def axis_of(face: str) -> int:
    return next(a for a, names in enumerate(FACES) if face in names)


def path_pressure(scene, emitter, path: Path, listener: np.ndarray, f: np.ndarray) -> np.ndarray:
    """Pressure of one path at one listener, shape (n_frequency,); on-wall sources by the rule of mirror pairs."""
    room = scene.room
    ray = listener - path.image_m
    r = np.linalg.norm(ray)
    gain = np.ones(f.size, complex)
    for face in path.faces:
        gain = gain * factor(room, face, f, abs(ray[axis_of(face)]) / r, r)
    local = ray / r @ path.frame
    if emitter.on_wall:
        axis = axis_of(emitter.wall)
        gain = gain * (1 + factor(room, emitter.wall, f, abs(ray[axis]) / r, r)) / 2
    pattern = emitter.directivity.far_pressure(f, local[None])[0] * emitter.filter.response(f)
    loss = np.exp(-room.air.attenuation_np_per_m(f) * r)
    return gain * pattern * loss / r * np.exp(-2j * np.pi * f * r / room.air.speed_m_s)


def kept(emitter, path: Path) -> bool:
    """On-wall: whether the wall is not the first face hit along its axis.

    A path that hits it first is the mirror image, in that wall, of the path that leaves the hit out.
    """
    if not emitter.on_wall:
        return True
    along = [face for face in path.faces if axis_of(face) == axis_of(emitter.wall)]
    return not along or along[0] != emitter.wall


def pressure(scene, channel: int, listener: np.ndarray, f: np.ndarray, longest_m: float) -> tuple[np.ndarray, int]:
    """Sum of all paths whose length, to the middle of the channel's drivers, is at most `longest_m`.

    Returns the pressure (n_frequency,) and the number of paths.
    """
    total, count = np.zeros(f.size, complex), 0
    for number, emitter in enumerate(e for e in scene.emitters if e.channel == channel):
        for path in paths(scene, emitter, longest_m):
            if np.linalg.norm(path.middle_m - listener) <= longest_m and kept(emitter, path):
                total += path_pressure(scene, emitter, path, listener, f)
                count += number == 0
    return total, count
