"""Pieces of a room's surfaces (and its volume, where furniture is) out of which scattered sound comes.

What a piece scatters is spread over it as an affine function of place, or of the second degree where it scatters much,
in functions that are orthonormal on it. The spread of incident sound over a face is smooth after the first
reflections, so few pieces do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..room.room import Room
from .ray_directions import even_points
from .ray_surfaces import RayGeometry, RaySurfaces

SMALL_M = 1.2
"""A piece with no side longer than this scatters evenly over itself."""

CELL_M = 9.0
"""A face longer than this is cut; and one with an inner corner into quarters."""

CURVED_FROM = 0.25
"""What a piece that scatters more than this sends is spread over it as a function of the second degree. With Lambert
walls everywhere affine functions leave decay times 0.3 to 0.8 % too short, those with squares nothing that could be
measured; the error falls with the scattering coefficient."""

BASIS_POINTS = 1024


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Elements:
    """Pieces as the kernels read them; the last one is the volume, without rows where no furniture scatters.

    Attributes
    ----------
    grid : u0, cells per metre, cells along u, the same along v, of each surface, shape (n_surface, 6)
    first_cell, cell_element : cells of surface s are first_cell[s] to first_cell[s + 1]; the element of each cell
    first_row : rows of element e are first_row[e] to first_row[e + 1], shape (n_element + 1,)
    basis : row r is the function basis[r] · monomials(place), shape (n_row, 10); its mean square over the element is 1,
        and the first of an element is 1 everywhere
    area : of each element [m²]; the volume [m³] for the last
    face : on which each lies, -1 for the volume
    low, high : its rectangle in the face's own coordinates, or in the room, shape (n_element, 3)
    """

    grid: NDArray[np.float64]
    first_cell: NDArray[np.int64]
    cell_element: NDArray[np.int64]
    first_row: NDArray[np.int64]
    basis: NDArray[np.float64]
    area: NDArray[np.float64]
    face: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    @property
    def arrays(self) -> tuple:
        """In the order of the kernels' arguments."""
        return self.grid, self.first_cell, self.cell_element, self.first_row, self.basis

    @property
    def count(self) -> int:
        return len(self.area)

    def rows(self, element: int) -> slice:
        """Its rows."""
        return slice(int(self.first_row[element]), int(self.first_row[element + 1]))

    @classmethod
    def of(cls, room: Room, geometry: RayGeometry, surfaces: RaySurfaces) -> Elements:
        """Cut the surfaces of a room."""
        cells, grid, first_cell = [], [], [0]
        for face, surface in enumerate(surfaces.face_surface):
            own = geometry.corners[geometry.corner_start[face] : geometry.corner_start[face + 1]]
            low, high = own.min(axis=0), own.max(axis=0)
            parts = np.ceil((high - low) / CELL_M - 1e-9).astype(int)
            if _has_inner_corner(own):
                parts = np.maximum(parts, 2)
            cells.append((int(surface), face, low, high, parts))
            for patch in range(surfaces.patch_start[face], surfaces.patch_start[face + 1]):
                u0, u1, v0, v1 = surfaces.patches[patch]
                corner, opposite = np.array([u0, v0]), np.array([u1, v1])
                count = np.ceil((opposite - corner) / CELL_M - 1e-9).astype(int)
                cells.append((int(surfaces.patch_surface[patch]), face, corner, opposite, count))
        cells.sort(key=lambda cell: cell[0])
        faces, lows, highs = [], [], []
        for _, face, low, high, parts in cells:
            size = (high - low) / parts
            grid.append([low[0], 1 / size[0], parts[0], low[1], 1 / size[1], parts[1]])
            first_cell.append(first_cell[-1] + int(parts.prod()))
            for i, j in np.ndindex(*parts):
                faces.append(face)
                lows.append([*(low + size * [i, j]), 0.0])
                highs.append([*(low + size * [i + 1, j + 1]), 0.0])
        corners = np.concatenate([face.corners_m for face in room.geometry.faces])
        raw = cls(
            grid=np.array(grid), first_cell=np.array(first_cell), cell_element=np.arange(len(faces)),
            first_row=np.zeros(len(faces) + 2, np.int64), basis=np.zeros((0, 10)),
            area=np.zeros(len(faces) + 1), face=np.array([*faces, -1]),
            low=np.array([*lows, corners.min(axis=0)]), high=np.array([*highs, corners.max(axis=0)]),
        )
        return raw._with_rows(room, geometry, surfaces)

    def _surface(self, element: int) -> int:
        """The surface of which an element is a piece."""
        return int(np.searchsorted(self.first_cell, np.flatnonzero(self.cell_element == element)[0], side="right")) - 1

    def _with_rows(self, room: Room, geometry: RayGeometry, surfaces: RaySurfaces) -> Elements:
        """Areas and functions; cells outside their face, or hidden by patches, have no rows and no area."""
        area, rows, first_row = np.zeros(self.count), [], [0]
        for element in range(self.count):
            volume = element == self.count - 1
            if volume and not surfaces.furniture_per_m * surfaces.furniture_scatters > 0:
                first_row.append(len(rows))
                continue
            points, share = _grid_points(self, element, room, geometry, surfaces)
            size = (self.high - self.low)[element]
            area[element] = room.geometry.volume_m3 if volume else share * size[0] * size[1]
            if len(points):
                scatters = 1.0 if volume else surfaces.scatter[self._surface(element)].max()
                rows += _functions(points, even=bool(size.max() <= SMALL_M), curved=bool(scatters > CURVED_FROM))
            first_row.append(len(rows))
        for face, whole in enumerate(room.geometry.faces):
            own = self.face == face
            total = area[own].sum()
            area[own] *= whole.exposed_m2 / total if total > 0 else 1.0
        return Elements(
            grid=self.grid, first_cell=self.first_cell, cell_element=self.cell_element,
            first_row=np.array(first_row), basis=np.array(rows).reshape(-1, 10), area=area, face=self.face,
            low=self.low, high=self.high,
        )


