"""What part of the sphere was measured, and how the rest is filled."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from ..sphere import fibonacci_grid, real_harmonics
from .harmonic_fit import fitted

DIP = 0.1
"""Between directions energy may dip to this part of its least neighbour (-10 dB), where there is no phase."""

_NEAREST = 12
"""So many measured directions bound what is filled beside them: the edge of the gap and the row behind it."""

PLANE = np.sin(np.radians(0.5))
"""Directions within half a degree of a plane lie on that orbit."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coverage:
    """What a set of directions covers.

    Attributes
    ----------
    kind : full, half, orbits, partial
    front_only : nothing was measured behind x = 0
    spacing_deg : typical distance between neighbours
    missing : part of the solid angle (of the half sphere where front_only) without a measurement near
    """

    kind: str
    front_only: bool
    spacing_deg: float
    missing: float


def coverage_of(directions: ArrayLike) -> Coverage:
    """Find out what directions (n, 3) cover.

    The spacing is the median distance to the fourth neighbour; a direction counts as covered where a measured
    one lies within about one spacing.
    """
    nodes = np.atleast_2d(np.asarray(directions, float))
    front_only = bool(np.all(nodes[:, 0] > -0.1))
    on_horizontal, on_vertical = np.abs(nodes[:, 2]) < PLANE, np.abs(nodes[:, 1]) < PLANE
    if np.all(on_horizontal | on_vertical):
        step = _orbit_step(nodes, on_horizontal)
        return Coverage(kind="orbits", front_only=front_only, spacing_deg=step, missing=1.0)
    test = fibonacci_grid(3000)
    gap = _gap_deg(nodes, test)
    spacing = float(np.median(_neighbour_deg(nodes, 4)))
    reach = max(1.1 * spacing, min(4 * float(np.quantile(gap, 0.25)), 1.6 * spacing), 3.0)
    hole = gap > reach
    front = test[:, 0] > np.sin(np.radians(min(reach, 30) * 0.5))
    if front_only and not np.any(hole[front]):
        return Coverage(kind="half", front_only=True, spacing_deg=spacing, missing=0.0)
    missing = float(np.mean(hole[test[:, 0] > 0])) if front_only else float(np.mean(hole))
    kind = "partial" if np.any(hole) else "full"
    return Coverage(kind=kind, front_only=front_only, spacing_deg=spacing, missing=missing)


def orbit_fill(
    directions: NDArray[np.float64], values: NDArray, targets: NDArray[np.float64]
) -> NDArray:
    """Values in `targets` (m, 3) from a horizontal and a vertical orbit, shape (m, n_frequency).

    A direction at the angle θ from the axis, turned by φ from the horizontal plane, gets
    cos²φ of the horizontal orbit at θ plus sin²φ of the vertical one, on its own side of either. `values`
    is what varies smoothly: complex with the delay removed, or real energies, which
    then stay positive. On the orbits this is the data.

    Raises
    ------
    InvalidValue : one of the orbits is missing
    """
    theta = np.arccos(np.clip(targets[:, 0], -1, 1))
    radius2 = np.maximum(targets[:, 1] ** 2 + targets[:, 2] ** 2, 1e-30)
    share = np.where(np.sin(theta) < 1e-9, 0.5, targets[:, 1] ** 2 / radius2)
    out = np.zeros((len(targets), values.shape[1]), values.dtype)
    for axis, name, part in ((1, "horizontal", share), (2, "vertical", 1 - share)):
        other = 3 - axis
        on = np.abs(directions[:, other]) < PLANE
        if on.sum() < 4 or np.abs(directions[on, axis]).max() < PLANE:
            raise InvalidValue("coverage", None, f"the {name} orbit is missing", "measure both orbits, or a sphere")
        angle = np.arctan2(directions[on, axis], directions[on, 0])
        side = np.where(targets[:, axis] >= 0, theta, -theta)
        out += part[:, None] * _around(angle, values[on])(side)
    return out


def smooth_fill(
    directions: NDArray[np.float64], values: NDArray, targets: NDArray[np.float64], spacing_deg: float
) -> NDArray:
    """Values in `targets` by the smoothest expansion in spherical harmonics that follows the data.

    Order up to what the spacing carries (at most 15); least squares with a penalty on n²(n + 1)², weighted
    by the area each direction stands for.
    """
    order = int(np.clip(150 / max(spacing_deg, 1.0), 2, 15))
    return real_harmonics(order, targets) @ fitted(directions, values, order, roughness=1e-6)


