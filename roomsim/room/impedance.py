"""Locally reacting surfaces: impedances of layers, panels and curtains, and what they absorb.

Impedances are normalised, ζ = Z/ρc, admittances β = 1/ζ, time factor e^{+jωt}: a stiffness has a negative
imaginary part, a mass a positive one, and a surface is passive where Re ζ ≥ 0.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..air import Air

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

AIR = Air()
"""Air of the tables: 20 °C; surfaces keep their ζ when the room warms by a few degrees."""

PARIS_MAXIMUM = 0.951222
"""Largest random-incidence absorption of a real ζ [mechel2008], at ζ = PARIS_IMPEDANCE."""

PARIS_IMPEDANCE = 1.566924


def normal_absorption(impedance: ArrayLike) -> Floats:
    """α at normal incidence, 4 Re ζ / |ζ + 1|²."""
    zeta = np.asarray(impedance, complex)
    return 4 * zeta.real / np.abs(zeta + 1) ** 2


def absorption_at(impedance: ArrayLike, cos_incidence: ArrayLike) -> Floats:
    """α(θ) = 1 − |R(θ)|² of a locally reacting surface; shapes broadcast."""
    return normal_absorption(np.asarray(impedance, complex) * np.asarray(cos_incidence, float))


def random_absorption(impedance: ArrayLike) -> Floats:
    """Random-incidence absorption of a locally reacting surface by Paris's integral, same shape.

    Notes
    -----
    ∫ α(θ) sin 2θ dθ in closed form, ζ = r + jx, q = |ζ|² (re-derived here):
    α = (8r/q) [1 − (r/q) ln(1 + 2r + q) − (x² − r²)/q · arctan(|x|/(1+r)) / |x|].
    For |ζ| below 1e-3 the bracket cancels; there the first terms of its series stand.

    References: [paris1928], [kuttruff2016].
    """
    zeta = np.asarray(impedance, complex)
    r, x = zeta.real, np.abs(zeta.imag)
    q = np.maximum(r**2 + x**2, 1e-300)
    small = q < 1e-6
    with np.errstate(all="ignore"):
        angle = np.where(x > 1e-9 * (1 + r), np.arctan2(x, 1 + r) / np.where(x > 0, x, 1), 1 / (1 + r))
        bracket = 1 - r / q * np.log1p(2 * r + q) - (x**2 - r**2) / q * angle
        full = 8 * r / q * bracket
    return np.where(small, 8 * r * (1 / 3 - r / 2), full)


def real_impedance(absorption: ArrayLike) -> Floats:
    """The real ζ ≥ 1.567 that absorbs this much at random incidence; clipped to 1e-4 … 0.9512.

    Of the two roots of Paris's formula the larger is a hard surface; α above the maximum gives the maximum.
    """
    alpha = np.clip(np.asarray(absorption, float), 1e-4, PARIS_MAXIMUM)
    low = np.full(alpha.shape, np.log(PARIS_IMPEDANCE))
    high = np.full(alpha.shape, np.log(1e6))
    for _ in range(50):     # bisection: α falls steadily with ζ on this branch
        middle = (low + high) / 2
        above = random_absorption(np.exp(middle)) > alpha
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.exp((low + high) / 2)


def wave_number(frequency_hz: ArrayLike) -> Floats:
    """k0 = ω/c [1/m] in the air of the tables."""
    return 2 * np.pi * np.asarray(frequency_hz, float) / AIR.speed_m_s


def mass(frequency_hz: ArrayLike, mass_kg_m2: ArrayLike) -> Complexes:
    """ζ of a limp mass per area, jωm/ρc."""
    return 2j * np.pi * np.asarray(frequency_hz, float) * mass_kg_m2 / AIR.impedance_rayl


def air_gap(frequency_hz: ArrayLike, depth_m: ArrayLike) -> Complexes:
    """ζ of an air gap before a rigid wall, −j cot(k0 L), each cell of it for itself."""
    return -1j / np.tan(wave_number(frequency_hz) * depth_m)


def air_spring(frequency_hz: ArrayLike, depth_m: ArrayLike) -> Complexes:
    """ζ of a shallow air gap, −j/(k0 L): the gap's first term, valid for k0 L below about 1."""
    return -1j / (wave_number(frequency_hz) * depth_m)


def cloth(frequency_hz: ArrayLike, resistance: ArrayLike, mass_kg_m2: ArrayLike) -> Complexes:
    """ζ of a limp, air-permeable sheet: r and jωm/ρc in parallel; a massless one does not resist at all."""
    return 1 / (1 / np.asarray(resistance) + 1 / mass(frequency_hz, mass_kg_m2))


def miki(frequency_hz: ArrayLike, flow_resistivity: ArrayLike) -> tuple[Complexes, Complexes]:
    """Zc/ρc and k/k0 of a fibrous material, flow resistivity σ in Pa s/m² [miki1990].

    Y = f/σ: Zc = 1 + 0.0699 Y^-0.632 − 0.107j Y^-0.632, k = 1 + 0.109 Y^-0.618 − 0.160j Y^-0.618; fitted for
    0.01 < Y < 1. A layer is passive if its density Zc k and its bulk modulus Zc/k both lose energy. The density
    always does; the modulus of the printed formula gives energy below Y = 9e-4 (its phase goes to −1 degree, a
    thin layer's Re ζ below zero). There, and this departs from the source, its imaginary part is held at zero,
    which changes neither its real part nor the density.
    """
    y = np.asarray(frequency_hz, float) / flow_resistivity
    characteristic, relative = 1 + (0.0699 - 0.107j) * y**-0.632, 1 + (0.109 - 0.160j) * y**-0.618
    modulus = characteristic / relative
    if np.any(modulus.imag < 0):
        density, held = characteristic * relative, modulus.imag < 0
        characteristic = np.where(held, np.sqrt(density * modulus.real), characteristic)
        relative = np.where(held, np.sqrt(density / modulus.real), relative)
    return characteristic, relative


def delany_bazley(frequency_hz: ArrayLike, flow_resistivity: ArrayLike) -> tuple[Complexes, Complexes]:
    """Zc/ρc and k/k0 by the older regression, X = ρf/σ, valid for 0.01 < X < 1 [delany-bazley1970].

    Below X = 0.01 a hard-backed layer comes out as a source of energy: for comparison only.
    """
    x = AIR.density_kg_m3 * np.asarray(frequency_hz, float) / flow_resistivity
    return (1 + 0.0571 * x**-0.754 - 0.087j * x**-0.732,
            1 + 0.0978 * x**-0.700 - 0.189j * x**-0.595)


def layer(frequency_hz: ArrayLike, material: tuple[Complexes, Complexes], thickness_m: ArrayLike,
          behind: ArrayLike | None = None) -> Complexes:
    """Surface ζ of a layer (Zc, k/k0) in front of an impedance `behind`, or of a rigid wall for None.

    Zs = Zc (Zb cos kd + j Zc sin kd) / (Zc cos kd + j Zb sin kd); both sides divided by cos kd, so that thick
    layers do not overflow.
    """
    characteristic, relative = material
    phase = relative * wave_number(frequency_hz) * thickness_m
    tangent = np.tan(phase)
    if behind is None:
        return -1j * characteristic / tangent
    return characteristic * (behind + 1j * characteristic * tangent) / (characteristic + 1j * behind * tangent)
