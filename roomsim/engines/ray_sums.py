"""Time steps and bins of scattered sound, and what each part of the rays makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .ray_transfer import COARSE, GROUPS, ListenerTransfer, RoomTransfer, coarse, coarse_count, over_time, spectrum


@dataclass(frozen=True, slots=True, kw_only=True)
class Nodes:
    """Times to which what elements send is assigned: node k at k · bins time bins."""

    count: int
    bins: int
    n_time: int

    @classmethod
    def of(cls, n_time: int, bin_s: float, step_s: float) -> Nodes:
        bins = max(round(step_s / bin_s), 1)
        return cls(count=-(-n_time // bins) + 1, bins=bins, n_time=n_time)

    def to_bins(self, energy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Energy at nodes (last axis) as energy per bin: it is spread linearly to the nodes before and after."""
        edges = np.arange(self.bins + 1) / self.bins
        rising = np.diff(edges**2) / 2
        falling = np.diff(edges) - rising
        out = energy[..., :-1, None] * falling + energy[..., 1:, None] * rising
        flat = out.reshape(*energy.shape[:-1], -1)[..., : self.n_time]
        flat[..., 0] += energy[..., 0] / 2
        return flat


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScatterGroups:
    """What each part of the rays alone would change in scattered sound, in the first order.

    Attributes
    ----------
    energy : change of the energy at each listener, (n_group, n_channel, n_listener, n_band)
    mean : change of the mean over listeners per time bin, (n_group, n_channel, n_band, n_time)
    """

    energy: NDArray[np.float64]
    mean: NDArray[np.float64]


def scatter_groups(
    room: RoomTransfer, heard: ListenerTransfer, sources: NDArray[np.float64], nodes: Nodes, air: NDArray[np.float64]
) -> ScatterGroups:
    """How far the parts of the rays lie apart, in coarse steps.

    With Y = H (1 - T)⁻¹ S0 a part that has H + h, T + t and S0 + s changes it by h S + G (t S + s), where
    S = (1 - T)⁻¹ S0 and G = H (1 - T)⁻¹.

    Parameters
    ----------
    room, heard : transfers with their parts
    sources : what each part of the source's rays scatters, (n_group, 2 n_row, n_node, n_channel, n_band)
    nodes : time steps
    air : per band and bin, (n_band, n_time)
    """
    n_row = sources.shape[1] // 2
    n_listener, n_band = heard.groups.shape[1], heard.groups.shape[4]
    n_channel, n_coarse = sources.shape[3], coarse_count(nodes.count)
    steps = Nodes(count=n_coarse, bins=COARSE * nodes.bins, n_time=nodes.n_time)
    short = np.minimum(np.arange(n_coarse) * steps.bins, nodes.n_time - 1)
    energy = np.zeros((GROUPS, n_channel, n_listener, n_band))
    mean = np.zeros((GROUPS, n_channel, n_band, nodes.n_time))
    if not n_row:
        return ScatterGroups(energy=energy, mean=mean)
    first = coarse(sources[:, :n_row] + sources[:, n_row:], 2)                   # (group, row, time, channel, band)
    for b in range(n_band):
        s = spectrum(first[..., b], 2).transpose(0, 2, 1, 3)                     # (group, line, row, channel)
        h = spectrum(heard.groups[..., b], 3).transpose(0, 3, 1, 2)              # (group, line, listener, row)
        t = spectrum(room.groups[..., b], 2).transpose(0, 2, 1, 3)               # (group, line, row, row)
        system = np.eye(n_row) - t.mean(axis=0)
        settled = np.linalg.solve(system, s.mean(axis=0))
        gathered = np.linalg.solve(system.transpose(0, 2, 1), h.mean(axis=0).transpose(0, 2, 1)).transpose(0, 2, 1)
        change = (h - h.mean(axis=0)) @ settled + gathered @ ((t - t.mean(axis=0)) @ settled + s - s.mean(axis=0))
        over = over_time(change.transpose(0, 3, 2, 1), n_coarse) * air[b, short]           # (group, c, listener, time)
        energy[..., b] = over.sum(axis=-1)
        mean[:, :, b] = steps.to_bins(over.mean(axis=2))
    return ScatterGroups(energy=energy, mean=mean)