def sample_points(
    elements: Elements, element: int, count: int, shift: NDArray[np.float64], room: Room, geometry: RayGeometry,
    surfaces: RaySurfaces,
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Even points of an element, two further even coordinates for each, and which part of its rectangle it covers.

    Parameters
    ----------
    elements, element : which
    count : how many are wanted; none are found where a patch hides it
    shift : added to the sequence, shape (5,)

    Returns
    -------
    points (n, 3), coordinates (n, 2) in 0 to 1, share
    """
    dimensions = 2 if elements.face[element] >= 0 else 3
    drawn, points, rest = 0, [], []
    while sum(map(len, points)) < count and drawn < 40 * count + 4000:
        even = even_points(drawn, count, dimensions + 2, shift)
        place, keep = _inside(elements, element, even[:, :dimensions], room, geometry, surfaces)
        drawn += count
        points.append(place[keep])
        rest.append(even[keep, dimensions:])
    share = sum(map(len, points)) / drawn
    return np.concatenate(points)[:count], np.concatenate(rest)[:count], share


def _inside(
    elements: Elements, element: int, part: NDArray[np.float64], room: Room, geometry: RayGeometry,
    surfaces: RaySurfaces,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Points at parts (n, 2 or 3) of an element's rectangle or box, and which of them belong to it."""
    from .ray_kernels import elements_of

    face, dimensions = int(elements.face[element]), part.shape[1]
    low, size = elements.low[element], (elements.high - elements.low)[element]
    place = low[:dimensions] + part * size[:dimensions]
    if face < 0:
        return place, room.geometry.contains(place, 0.0)
    place = geometry.origin[face] + place[:, :1] * geometry.axis_u[face] + place[:, 1:] * geometry.axis_v[face]
    found = np.empty(len(place), np.int64)
    elements_of(face, place, *geometry.arrays[3:], *surfaces.arrays[:4], *elements.arrays[:3], found)
    keep = found == element
    if room.geometry.kind != "box":                          # what an obstacle covers sends nothing
        keep[keep] = room.geometry.contains(place[keep] + 1e-4 * geometry.normal[face], 0.0)
    return place, keep


def _grid_points(
    elements: Elements, element: int, room: Room, geometry: RayGeometry, surfaces: RaySurfaces
) -> tuple[NDArray[np.float64], float]:
    """A regular grid of points (n, 3) of an element, and which part of its rectangle it covers.

    Regular, since the functions of a rectangle then have the mean 0 and the mean square 1 to rounding: with a mean of
    0.015 sound gathered in corners, where it stood 7 % too high.
    """
    dimensions = 2 if elements.face[element] >= 0 else 3
    count = round(BASIS_POINTS ** (1 / dimensions))
    middles = (np.arange(count) + 0.5) / count
    grid = np.stack(np.meshgrid(*[middles] * dimensions, indexing="ij"), axis=-1).reshape(-1, dimensions)
    place, keep = _inside(elements, element, grid, room, geometry, surfaces)
    return place[keep], float(keep.mean())


def monomials(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """1, x, y, z, x², y², z², xy, xz, yz of points (n, 3), shape (n, 10)."""
    x, y, z = points.T
    return np.stack([np.ones(len(points)), x, y, z, x * x, y * y, z * z, x * y, x * z, y * z], axis=-1)


def _functions(points: NDArray[np.float64], *, even: bool, curved: bool) -> list[NDArray[np.float64]]:
    """Rows of the functions of one element: 1 and, unless it is small, others, orthonormal over points."""
    rows = [np.eye(10)[0]]
    if even or len(points) < 32:
        return rows
    middle = points.mean(axis=0)
    spread, axes = np.linalg.eigh(np.cov((points - middle).T, bias=True))
    local = [(points - middle) @ axis / np.sqrt(v) for v, axis in zip(spread, axes.T, strict=True) if v > 1e-9]
    columns = [np.ones(len(points)), *local]
    if curved:
        columns += [one**2 for one in local]
    values = np.linalg.qr(np.stack(columns, axis=-1))[0] * np.sqrt(len(points))
    few = slice(None, None, max(len(points) // 128, 1))
    fitted = np.linalg.lstsq(monomials(points[few]), values[few, 1:], rcond=None)[0].T
    return rows + list(fitted)


def _has_inner_corner(corners: NDArray[np.float64]) -> bool:
    """Whether a polygon turns both ways."""
    edge = np.roll(corners, -1, axis=0) - corners
    turn = edge[:, 0] * np.roll(edge[:, 1], -1) - edge[:, 1] * np.roll(edge[:, 0], -1)
    return bool(turn.min() < -1e-9 and turn.max() > 1e-9)
