"""Reflection paths as points in the room, from the faces that they hit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def planes_of(room: Mapping[str, Any], plates: Sequence[Mapping[str, Any]] = ()) -> dict[str, tuple]:
    """Face or plate -> (a point on it, its unit normal), from their corners."""
    return {one["name"]: _plane(np.asarray(one["corners"], float)) for one in (*room["faces"], *plates)}


def path_points(
    source_m: ArrayLike, listener_m: ArrayLike, faces: Sequence[str], planes: Mapping[str, tuple]
) -> NDArray[np.float64] | None:
    """Source, the points where the path meets its faces, listener: shape (n_face + 2, 3).

    The images of the source in the faces, one after the other, then back from the listener [allen-berkley1979].
    None where a face is not known or the path does not meet it.
    """
    if any(face not in planes for face in faces):
        return None
    images = [np.asarray(source_m, float)]
    for face in faces:
        point, normal = planes[face]
        images.append(images[-1] - 2 * ((images[-1] - point) @ normal) * normal)
    at = np.asarray(listener_m, float)
    found = [at]
    for face, image in zip(reversed(faces), reversed(images[1:]), strict=True):
        point, normal = planes[face]
        ahead = image - at
        slope = ahead @ normal
        if abs(slope) < 1e-12:
            return None
        share = ((point - at) @ normal) / slope
        if not -1e-6 <= share <= 1 + 1e-6:
            return None
        at = at + share * ahead
        found.append(at)
    found.append(images[0])
    return np.array(found[::-1])


def length_m(points: ArrayLike) -> float:
    """Length of a path."""
    return float(np.linalg.norm(np.diff(np.asarray(points, float), axis=0), axis=1).sum())


def _plane(corners: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nexts = np.roll(corners, -1, axis=0)
    vector = np.cross(corners, nexts).sum(axis=0)
    return corners[0], vector / np.linalg.norm(vector)
