"""Mirror lattice of a box: where the images stand, which faces a path hits, what a reach holds.

Along one axis of length L the image of index n stands at nL + s for even n and nL + L - s for odd n, s being
the source's coordinate [allen-berkley1979]. The straight line from the listener (in cell 0) to it crosses |n|
faces: L, 2L, … for n > 0, 0, -L, … for n < 0, alternately the face at L ("high") and the face at 0 ("low").
All of them are met at the same angle, cosθ = |distance along the axis| / length of the path.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..conventions import BOX_FACES

Indices = NDArray[np.int64]


def axis_faces(axis: int) -> tuple[str, str]:
    """Names of the low and the high face of an axis of a box."""
    return BOX_FACES[2 * axis], BOX_FACES[2 * axis + 1]


def face_side(face: str) -> tuple[int, int]:
    """Axis and side (0 low, 1 high) of a face of a box."""
    return divmod(BOX_FACES.index(face), 2)


def image_coordinates(source: ArrayLike, length_m: float, index: ArrayLike) -> NDArray[np.float64]:
    """Coordinates of the images along one axis; `source` and `index` broadcast."""
    s, n = np.asarray(source, float), np.asarray(index)
    return n * length_m + np.where(n % 2 == 0, s, length_m - s)


def hits(index: ArrayLike) -> tuple[Indices, Indices]:
    """How often paths of these indices hit the low and the high face; shapes of `index`."""
    n = np.asarray(index)
    more, fewer = (np.abs(n) + 1) // 2, np.abs(n) // 2
    return np.where(n < 0, more, fewer), np.where(n < 0, fewer, more)


def kept_on_wall(index: ArrayLike, side: int) -> NDArray[np.bool_]:
    """Of each mirror pair in the face of that side: whether this is the member with fewer hits on it."""
    n = np.asarray(index)
    return np.where(n % 2 == 0, n <= 0, n > 0) if side == 0 else np.where(n % 2 == 0, n >= 0, n < 0)


def indices_within(length_m: float, reach_m: float) -> Indices:
    """All indices along an axis whose images can stand within `reach_m` of a listener in the room."""
    # The image n lies in the cell n, so it is at least (|n| - 1) lengths away from anything in cell 0.
    most = int(reach_m // length_m) + 1
    return np.arange(-most, most + 1)


def lattice_blocks(
    least_m: tuple[NDArray[np.float64], ...],
    most_m: tuple[NDArray[np.float64], ...],
    low_m: float,
    high_m: float,
    limit: int = 1 << 20,
) -> Iterator[NDArray[np.int32]]:
    """Positions in the three axes' index lists of all images that may lie from low_m to high_m, in blocks.

    Parameters
    ----------
    least_m, most_m : per axis, least and largest distance along it to any listener, shape (n_index,)
    low_m, high_m : shell of path lengths
    limit : a block ends when it holds this many paths

    Yields
    ------
    shape (n_path, 3), ordered by axis 0, then 1, then 2
    """
    x, y, z = (least**2 for least in least_m)
    far_x, far_y, far_z = (most**2 for most in most_m)
    held: list[NDArray[np.int32]] = []
    count = 0
    for i in range(x.size):
        near = x[i] + y[:, None] + z <= high_m**2
        if low_m > 0:
            near &= far_x[i] + far_y[:, None] + far_z >= low_m**2
        j, k = np.nonzero(near)
        if j.size:
            held.append(np.stack([np.full(j.size, i), j, k], axis=-1).astype(np.int32))
            count += j.size
        if held and (count >= limit or i == x.size - 1):
            yield np.concatenate(held)
            held, count = [], 0
    if held:
        yield np.concatenate(held)


def faces_in_order(index: ArrayLike, image_m: ArrayLike, listener_m: ArrayLike, size_m: ArrayLike) -> tuple[str, ...]:
    """Faces that one path hits, from the loudspeaker to the listener.

    Parameters
    ----------
    index : lattice index per axis, shape (3,)
    image_m, listener_m, size_m : image, listener and room size, shape (3,)
    """
    image, listener, size = (np.asarray(v, float) for v in (image_m, listener_m, size_m))
    crossings: list[tuple[float, str]] = []
    for axis, n in enumerate(np.asarray(index).tolist()):
        names = axis_faces(axis)
        for step in range(1, abs(n) + 1):
            plane = step if n > 0 else 1 - step
            where = (plane * size[axis] - listener[axis]) / (image[axis] - listener[axis])
            crossings.append((where, names[plane % 2]))
    # Seen from the listener the nearest crossing is the last reflection.
    return tuple(name for _, name in sorted(crossings, key=lambda item: -item[0]))