def held_down(
    filled: NDArray, targets: NDArray[np.float64], directions: NDArray[np.float64], values: NDArray
) -> NDArray:
    """Filled values (m, n_frequency) held to the largest size among the measured directions nearest to each target.

    A pattern finer than the grid lets every smooth continuation run away: without this, levels 10 to 20 dB too high
    were seen in gaps of 90°.
    """
    from scipy.spatial import cKDTree

    nearest = cKDTree(directions).query(targets, k=min(_NEAREST, len(directions)))[1].reshape(len(targets), -1)
    top = np.abs(values)[nearest].max(axis=1)
    size = np.abs(filled)
    return filled * np.divide(top, size, out=np.ones_like(size), where=size > top)


def fill_targets(directions: NDArray[np.float64], spacing_deg: float, front_only: bool) -> NDArray[np.float64]:
    """Even directions at the data's own spacing where nothing was measured, shape (m, 3)."""
    spacing = float(np.clip(spacing_deg, 4.0, 20.0))
    grid = fibonacci_grid(int(4 * np.pi / np.radians(spacing) ** 2))
    grid = grid[_gap_deg(directions, grid) > 0.75 * spacing]
    return grid[grid[:, 0] > -np.sin(np.radians(spacing / 4))] if front_only else grid


def left_out(count: int, share: float = 0.1) -> NDArray[np.intp]:
    """Indices that a leave-some-out check leaves out: about `share` of them, the same every time."""
    order = np.random.default_rng(20).permutation(count)
    return np.sort(order[: max(1, round(share * count))])


def _gap_deg(nodes: NDArray[np.float64], test: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.spatial import cKDTree

    return np.degrees(2 * np.arcsin(np.clip(cKDTree(nodes).query(test)[0] / 2, 0, 1)))


def _neighbour_deg(nodes: NDArray[np.float64], which: int) -> NDArray[np.float64]:
    from scipy.spatial import cKDTree

    distance = cKDTree(nodes).query(nodes, k=min(which + 1, len(nodes)))[0][:, -1]
    return np.degrees(2 * np.arcsin(np.clip(distance / 2, 0, 1)))


def _orbit_step(nodes: NDArray[np.float64], on_horizontal: NDArray[np.bool_]) -> float:
    chosen = nodes[on_horizontal] if on_horizontal.sum() > 2 else nodes
    angle = np.sort(np.degrees(np.arctan2(np.where(on_horizontal.sum() > 2, chosen[:, 1], chosen[:, 2]), chosen[:, 0])))
    return float(np.median(np.diff(angle))) if angle.size > 1 else 90.0


def _around(angle: NDArray[np.float64], values: NDArray) -> Callable[[NDArray[np.float64]], NDArray]:
    """Cubic spline over an orbit: closed where it goes all the way round, else held at its ends."""
    from scipy.interpolate import CubicSpline

    order = np.argsort(angle)
    angle, values = angle[order], values[order]
    keep = np.concatenate([[True], np.diff(angle) > 1e-3])
    angle, values = angle[keep], values[keep]
    step = np.diff(angle)
    if 2 * np.pi - (angle[-1] - angle[0]) < 1.6 * step.max():
        if 2 * np.pi - (angle[-1] - angle[0]) < 1e-3:        # -180° and 180° are one
            angle, values = angle[:-1], values[:-1]
        angle, values = np.append(angle, angle[0] + 2 * np.pi), np.vstack([values, values[:1]])
        spline = CubicSpline(angle, values, bc_type="periodic")
    else:
        spline = CubicSpline(angle, values)

    def at(asked: NDArray[np.float64]) -> NDArray:
        around = (asked - angle[0]) % (2 * np.pi) + angle[0]
        inside = np.where(around <= angle[-1], around, np.clip(asked, angle[0], angle[-1]))
        if np.iscomplexobj(values):
            return spline(inside)
        k = np.clip(np.searchsorted(angle, inside) - 1, 0, angle.size - 2)
        return np.maximum(spline(inside), DIP * np.minimum(values[k], values[k + 1]))

    return at
