"""From a table of absorption to a complex impedance that is passive, causal and of the right kind.

A table of random-incidence absorption does not say with which phase a surface reflects; its construction
does. So the table is followed by a network of which every part is passive and causal:

    ζ(f) = 1 / (β_kind(f) + Σ w_k B_k(f)) + Σ z_k B_k(f),     B_k = 1 / (1 + jQ (f/f_k − f_k/f))

β_kind is the model of the kind of surface (below). The B_k are damped resonators, one per band of the
table, half as strong at that band's edges; w_k ≥ 0 in parallel add absorption that the model lacks (the
further modes of a panel, its paint, leaks), z_k ≥ 0 in series take away what it has too much of (backings,
glue, the finite piece). Fitted together, with the model preferred: resonators cost.

Why a network and not the model scaled per band: α fixes little more than Re β where a surface is hard, and
Re β and Im β of a causal surface are tied to each other over frequency. A panel's β scaled to follow its
table above resonance would make the panel several times too light; a smooth factor with the phase kept is
acausal. A sum of positive-real terms keeps the mass of the panel or the stiffness of the layer, brings the
phase that belongs to what was added, and R(θ) is passive and causal at every angle and frequency, also
outside the table.

Models: panel, mass on an air spring with resistance; porous, Miki layer over a gap behind a resistive
facing; curtain, flow resistance with mass before an air spring.
Hard surfaces have a real ζ from Paris's formula (`roomsim.room.impedance.real_impedance`) and no network.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .. import bands
from .impedance import (
    PARIS_MAXIMUM,
    Complexes,
    Floats,
    air_gap,
    air_spring,
    cloth,
    layer,
    mass,
    miki,
    random_absorption,
    real_impedance,
)
from .least_squares import ModelFunction, Problem, solved


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """A parameter of a kind's model: usual value and how far (as a factor) it may be from it."""

    name: str
    usual: float
    spread: float
    known_spread: float = 1.15


def panel(frequency_hz: Floats, parameters: tuple[Floats, ...]) -> Complexes:
    """ζ = r + jωm/ρc − j/(k0 d)."""
    mass_kg_m2, depth_m, resistance = parameters
    return resistance + mass(frequency_hz, mass_kg_m2) + air_spring(frequency_hz, depth_m)


def porous(frequency_hz: Floats, parameters: tuple[Floats, ...]) -> Complexes:
    """ζ of a facing (resistance in series) on a Miki layer over a gap."""
    thickness_m, flow_resistivity, gap_m, facing = parameters
    material = miki(frequency_hz, flow_resistivity)
    behind = air_gap(frequency_hz, gap_m)
    return facing + layer(frequency_hz, material, thickness_m, behind)


def curtain(frequency_hz: Floats, parameters: tuple[Floats, ...]) -> Complexes:
    """Flow resistance and mass side by side (both see the pressure across the cloth), before an air spring.

    The gap of a draped curtain varies from fold to fold by more than a quarter wavelength at high frequency:
    its resonances, −j cot(k0 L), do not line up and only their first term, the spring, is kept. (The mean
    admittance over the folds' depths would be wrong: it counts what the folds scatter as absorbed.)
    """
    resistance, mass_kg_m2, gap_m = parameters
    return cloth(frequency_hz, resistance, mass_kg_m2) + air_spring(frequency_hz, gap_m)


KINDS: Mapping[str, tuple[ModelFunction, tuple[Parameter, ...]]] = {
    "panel": (panel, (
        Parameter(name="mass_kg_m2", usual=9.0, spread=2.0),
        Parameter(name="depth_m", usual=0.08, spread=2.0),
        Parameter(name="resistance", usual=10.0, spread=2.5),
    )),
    "porous": (porous, (
        Parameter(name="thickness_m", usual=0.025, spread=2.5),
        Parameter(name="flow_resistivity_pa_s_m2", usual=2e4, spread=1.7),
        Parameter(name="gap_m", usual=1e-3, spread=8.0),
        Parameter(name="facing", usual=1.0, spread=2.5),
    )),
    "curtain": (curtain, (
        Parameter(name="resistance", usual=2.0, spread=1.7),
        Parameter(name="mass_kg_m2", usual=0.8, spread=1.5),
        Parameter(name="gap_m", usual=0.05, spread=1.5),
    )),
}
"""Model and parameters per kind; spreads are common practice, no source."""

TOLERANCE = (0.004, 0.03)
"""A band counts as followed within 0.004 + 3 % of its absorption."""

