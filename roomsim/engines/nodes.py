"""Frequencies of a path sum: coarse nodes for what varies slowly, cells between them for the rest.

Reflection, directivity (its delay removed) and air vary slowly with frequency; the phase of a path does not. So
the slow factors are computed at nodes and interpolated by a cubic through the four nearest ones; the phase is
evaluated at every frequency. Nodes lie on the lattice 1000·G^(i/48), G = 10^0.3, evenly within a stretch of
octaves that shares a spacing: 1/6 octave where everything is smooth, down to 1/48 where it is not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE

PER_OCTAVE = 48
"""Points of the lattice per octave."""

SPACINGS = (8, 4, 2, 1)
"""Lattice steps between nodes, coarsest first."""

LOWEST_HZ = 1.0
"""Below this the slow factors keep their value, so that 0 Hz can be asked for."""

_LANES = 8        # loops over cells are padded to half a wide vector register of single precision
_WHOLE = 16       # rows to a whole one
_TAIL = 8         # entries at the end of every row that begin no cell
_LAYERS = 16      # cells with more frequencies than this are summed cell by cell


def lattice_hz(index: ArrayLike) -> NDArray[np.float64]:
    """Frequencies of lattice points."""
    return 1000 * OCTAVE ** (np.asarray(index) / PER_OCTAVE)


def lattice_position(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Position on the lattice, exact to rounding at its points."""
    f = np.maximum(np.asarray(frequency_hz, float), LOWEST_HZ)
    position = PER_OCTAVE * np.log(f / 1000) / np.log(OCTAVE)
    nearest = np.round(position)
    return np.where(np.abs(position - nearest) < 1e-9, nearest, position)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NodePlan:
    """Where each frequency of a grid finds its nodes, laid out for the compiled loops.

    A row of slow factors has `node_hz.size` entries; cell c lies between the nodes c + 1 and c + 2 and is
    interpolated from c … c + 3. Stretches of nodes follow one another, each padded to whole registers.

    Attributes
    ----------
    node_hz : shape (n_row,)
    layers : shape (n_stretch, 4): first cell, number of cells (padded), layers, first slot. Layer l of a
        stretch holds at most one frequency per cell, so that a loop over cells is contiguous
    runs : shape (n_run, 3): cell, first slot, number of frequencies, for densely filled cells
    slot_hz, slot_weight : frequency and position in its cell (0 to 1) of every slot, shape (n_slot,)
    slot_of : slot of each frequency of the grid, shape (n_frequency,)
    """

    node_hz: NDArray[np.float64]
    layers: NDArray[np.int64]
    runs: NDArray[np.int64]
    slot_hz: NDArray[np.float64]
    slot_weight: NDArray[np.float64]
    slot_of: NDArray[np.int64]


