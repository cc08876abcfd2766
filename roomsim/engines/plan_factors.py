"""What faces do to image paths in a room of planar faces: tables over angle and length, and hit by hit at patches.

The same factors as in a box (see walls.py and hit_factors.py): Q·√(1 - s) of a spherical wave, mixed over the finishes
of a face, or weighted by Fresnel integrals over the patches that a path of few hits meets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..room.room import Room
from .hit_factors import FADE_RAD
from .special_paths import FRESNEL_ORDER
from .visible_paths import TreeFaces, VisiblePaths
from .walls import PLANES_PER_E, ROWS_PER_E, FaceMix, face_mix, finish_factor

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

_ROWS = int(np.ceil(ROWS_PER_E * np.log(1e4))) + 1          # down to cosθ = 1e-4, as in a box
_FAR_M = 5000.0
"""Half the size that a face counts for which has no mirror images of its patches: they are out of sight."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixTables:
    """Factors of all mixes of a room at nodes.

    Attributes
    ----------
    mix_of : which mix each face is of, shape (n_face,)
    table : shape (n_mix, n_plane, n_row, 2, n_node); planes lie PLANES_PER_E per factor e of the path's length from
        `first_plane` on, rows ROWS_PER_E per factor e of 1/cosθ
    first_plane : place of the first plane
    """

    mix_of: NDArray[np.int64]
    table: NDArray[np.float32]
    first_plane: float


def mix_tables(room: Room, faces: TreeFaces, node_hz: Floats, shortest_m: float, longest_m: float) -> MixTables:
    """The tables of a room, for paths of `shortest_m` to `longest_m`."""
    mixes, mix_of = _mixes(room, faces)
    first = int(np.floor(PLANES_PER_E * np.log(shortest_m)))
    planes = np.arange(first, int(np.ceil(PLANES_PER_E * np.log(longest_m))) + 2)
    distinct, column = np.unique(node_hz, return_inverse=True)
    c = np.exp(-np.arange(_ROWS) / ROWS_PER_E)[:, None]
    k = 2 * np.pi * distinct / room.air.speed_m_s
    table = np.empty((len(mixes), planes.size, _ROWS, 2, node_hz.size), np.float32)
    for m, mix in enumerate(mixes):
        for p, plane in enumerate(planes):
            kr = k * np.exp(plane / PLANES_PER_E)
            found = mix.factor([finish_factor(finish, distinct, c, kr) for finish in mix.finishes], k)[:, column]
            table[m, p, :, 0], table[m, p, :, 1] = found.real, found.imag
    return MixTables(mix_of=mix_of, table=table, first_plane=float(first))


