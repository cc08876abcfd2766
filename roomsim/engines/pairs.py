"""Which axis each pair of driver and seat is closed along, and which pairs are summed together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CLOSE_M = 0.3
"""Pairs nearer than this along every axis take another way (roomsim.engines.close_pairs)."""

_COMFORTABLE_M = 1.0
"""A pair this far apart along the axis that most pairs use is summed with them."""

_CLASSES_M = (1.0, 0.5, CLOSE_M, 0.0)
"""Pairs are grouped by distance, so that a near one does not make the far ones carry its many modes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairGroup:
    """Sources on one side of a plane and listeners on the other.

    Attributes
    ----------
    axis, side : closing axis; +1 where the listeners lie above the plane
    plane_m : where the plane cuts the axis
    sources, listeners : indices
    pairs : which of their pairs belong here, shape (n_source, n_listener)
    distance_m : smallest distance along the axis
    """

    axis: int
    side: int
    plane_m: float
    sources: NDArray[np.int64]
    listeners: NDArray[np.int64]
    pairs: NDArray[np.bool_]
    distance_m: float


def group_pairs(
    sources_m: NDArray[np.float64], listeners_m: NDArray[np.float64], axis: int | None = None
) -> tuple[list[PairGroup], list[tuple[int, int]]]:
    """Groups that cover all pairs, and the pairs too close for any axis.

    Parameters
    ----------
    sources_m, listeners_m : shapes (n_source, 3), (n_listener, 3)
    axis : closing axis for all pairs; None chooses it per pair
    """
    apart = listeners_m[None] - sources_m[:, None]
    distance = np.abs(apart)
    if axis is None:
        best = np.argmax(distance, axis=-1)
        common = int(np.argmax(np.bincount(best.ravel(), minlength=3)))
        chosen = np.where(distance[..., common] >= _COMFORTABLE_M, common, best)
        far = distance.max(axis=-1) >= CLOSE_M
    else:
        chosen = np.full(distance.shape[:2], axis)
        far = np.ones(distance.shape[:2], bool)
    along = np.take_along_axis(apart, chosen[..., None], axis=-1)[..., 0]
    classes = np.digitize(np.abs(along), _CLASSES_M)
    groups = []
    for c in range(3):
        for side in (1, -1):
            for band in np.unique(classes):
                member = far & (chosen == c) & (side * along >= 0) & (classes == band)
                if side < 0:
                    member &= along < 0
                groups += _planes(member, sources_m[:, c], listeners_m[:, c], c, side)
    return groups, [(int(e), int(i)) for e, i in np.argwhere(~far)]


def _planes(
    member: NDArray[np.bool_], source: NDArray[np.float64], listener: NDArray[np.float64], axis: int, side: int
) -> list[PairGroup]:
    """As few planes as part all member pairs: the nearest listener first, then what its plane leaves."""
    groups = []
    left = member.copy()
    while left.any():
        rows, columns = np.nonzero(left)
        first = np.argmin(side * listener[columns])
        plane = listener[columns[first]]
        now = left & (side * source[:, None] <= side * plane) & (side * listener[None] >= side * plane)
        rows, columns = np.flatnonzero(now.any(axis=1)), np.flatnonzero(now.any(axis=0))
        nearest = side * max(side * source[rows])
        groups.append(
            PairGroup(
                axis=axis, side=side, plane_m=float((nearest + plane) / 2), sources=rows, listeners=columns,
                pairs=now[np.ix_(rows, columns)],
                distance_m=float(np.abs(listener[None] - source[:, None])[now].min()),
            )
        )
        left &= ~now
    return groups