MODEL_FIRST = 6.0
"""Tolerances by which the model alone may miss a band before its parameters leave their usual range."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A fitted network; arrays per band of the table.

    Attributes
    ----------
    kind : panel, porous or curtain
    parameters : of the kind's model
    band_hz, quality : centres and Q of the resonators
    parallel, series : their strengths w_k (admittance) and z_k (impedance)
    """

    kind: str
    parameters: tuple[float, ...]
    band_hz: Floats
    quality: float
    parallel: Floats
    series: Floats

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        """ζ, shape (n_frequency,)."""
        shapes = resonators(frequency_hz, self.band_hz, self.quality)
        return network(self.model_impedance(frequency_hz), shapes, self.parallel, self.series)

    def model_impedance(self, frequency_hz: ArrayLike) -> Complexes:
        """ζ of the kind's model without the resonators, shape (n_frequency,)."""
        return KINDS[self.kind][0](np.asarray(frequency_hz, float), self.parameters)

    @property
    def described(self) -> dict[str, float]:
        """The model's parameters by name."""
        return {p.name: value for p, value in zip(KINDS[self.kind][1], self.parameters, strict=True)}


def resonators(frequency_hz: ArrayLike, band_hz: ArrayLike, quality: float) -> Complexes:
    """B_k(f) of the parallel and the series resonators, shape (2, n_band, n_frequency): all positive real.

    The last one, 1 / (1 − jQf_k/2f), a resistance on a spring, keeps its value above the table. The first of
    the series ones, 1 / (1 + jQf/2f_k), keeps its value below, so that what a table takes away in its lowest
    band does not come back underneath.
    """
    band = np.asarray(band_hz, float)[:, None]
    ratio = np.asarray(frequency_hz, float) / band
    shapes = np.tile(1 / (1 + 1j * quality * (ratio - 1 / ratio)), (2, 1, 1))
    shapes[:, -1] = 1 / (1 - 0.5j * quality / ratio[-1])
    shapes[1, 0] = 1 / (1 + 0.5j * quality * ratio[0])
    return shapes


def network(model: Complexes, shapes: Complexes, parallel: Floats, series: Floats) -> Complexes:
    """ζ of the model with its resonators."""
    return 1 / (1 / model + parallel @ shapes[0]) + series @ shapes[1]


def band_absorption(impedance: Callable[[Floats], Complexes], band_hz: ArrayLike, fraction: int = 1) -> Floats:
    """Random-incidence absorption of an impedance function in bands, as a table states it; (n_band,).

    An octave is the mean of its three third-octave midbands, a third octave its midband.
    """
    fine = _samples_hz(np.asarray(band_hz, float), fraction)
    return random_absorption(impedance(fine.ravel())).reshape(fine.shape).mean(axis=1)


def fit(kind: str, band_hz: ArrayLike, absorption: ArrayLike, fraction: int = 1,
        known: Mapping[str, float] | None = None) -> Fit:
    """The network of a kind that follows a table.

    Parameters
    ----------
    kind : panel, porous or curtain
    band_hz : exact midbands, shape (n_band,)
    absorption : shape (n_band,); clipped to 0.001 … 0.951, the most that a real ζ absorbs at random incidence
    fraction : 1 for octaves, 3 for third octaves
    known : parameters of the construction by name, kept within about 15 %
    """
    known = known or {}
    model, parameters = KINDS[kind]
    band = np.asarray(band_hz, float)
    target = np.clip(np.asarray(absorption, float), 1e-3, PARIS_MAXIMUM)
    fine = _samples_hz(band, fraction)
    edge = bands.OCTAVE ** (0.5 / fraction)
    quality = float(1 / (edge - 1 / edge))          # half the conductance at the band's edges
    problem = Problem(
        model=model,
        frequency_hz=fine.ravel(),
        samples=fine.shape[1],
        shapes=resonators(fine.ravel(), band, quality),
        target=target,
        # three times as many numbers per octave: each of them counts a third
        tolerance=np.sqrt(fraction) * (TOLERANCE[0] + TOLERANCE[1] * target),
        usual=np.log([known.get(p.name) or p.usual for p in parameters]),
        spread=np.log([p.known_spread if known.get(p.name) else p.spread for p in parameters]),
        strength=real_impedance(target),
    )
    # the model alone first: with resonators at hand from the start they would settle the fit without it
    start = np.zeros(len(parameters) + 2 * band.size)
    alone = solved(problem, start, len(parameters), MODEL_FIRST)
    logs, parallel, series = problem.split(solved(problem, alone, start.size))
    return Fit(kind=kind, parameters=tuple(np.exp(logs).tolist()), band_hz=band, quality=quality,
               parallel=parallel, series=series)


def _samples_hz(band_hz: Floats, fraction: int) -> Floats:
    steps = np.arange(-1, 2) / 3 if fraction == 1 else np.zeros(1)
    return band_hz[:, None] * bands.OCTAVE**steps
