"""Absorbers by construction instead of by table: layers, membranes, perforated and micro-perforated panels, curtains.

Each is a `Material` (usable wherever a finish is). All are locally reacting and infinite: values above 1 in
tables come from the edges of finite samples (diffraction draws in energy) and are not modelled. Laboratory
values of the same construction differ between laboratories by ±0.1 and more [iso12999-2].

Fibres, fire behaviour of linings and the loads they put on walls and ceilings are outside this model: follow
the local codes and the maker's instructions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .. import bands
from ..errors import InvalidValue
from .impedance import (
    AIR,
    Complexes,
    Floats,
    air_gap,
    air_spring,
    cloth,
    delany_bazley,
    layer,
    mass,
    miki,
    random_absorption,
)

AIR_VISCOSITY = 1.81e-5
"""Dynamic viscosity of air at 20 °C [Pa s] [kuttruff2016] (from memory)."""

MODELS = {"miki": miki, "delany-bazley": delany_bazley}

LIMITS = {
    "thickness_m": (1e-4, 2.0), "gap_m": (0.0, 5.0), "depth_m": (1e-3, 5.0), "flow_resistivity_pa_s_m2": (100.0, 1e7),
    "mass_kg_m2": (0.01, 500.0), "resistance": (0.0, 1e4), "hole_diameter_m": (1e-5, 0.1), "open_fraction": (1e-4, 0.8),
}
"""Range of each dimension of an absorber; outside it is a slip of units, not an absorber."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Absorber:
    """What all absorbers share; subclasses give `impedance`.

    Attributes
    ----------
    name : label
    scatter : scattering coefficient at all frequencies (an assumption, common practice, no source)
    source : where the dimensions come from
    """

    name: str = "absorber"
    scatter: float = 0.1
    source: str = "assumption"

    kind = "porous"

    def __post_init__(self) -> None:        # subclasses call it by name: super() does not survive slots
        if not 0 <= self.scatter <= 1:
            raise InvalidValue("scattering", self.scatter, "must be 0 to 1")
        for key, (low, high) in LIMITS.items():
            value = getattr(self, key, None)
            if value is not None and not low <= value <= high:
                raise InvalidValue(key, value, f"must be {low:g} to {high:g}")

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        """ζ, shape (n_frequency,)."""
        raise NotImplementedError

    def absorption(self, frequency_hz: ArrayLike) -> Floats:
        """Random-incidence absorption, mean over the octave around each frequency, shape (n_frequency,).

        What an octave-band table would say: a resonance between two midbands is not lost. The curve itself is
        `random_absorption(absorber.impedance(f))`.
        """
        fine = np.asarray(frequency_hz, float)[..., None] * bands.OCTAVE ** (np.arange(-5.5, 6) / 12)
        return random_absorption(self.impedance(fine.ravel())).reshape(fine.shape).mean(axis=-1)

    def scattering(self, frequency_hz: ArrayLike) -> Floats:
        """`scatter` everywhere, shape (n_frequency,)."""
        return np.full(np.shape(frequency_hz), self.scatter)

    @property
    def described(self) -> dict[str, float]:
        """Its dimensions by name, those that are numbers."""
        values = {item.name: getattr(self, item.name) for item in fields(self) if item.name != "scatter"}
        return {name: value for name, value in values.items() if isinstance(value, (int, float)) and value}

    def rests_on_assumption(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """Everything of a modelled absorber does."""
        return np.ones(np.shape(frequency_hz), bool)


@dataclass(frozen=True, slots=True, kw_only=True)
class PorousAbsorber(Absorber):
    """Fibrous or open-cell layer in front of an air gap and a rigid wall.

    Parameters
    ----------
    thickness_m, gap_m : of the layer, of the gap behind it (0 for none)
    flow_resistivity_pa_s_m2 : σ [Pa s/m²]; mineral wool 5,000 to 50,000
    model : "miki" (default) or "delany-bazley" (not passive at low frequencies; for comparison)

    References: [miki1990], [delany-bazley1970].
    """

    thickness_m: float
    flow_resistivity_pa_s_m2: float
    gap_m: float = 0.0
    model: str = "miki"

    def __post_init__(self) -> None:
        Absorber.__post_init__(self)
        if self.model not in MODELS:
            raise InvalidValue("model", self.model, "must be one of " + ", ".join(MODELS))

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        f = np.asarray(frequency_hz, float)
        material = MODELS[self.model](f, self.flow_resistivity_pa_s_m2)
        return layer(f, material, self.thickness_m, air_gap(f, self.gap_m) if self.gap_m else None)


@dataclass(frozen=True, slots=True, kw_only=True)
class LayeredAbsorber(Absorber):
    """Several porous layers and air gaps, from the room to the rigid wall.

    Parameters
    ----------
    layers : (thickness [m], flow resistivity [Pa s/m²]) of each; flow resistivity 0 for air
    """

    layers: Sequence[tuple[float, float]]

    def __post_init__(self) -> None:
        Absorber.__post_init__(self)
        object.__setattr__(self, "layers", tuple((float(d), float(sigma)) for d, sigma in self.layers))
        if not self.layers:
            raise InvalidValue("layers", "[]", "must have at least one layer")
        for depth, sigma in self.layers:
            _within("thickness_m", depth, LIMITS["thickness_m"])
            if sigma:
                _within("flow_resistivity_pa_s_m2", sigma, LIMITS["flow_resistivity_pa_s_m2"])

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        f = np.asarray(frequency_hz, float)
        behind: Complexes | None = None
        for depth, sigma in reversed(self.layers):
            material = miki(f, sigma) if sigma else (np.ones_like(f), np.ones_like(f))
            behind = layer(f, material, depth, behind)
        assert behind is not None
        return behind


@dataclass(frozen=True, slots=True, kw_only=True)
class MembraneAbsorber(Absorber):
    """Limp or loosely held sheet on a shallow air spring: ζ = r + jωm/ρc + spring.

    The spring is −j/(k0 d) for an empty gap; with `fill_flow_resistivity_pa_s_m2` the gap is a Miki layer that damps
    it. Resonance near 60/√(m d) Hz (empty). The board's own stiffness and its further modes are left out;
    valid while the gap is shallow, k0 d below about 1.

    Parameters
    ----------
    mass_kg_m2, depth_m : of the sheet, of the gap
    resistance : r, losses of sheet and edges, in ρc
    fill_flow_resistivity_pa_s_m2 : σ of wool that fills the gap [Pa s/m²], 0 for none
    """

    mass_kg_m2: float
    depth_m: float
    resistance: float = 1.0
    fill_flow_resistivity_pa_s_m2: float = 0.0

    kind = "panel"

    def __post_init__(self) -> None:
        Absorber.__post_init__(self)
        _check_fill(self.fill_flow_resistivity_pa_s_m2)

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        f = np.asarray(frequency_hz, float)
        sigma = self.fill_flow_resistivity_pa_s_m2
        spring = layer(f, miki(f, sigma), self.depth_m) if sigma else air_spring(f, self.depth_m)
        return self.resistance + mass(f, self.mass_kg_m2) + spring

    @property
    def resonance_hz(self) -> float:
        """Where mass and empty gap cancel, (1/2π) √(ρc²/(m d)) [kuttruff2016] (from memory)."""
        stiffness = AIR.density_kg_m3 * AIR.speed_m_s**2 / self.depth_m
        return float(np.sqrt(stiffness / self.mass_kg_m2) / (2 * np.pi))


@dataclass(frozen=True, slots=True, kw_only=True)
class PerforatedPanel(Absorber):
    """Panel with round holes in front of a gap, empty or with wool at the holes' back.

    Parameters
    ----------
    thickness_m, hole_diameter_m, open_fraction : t, D, ε of the panel
    depth_m : of the gap behind it
    fill_flow_resistivity_pa_s_m2 : σ of wool that fills the gap [Pa s/m²], 0 for none

    Notes
    -----
    Each hole is a round tube with the viscous losses of `tube`, lengthened by the air it drags along:
    δ = 0.85 D (1 − 1.47 √ε + 0.47 √ε³) for both ends together [cox2017] (from memory), and by the surface
    resistance √(2ωρη)/2 at both ends. Resonance near (c/2π) √(ε/(d(t+δ))) while k0 d is small.
    """

    thickness_m: float
    hole_diameter_m: float
    open_fraction: float
    depth_m: float
    fill_flow_resistivity_pa_s_m2: float = 0.0

    kind = "panel"

    def __post_init__(self) -> None:
        Absorber.__post_init__(self)
        _check_fill(self.fill_flow_resistivity_pa_s_m2)

    @property
    def end_correction_m(self) -> float:
        """δ, both ends together."""
        root = np.sqrt(self.open_fraction)
        return float(0.85 * self.hole_diameter_m * (1 - 1.47 * root + 0.47 * root**3))

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        f = np.asarray(frequency_hz, float)
        omega = 2 * np.pi * f
        inside = tube(f, self.hole_diameter_m) * self.thickness_m
        ends = np.sqrt(2 * omega * AIR.density_kg_m3 * AIR_VISCOSITY) / 2
        ends = ends + 1j * omega * AIR.density_kg_m3 * self.end_correction_m
        sigma = self.fill_flow_resistivity_pa_s_m2
        behind = layer(f, miki(f, sigma), self.depth_m) if sigma else air_gap(f, self.depth_m)
        return (inside + ends) / (self.open_fraction * AIR.impedance_rayl) + behind

    @property
    def resonance_hz(self) -> float:
        """(c/2π) √(ε/(d(t+δ))), lumped [cox2017] (from memory)."""
        length = self.thickness_m + self.end_correction_m
        return float(AIR.speed_m_s / (2 * np.pi) * np.sqrt(self.open_fraction / (self.depth_m * length)))


@dataclass(frozen=True, slots=True, kw_only=True)
class MicroPerforatedPanel(PerforatedPanel):
    """Panel with holes of less than a millimetre: their own viscosity absorbs, no wool needed [maa1998].

    The same tube as a perforated panel; holes this small and this far apart drag the full 0.85 D along.
    """

    @property
    def end_correction_m(self) -> float:
        return 0.85 * self.hole_diameter_m


@dataclass(frozen=True, slots=True, kw_only=True)
class CurtainAbsorber(Absorber):
    """Cloth with flow resistance and mass in front of a wall.

    Parameters
    ----------
    resistance : flow resistance of the cloth in ρc (413 Pa s/m); dense velour about 1 to 5
    mass_kg_m2 : per area of wall, folds counted
    gap_m : mean distance from the wall
    folded : True (default) for a draped curtain: only the gap's spring counts, its resonances are smeared by
        the folds; False for a stretched cloth at a fixed distance
    """

    resistance: float
    mass_kg_m2: float
    gap_m: float
    folded: bool = True

    kind = "curtain"

    def __post_init__(self) -> None:
        Absorber.__post_init__(self)
        for key in ("resistance", "gap_m"):
            if getattr(self, key) < 1e-4:
                raise InvalidValue(key, getattr(self, key), "must be above 0")

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        f = np.asarray(frequency_hz, float)
        gap = air_spring(f, self.gap_m) if self.folded else air_gap(f, self.gap_m)
        return cloth(f, self.resistance, self.mass_kg_m2) + gap


def tube(frequency_hz: ArrayLike, diameter_m: float) -> Complexes:
    """Specific impedance per length [Pa s/m²] of air in a round hole, viscous walls, low Mach number.

    jωρ / (1 − 2 J1(s)/(s J0(s))), s = (D/2) √(−jωρ/η): Crandall's tube, on which Maa's panel rests [maa1998].
    """
    from scipy.special import jve  # late: import is slow; scaled, so that wide tubes do not overflow

    omega = 2 * np.pi * np.asarray(frequency_hz, float)
    s = diameter_m / 2 * np.sqrt(-1j * omega * AIR.density_kg_m3 / AIR_VISCOSITY)
    return 1j * omega * AIR.density_kg_m3 / (1 - 2 * jve(1, s) / (s * jve(0, s)))


def _check_fill(flow_resistivity_pa_s_m2: float) -> None:
    if flow_resistivity_pa_s_m2:
        _within("fill_flow_resistivity_pa_s_m2", flow_resistivity_pa_s_m2, LIMITS["flow_resistivity_pa_s_m2"])


def _within(key: str, value: float, limits: tuple[float, float]) -> None:
    low, high = limits
    if not low <= value <= high:
        raise InvalidValue(key, value, f"must be {low:g} to {high:g}")
