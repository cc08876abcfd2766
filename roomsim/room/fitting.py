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
facing; curtain, flow resistance with mass in front of a gap, averaged over the folds' depths.
Hard surfaces have a real ζ from Paris's formula (`roomsim.room.impedance.real_impedance`) and no network.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from .. import bands
from .impedance import (
    PARIS_MAXIMUM,
    Complexes,
    Floats,
    air_gap,
    air_spring,
    layer,
    mass,
    miki,
    random_absorption,
    real_impedance,
)

FOLDS, FOLD_WEIGHTS = np.polynomial.legendre.leggauss(8)
"""Depths over which a curtain's folds are spread, as fractions of half their range."""

ModelFunction = Callable[[Floats, tuple[Floats, ...]], Complexes]


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
    """Flow resistance and mass share the pressure difference; folds spread the gap from 0.2 to 1.8 of its mean."""
    resistance, mass_kg_m2, gap_m = parameters
    cloth = 1 / (1 / resistance + 1 / mass(frequency_hz, mass_kg_m2))
    admittance = sum(
        weight / 2 / (cloth + air_gap(frequency_hz, gap_m * (1 + 0.8 * fold)))
        for fold, weight in zip(FOLDS, FOLD_WEIGHTS, strict=True)
    )
    return 1 / admittance


KINDS: Mapping[str, tuple[ModelFunction, tuple[Parameter, ...]]] = {
    "panel": (panel, (
        Parameter(name="mass_kg_m2", usual=9.0, spread=2.0),
        Parameter(name="depth_m", usual=0.08, spread=2.0),
        Parameter(name="resistance", usual=10.0, spread=2.5),
    )),
    "porous": (porous, (
        Parameter(name="thickness_m", usual=0.02, spread=2.0),
        Parameter(name="flow_resistivity", usual=2e4, spread=1.7),
        Parameter(name="gap_m", usual=1e-3, spread=3.0),
        Parameter(name="facing", usual=0.3, spread=2.5),
    )),
    "curtain": (curtain, (
        Parameter(name="resistance", usual=1.5, spread=1.7),
        Parameter(name="mass_kg_m2", usual=0.4, spread=1.5),
        Parameter(name="gap_m", usual=0.1, spread=1.5),
    )),
}
"""Model and parameters per kind; spreads are common practice, no source."""

TOLERANCE = (0.004, 0.03)
"""A band counts as followed within 0.004 + 3 % of its absorption."""

RESONATOR_COST = 1.0
"""Cost, in tolerances, of a resonator that alone would absorb what its band's table value says."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A fitted network; arrays per band of the table.

    Attributes
    ----------
    kind : panel, porous or curtain
    parameters : of the kind's model
    band_hz, quality : centres and Q of the resonators
    parallel, series : their strengths w_k (admittance) and z_k (impedance)
    absorption : what the network absorbs in each band at random incidence
    """

    kind: str
    parameters: tuple[float, ...]
    band_hz: Floats
    quality: float
    parallel: Floats
    series: Floats
    absorption: Floats

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        """ζ, shape (n_frequency,)."""
        f = np.asarray(frequency_hz, float)
        model = KINDS[self.kind][0]
        shapes = resonators(f, self.band_hz, self.quality)
        return _network(model(f, self.parameters), shapes, self.parallel, self.series)

    def model_impedance(self, frequency_hz: ArrayLike) -> Complexes:
        """ζ of the kind's model without the resonators."""
        return KINDS[self.kind][0](np.asarray(frequency_hz, float), self.parameters)

    @property
    def described(self) -> dict[str, float]:
        """The model's parameters by name."""
        return {p.name: value for p, value in zip(KINDS[self.kind][1], self.parameters, strict=True)}


def resonators(frequency_hz: ArrayLike, band_hz: ArrayLike, quality: float) -> Complexes:
    """B_k(f) of the parallel and the series resonators, shape (2, n_band, n_frequency): positive real.

    The last one is a resistance on a spring, 1 / (1 − jQf_k/2f): it keeps its value above the table. The
    first one of the series resonators is 1 / (1 + jQf/2f_k) and keeps its value below.
    """
    band = np.asarray(band_hz, float)[:, None]
    ratio = np.asarray(frequency_hz, float) / band
    shapes = np.tile(1 / (1 + 1j * quality * (ratio - 1 / ratio)), (2, 1, 1))
    shapes[:, -1] = 1 / (1 - 0.5j * quality / ratio[-1])
    shapes[1, 0] = 1 / (1 + 0.5j * quality * ratio[0])
    return shapes


def _quality(fraction: int) -> float:
    """Q of a resonator that has half its conductance at the edges of a 1/fraction-octave band."""
    edge = bands.OCTAVE ** (0.5 / fraction)
    return float(1 / (edge - 1 / edge))


