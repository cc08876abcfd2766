"""Pieces of a room's surfaces (and its volume, where furniture is) out of which scattered sound comes.

What a piece scatters is spread over it as an affine function of place, or of the second degree where it scatters much,
in functions that are orthonormal on it. The spread of incident sound over a face is smooth after the first
reflections, so few pieces do.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..room.faces import Face
from ..room.room import Room
from .ray_directions import even_points
from .ray_surfaces import RayGeometry, RaySurfaces

SMALL_M = 1.2
"""A piece with no side longer than this scatters evenly over itself."""

CELL_M = 9.0
"""A face longer than this is cut. It is also cut along its inner corners and along what stands against much of it, or
scattered sound would pass through walls: a piece sends from all over itself."""

LEAST_M = 1e-6
"""Lines closer together than this are one."""

PARTS_FROM = 0.4
"""What covers so much of a face from edge to edge may part it."""

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
    lines, grid : lines between cells in the face's own coordinates, of surface s along u from grid[s, 0] on, along v
        from grid[s, 1] to grid[s, 2]; shape (n_line,) and (n_surface, 3)
    first_cell, cell_element : cells of surface s are first_cell[s] to first_cell[s + 1]; the element of each cell
    first_row : rows of element e are first_row[e] to first_row[e + 1], shape (n_element + 1,)
    basis : row r is the function basis[r] · monomials(place), shape (n_row, 10); its mean square over the element is 1,
        and the first of an element is 1 everywhere
    area : of each element [m²]; the volume [m³] for the last
    face : on which each lies, -1 for the volume
    low, high : its rectangle in the face's own coordinates, or in the room, shape (n_element, 3)
    """

    lines: NDArray[np.float64]
    grid: NDArray[np.int64]
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
        return self.lines, self.grid, self.first_cell, self.cell_element, self.first_row, self.basis

    @property
    def count(self) -> int:
        return len(self.area)

    def rows(self, element: int) -> slice:
        """Its rows."""
        return slice(int(self.first_row[element]), int(self.first_row[element + 1]))

    @classmethod
    def of(cls, room: Room, geometry: RayGeometry, surfaces: RaySurfaces) -> Elements:
        """Cut the surfaces of a room."""
        cells = []
        for face, surface in enumerate(surfaces.face_surface):
            own = geometry.corners[geometry.corner_start[face] : geometry.corner_start[face + 1]]
            parting = _parting_lines(own, room.geometry.faces[face], geometry, face)
            cells.append((int(surface), face, own.min(axis=0), own.max(axis=0), parting))
            for patch in range(surfaces.patch_start[face], surfaces.patch_start[face + 1]):
                u0, u1, v0, v1 = surfaces.patches[patch]
                cells.append(
                    (int(surfaces.patch_surface[patch]), face, np.array([u0, v0]), np.array([u1, v1]), parting))
        cells.sort(key=lambda cell: cell[0])
        lines, grid, first_cell, faces, lows, highs = [], [], [0], [], [], []
        for _, face, low, high, parting in cells:
            edges = [_edges(low[k], high[k], parting[k]) for k in range(2)]
            starts = len(lines) + np.cumsum([0, *(len(one) - 2 for one in edges)])
            grid.append(starts)
            lines += [*edges[0][1:-1], *edges[1][1:-1]]
            first_cell.append(first_cell[-1] + (len(edges[0]) - 1) * (len(edges[1]) - 1))
            for u0, u1 in pairwise(edges[0]):
                for v0, v1 in pairwise(edges[1]):
                    faces.append(face)
                    lows.append([u0, v0, 0.0])
                    highs.append([u1, v1, 0.0])
        corners = np.concatenate([face.corners_m for face in room.geometry.faces])
        raw = cls(
            lines=np.array(lines, float), grid=np.array(grid, np.int64),
            first_cell=np.array(first_cell), cell_element=np.arange(len(faces)),
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
            lines=self.lines, grid=self.grid, first_cell=self.first_cell, cell_element=self.cell_element,
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
    elements_of(face, place, *geometry.arrays[3:], *surfaces.arrays[:4], *elements.arrays[:4], found)
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


def _parting_lines(
    corners: NDArray[np.float64], whole: Face, geometry: RayGeometry, face: int
) -> tuple[list[float], list[float]]:
    """Where a face may be parted, along its two coordinates: at inner corners, and beside what covers much of it."""
    edge = np.roll(corners, -1, axis=0) - corners
    turn = np.roll(edge[:, 0], 1) * edge[:, 1] - np.roll(edge[:, 1], 1) * edge[:, 0]          # at each corner
    inner = corners[turn * np.sign(turn.sum()) < -1e-9] if turn.min() < -1e-9 < 1e-9 < turn.max() else corners[:0]
    found = list(inner[:, 0]), list(inner[:, 1])
    size = np.ptp(corners, axis=0)
    for polygon in whole.covers:
        rel = polygon - geometry.origin[face]
        own = np.stack([rel @ geometry.axis_u[face], rel @ geometry.axis_v[face]], axis=-1)
        for k in range(2):
            if np.ptp(own[:, 1 - k]) >= PARTS_FROM * size[1 - k]:
                found[k].extend([own[:, k].min(), own[:, k].max()])
    return found


def _edges(low: float, high: float, parting: list[float]) -> list[float]:
    """Bounds of cells from low to high: at parting lines, and in even steps where a cell would be too long."""
    bounds = [low, *sorted(x for x in parting if low + LEAST_M < x < high - LEAST_M), high]
    apart = [bounds[0]]
    for bound in bounds[1:]:
        if bound - apart[-1] > LEAST_M:
            count = max(int(np.ceil((bound - apart[-1]) / CELL_M - 1e-9)), 1)
            apart.extend(np.linspace(apart[-1], bound, count + 1)[1:])
    apart[-1] = high
    return apart