def _mixes(room: Room, faces: TreeFaces) -> tuple[list[FaceMix], NDArray[np.int64]]:
    """The distinct mixes, and which one each face is of; faces of one finish share theirs."""
    mixes: list[FaceMix] = []
    known: dict[int, int] = {}
    mix_of = []
    for name in faces.names:
        mix = face_mix(room, name)
        single = len(mix.finishes) == 1
        if single and id(mix.finishes[0]) in known:
            mix_of.append(known[id(mix.finishes[0])])
            continue
        if single:
            known[id(mix.finishes[0])] = len(mixes)
        mix_of.append(len(mixes))
        mixes.append(mix)
    return mixes, np.array(mix_of, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Patches:
    """Patches of one face: finish of the face, of each patch, corners from the face's low corner, what they repeat in.

    The mirror images of patches in the faces around count on rectangles, which end at faces that stand upright on them.
    """

    low_m: Floats
    high_m: Floats
    finishes: list
    origin_m: Floats
    size_m: Floats


class PlanHitFactors:
    """Factors of single paths, hit by hit, at nodes in frequency.

    Parameters
    ----------
    room : any room of planar faces
    faces : of the same room
    node_hz : shape (n_node,)
    """

    def __init__(self, room: Room, faces: TreeFaces, node_hz: Floats) -> None:
        self.room, self.faces = room, faces
        self._f = np.asarray(node_hz, float)
        self._k = 2 * np.pi * self._f / room.air.speed_m_s
        self.patched = np.isin(faces.names, [patch.face for patch in room.patches])
        self._patches = {int(k): _patches(room, faces, int(k)) for k in np.flatnonzero(self.patched)}

    def chosen(self, paths: VisiblePaths, mount: int) -> NDArray[np.int64]:
        """Which paths are followed hit by hit: those of few hits that meet a face with patches."""
        if not self._patches:
            return np.empty(0, np.int64)
        meets = np.zeros(len(paths.listener), bool)
        owner = np.repeat(np.arange(len(paths.listener)), paths.hits)
        meets[owner[self.patched[paths.face]]] = True
        if mount >= 0 and self.patched[mount]:
            meets[:] = True
        return np.flatnonzero(meets & (paths.hits <= FRESNEL_ORDER))

    def of(
        self, paths: VisiblePaths, which: NDArray[np.int64], source_m: Floats, listeners_m: Floats, mount: int = -1
    ) -> Complexes:
        """Product of all hits of some paths, shape (n_which, n_node).

        Parameters
        ----------
        paths : from `visible_paths`
        which : numbers of paths
        source_m : their source, shape (3,)
        listeners_m : shape (n_listener, 3)
        mount : face that is part of the source; it adds (1 + Q)/2
        """
        out = np.ones((len(which), self._f.size), complex)
        hits = paths.hits[which]
        for count in np.unique(hits):
            rows = np.flatnonzero(hits == count)
            some = which[rows]
            place = paths.start[some][:, None] + np.arange(count)
            face, cosine = paths.face[place], paths.cosine[place]
            length = paths.length_m[some]
            before = [np.broadcast_to(source_m, (len(some), 3))]            # the source as each face sees it
            for k in range(count):
                before.append(self.faces.mirrored(before[-1], face[:, k]))
            after = [listeners_m[paths.listener[some]]]                     # and the listener
            for k in range(count - 1, -1, -1):
                after.append(self.faces.mirrored(after[-1], face[:, k]))
            after = after[::-1]
            exact = bool(count <= 1)
            for k in range(count):
                for number in np.unique(face[:, k]):
                    here = np.flatnonzero(face[:, k] == number)
                    out[rows[here]] *= self._factor(
                        int(number), cosine[here, k], length[here], before[k][here], after[k + 1][here], exact)
            if mount >= 0:
                along = np.abs(paths.sent[some] @ self.faces.normal[mount])
                out[rows] *= 0.5 + 0.5 * self._factor(mount, along, length, before[0], after[0], exact)
        return out

    def _factor(
        self, face: int, cosine: Floats, length_m: Floats, source_m: Floats, listener_m: Floats, exact: bool
    ) -> Complexes:
        """Factor of one face on paths (n_path, n_node)."""
        from .fresnel_kernels import patch_weights

        c, kr = cosine[:, None], self._k * length_m[:, None]
        name = self.faces.names[face]
        own = finish_factor(self.room.materials[name], self._f, c, kr)
        patches = self._patches.get(face)
        if patches is None:
            return own
        normal, offset = self.faces.normal[face], self.faces.offset[face]
        axes = np.stack([self.faces.axis_u[face], self.faces.axis_v[face]], axis=1)
        source, receiver = (
            np.column_stack([(points - self.faces.origin[face]) @ axes - patches.origin_m,
                             np.abs(points @ normal - offset)])
            for points in (source_m, listener_m)
        )
        mixed, weights = own.copy(), np.empty_like(own)
        for low, high, finish in zip(patches.low_m, patches.high_m, patches.finishes, strict=True):
            patch_weights(weights, self._k, source, receiver, low, high, patches.size_m, exact, *FADE_RAD)
            mixed += weights * (finish_factor(finish, self._f, c, kr) - own)
        return mixed


def _patches(room: Room, faces: TreeFaces, face: int) -> _Patches:
    name = faces.names[face]
    own = [patch for patch in room.patches if patch.face == name and patch.material is not room.materials[name]]
    flat = faces.corners[faces.corner_start[face] : faces.corner_start[face + 1]]
    low, size = flat.min(axis=0), np.ptp(flat, axis=0)
    filled = faces.faces[face].area_m2 > (1 - 1e-9) * float(size.prod())
    if not filled:                       # no rectangle: no mirror images
        low, size = low - _FAR_M, np.full(2, 2 * _FAR_M)
    return _Patches(
        low_m=np.array([patch.from_m for patch in own]).reshape(-1, 2) - low,
        high_m=np.array([patch.to_m for patch in own]).reshape(-1, 2) - low,
        finishes=[patch.material for patch in own], origin_m=low, size_m=size,
    )