def fit(kind: str, band_hz: ArrayLike, absorption: ArrayLike, fraction: int = 1,
        known: Mapping[str, float] | None = None) -> Fit:
    """The network of a kind that follows a table.

    Parameters
    ----------
    kind : panel, porous or curtain
    band_hz : exact midbands, shape (n_band,)
    absorption : shape (n_band,); clipped to 0.001 … 0.951, the most that local reaction reaches evenly
    fraction : 1 for octaves, 3 for third octaves
    known : parameters of the construction by name, kept within about 15 %
    """
    known = known or {}
    model, parameters = KINDS[kind]
    band = np.asarray(band_hz, float)
    target = np.clip(np.asarray(absorption, float), 1e-3, PARIS_MAXIMUM)
    fine = _samples_hz(band, fraction)
    quality = _quality(fraction)
    problem = _Problem(
        model=model,
        frequency_hz=fine.ravel(),
        samples=fine.shape[1],
        shapes=resonators(fine.ravel(), band, quality),
        target=target,
        usual=np.log([known.get(p.name) or p.usual for p in parameters]),
        spread=np.log([p.known_spread if known.get(p.name) else p.spread for p in parameters]),
        strength=real_impedance(target),
    )
    # the model alone first, then the resonators from nearly nothing: else they settle the fit without it
    size = len(parameters)
    alone = replace(problem, loose=6.0).solved(np.zeros(size + 2 * band.size))
    found, best = None, np.inf
    for root in (0.15, 0.4, 0.05):
        start = np.concatenate([alone[:size], np.full(2 * band.size, root)])
        x = problem.solved(start)
        residuals = problem.residuals(x)
        if (cost := float(residuals @ residuals)) < best:
            found, best = x, cost
        if np.abs(residuals[: band.size]).max() < 1.5:
            break
    logs, parallel, series = problem.split(found)
    return Fit(kind=kind, parameters=tuple(np.exp(logs).tolist()), band_hz=band, quality=quality,
               parallel=parallel, series=series, absorption=problem.absorbed(found))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Problem:
    """Residuals and slopes of one fit; x = (parameters in spreads from usual, roots of strengths)."""

    model: ModelFunction
    frequency_hz: Floats
    samples: int
    shapes: Complexes
    target: Floats
    usual: Floats
    spread: Floats
    strength: Floats
    loose: float = 1.0

    def split(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        n, count = self.usual.size, self.target.size
        parallel = x[n : n + count] ** 2 / self.strength
        series = x[n + count :] ** 2 * self.strength
        return self.usual + np.clip(x[:n], -5, 5) * self.spread, parallel, series

    def absorbed(self, x: Floats) -> Floats:
        logs, parallel, series = self.split(x)
        zeta = _network(self.model(self.frequency_hz, tuple(np.exp(logs))), self.shapes, parallel, series)
        return self._means(random_absorption(zeta))

    def residuals(self, x: Floats) -> Floats:
        cost = np.where(np.arange(x.size) < self.usual.size, x, RESONATOR_COST * x**2)
        return np.concatenate([(self.absorbed(x) - self.target) / self._tolerance(), cost])

    def slopes(self, x: Floats) -> Floats:
        """d residuals / dx: the network by the chain rule, model and Paris by small steps."""
        n, step = self.usual.size, 1e-5
        logs, parallel, series = self.split(x)
        values = np.exp(logs + step * np.vstack([np.zeros(n), np.eye(n)]))
        models = self.model(self.frequency_hz, tuple(values.T[:, :, None]))
        inner = 1 / (1 / models[0] + parallel @ self.shapes[0])
        zeta = inner + series @ self.shapes[1]
        paris = random_absorption(zeta[None] + step * np.abs(zeta) * np.array([[0], [1], [1j]]))
        by_real, by_imag = (paris[1:] - paris[0]) / (step * np.abs(zeta))
        count = self.target.size
        dzeta = np.concatenate([
            (models[1:] - models[0]) / step * (inner / models[0]) ** 2 * self.spread[:, None],
            -(inner**2) * self.shapes[0] * (2 * x[n : n + count] / self.strength)[:, None],
            self.shapes[1] * (2 * x[n + count :] * self.strength)[:, None],
        ])
        dalpha = self._means(by_real * dzeta.real + by_imag * dzeta.imag)
        cost = np.where(np.arange(x.size) < n, 1.0, 2 * RESONATOR_COST * x)
        return np.vstack([dalpha.T / self._tolerance()[:, None], np.diag(cost)])

    def solved(self, start: Floats) -> Floats:
        """Least squares from a start."""
        from scipy.optimize import least_squares

        return least_squares(self.residuals, start, self.slopes, method="lm",
                             xtol=1e-4, ftol=1e-4, gtol=1e-8, max_nfev=80).x

    def _means(self, values: Floats) -> Floats:
        return values.reshape(*values.shape[:-1], -1, self.samples).mean(axis=-1)

    def _tolerance(self) -> Floats:
        return self.loose * (TOLERANCE[0] + TOLERANCE[1] * self.target)


def band_absorption(impedance: Callable[[Floats], Complexes], band_hz: ArrayLike, fraction: int = 1) -> Floats:
    """Random-incidence absorption of an impedance function in bands: mean of three points per octave."""
    fine = _samples_hz(np.asarray(band_hz, float), fraction)
    return random_absorption(impedance(fine.ravel())).reshape(fine.shape).mean(axis=1)


def _samples_hz(band_hz: Floats, fraction: int) -> Floats:
    """Where a band is sampled: its three third-octave midbands, or its own middle; (n_band, n_sample)."""
    steps = np.arange(-1, 2) / 3 if fraction == 1 else np.zeros(1)
    return band_hz[:, None] * bands.OCTAVE**steps


def _network(model: Complexes, shapes: Complexes, parallel: Floats, series: Floats) -> Complexes:
    return 1 / (1 / model + parallel @ shapes[0]) + series @ shapes[1]