def plan_nodes(frequency_hz: ArrayLike, spacing: Callable[[int], int] | int = SPACINGS[0]) -> NodePlan:
    """Lay a grid of frequencies out over nodes.

    Parameters
    ----------
    frequency_hz : shape (n_frequency,), any order, at least 0
    spacing : lattice steps between nodes, or a function of the octave (0 begins at 1 kHz) that gives them
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    position = lattice_position(f)
    octave = np.floor(position / PER_OCTAVE).astype(int)
    step_of = (lambda _: spacing) if isinstance(spacing, int) else spacing
    steps = np.array([step_of(int(o)) for o in range(octave.min(), octave.max() + 1)])
    stretch_of = np.concatenate([[0], np.cumsum(np.diff(steps) != 0)])[octave - octave.min()]
    nodes: list[NDArray[np.float64]] = []
    layers, runs, slot_hz, slot_weight = [], [], [], []
    slot_of = np.empty(f.size, np.int64)
    first_cell = slots = 0
    for stretch in np.unique(stretch_of):
        member = np.flatnonzero(stretch_of == stretch)
        step = int(steps[octave[member[0]] - octave.min()])
        place = position[member] / step
        cell = np.floor(place).astype(int)
        low = cell.min()
        count = np.bincount(cell - low)
        width = max(2, -(-count.size // _LANES)) * _LANES     # a single register would run scalar
        row = width + _TAIL
        index = low - 1 + np.minimum(np.arange(row), count.size + 2)    # beyond the last node: repeated, unused
        nodes.append(lattice_hz(index * step))
        order = np.lexsort((f[member], cell))
        member, cell, place = member[order], cell[order] - low, place[order]
        rank = np.arange(member.size) - np.concatenate([[0], np.cumsum(count)])[cell]
        dense = count[cell] > _LAYERS
        depth = int(rank[~dense].max()) + 1 if (~dense).any() else 0
        hz, weight = np.zeros(depth * width), np.zeros(depth * width)
        at = rank[~dense] * width + cell[~dense]
        hz[at], weight[at] = f[member[~dense]], (place - np.floor(place))[~dense]
        slot_of[member[~dense]] = slots + at
        if depth:
            layers.append([first_cell, width, depth, slots])
        slots += hz.size
        slot_hz.append(hz)
        slot_weight.append(weight)
        for c in np.flatnonzero(count > _LAYERS):
            inside = cell == c
            runs.append([first_cell + c, slots, int(count[c])])
            slot_hz.append(f[member[inside]])
            slot_weight.append((place - np.floor(place))[inside])
            slot_of[member[inside]] = slots + np.arange(count[c])
            slots += int(count[c])
        first_cell += row
    nodes.append(np.repeat(nodes[-1][-1], -first_cell % _WHOLE))
    return NodePlan(
        node_hz=np.concatenate(nodes),
        layers=np.array(layers, np.int64).reshape(-1, 4),
        runs=np.array(runs, np.int64).reshape(-1, 3),
        slot_hz=np.concatenate(slot_hz),
        slot_weight=np.concatenate(slot_weight),
        slot_of=slot_of,
    )


def cubic_error(values: NDArray[np.complex128], step: int) -> NDArray[np.complex128]:
    """What interpolation from every `step`-th lattice point gets wrong.

    Parameters
    ----------
    values : on consecutive lattice points, shape (..., n), n - 1 a multiple of `step`
    step : lattice steps between nodes

    Returns
    -------
    shape (..., n); zero where four nodes do not surround a point
    """
    node = values[..., ::step]
    out = np.zeros_like(values)
    if node.shape[-1] < 4:
        return out
    a, b, c, d = (node[..., k : node.shape[-1] - 3 + k] for k in range(4))
    for offset in range(1, step):
        t = offset / step
        guess = (
            -t * (t - 1) * (t - 2) / 6 * a + (t + 1) * (t - 1) * (t - 2) / 2 * b
            - (t + 1) * t * (t - 2) / 2 * c + (t + 1) * t * (t - 1) / 6 * d
        )
        inner = slice(step + offset, values.shape[-1] - 2 * step + offset, step)
        out[..., inner] = guess - values[..., inner]
    return out


def coarsest_steps(errors: dict[int, NDArray[np.float64]], first: int, tolerance: float) -> dict[int, int]:
    """Per octave, the widest spacing whose rms error stays within the tolerance.

    Parameters
    ----------
    errors : step -> error at lattice points, shape (n,); the finest step has none
    first : lattice index of the first point
    tolerance : of the rms of the errors over an octave
    """
    octave = (first + np.arange(len(next(iter(errors.values()))))) // PER_OCTAVE
    steps = {}
    for o in range(int(octave.min()), int(octave.max()) + 1):
        inside = octave == o
        fits = (s for s in SPACINGS if s not in errors or np.sqrt(np.mean(errors[s][inside] ** 2)) <= tolerance)
        steps[o] = next(fits)
    # A coarse stretch between finer ones costs more in padding than it saves.
    for o in steps:
        before = min((steps[b] for b in steps if b < o), default=0)
        after = min((steps[b] for b in steps if b > o), default=0)
        steps[o] = min(steps[o], max(before, after)) if before and after else steps[o]
    return steps
