"""Box alignments: how a closed or vented box rolls off a driver's low end, and how far its cone then moves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue
from .wrapped import Wrapped

USUAL_LEAKAGE_Q = 7.0
"""Leakage loss of an ordinary vented box (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedBox:
    """Second-order high-pass of a driver in a closed box: H = s²/(s² + s/Q + 1), s = jf/f_c. [small1972]

    Attributes
    ----------
    resonance_hz : f_c of the driver in its box
    q : total quality factor in the box, 0.71 for the flattest
    """

    resonance_hz: float
    q: float = math.sqrt(0.5)

    def __post_init__(self) -> None:
        _check("resonance_hz", self.resonance_hz, 5, 20000)
        _check("q", self.q, 0.2, 5)

    @classmethod
    def from_driver(
        cls, *, driver_resonance_hz: float, driver_q: float, compliance_ratio: float
    ) -> ClosedBox:
        """From the driver's own f_s and Q_ts and V_as/V_box: both rise by √(1 + V_as/V_box). [small1972]"""
        _check("compliance_ratio", compliance_ratio, 0, 100)
        stiffer = math.sqrt(1 + compliance_ratio)
        return cls(resonance_hz=driver_resonance_hz * stiffer, q=driver_q * stiffer)

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """High-pass, 1 far above the resonance; shape (n_frequency,)."""
        s = 1j * np.asarray(frequency_hz, float) / self.resonance_hz
        return s**2 / (s**2 + s / self.q + 1)

    def cone_share(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Volume velocity of the cone over that of the whole box: 1; shape (n_frequency,)."""
        return np.ones(np.shape(frequency_hz), complex)


@dataclass(frozen=True, slots=True, kw_only=True)
class VentedBox:
    """Fourth-order high-pass of a driver in a vented box with leakage losses.

    Attributes
    ----------
    tuning_hz : f_b, resonance of box and vent
    driver_resonance_hz : f_s of the driver
    driver_q : Q_ts of the driver
    compliance_ratio : V_as / V_box
    leakage_q : Q_L, math.inf for a box without losses

    Notes
    -----
    With s = jf, T_b = 1/f_b, T_s = 1/f_s, α = V_as/V_box [small1973] (from memory; a test derives it from
    the acoustic circuit): H = s⁴T_b²T_s² / {s⁴T_b²T_s² + s³(T_b²T_s/Q_ts + T_bT_s²/Q_L) +
    s²[(α+1)T_b² + T_bT_s/(Q_LQ_ts) + T_s²] + s(T_b/Q_L + T_s/Q_ts) + 1}. The vent radiates with the cone.
    """

    tuning_hz: float
    driver_resonance_hz: float
    driver_q: float
    compliance_ratio: float
    leakage_q: float = USUAL_LEAKAGE_Q

    def __post_init__(self) -> None:
        _check("tuning_hz", self.tuning_hz, 5, 5000)
        _check("driver_resonance_hz", self.driver_resonance_hz, 5, 5000)
        _check("driver_q", self.driver_q, 0.05, 5)
        _check("compliance_ratio", self.compliance_ratio, 0.01, 100)
        _check("leakage_q", self.leakage_q, 1, math.inf)

    @classmethod
    def butterworth(cls, cutoff_hz: float) -> VentedBox:
        """The flattest vented box without losses: -3 dB at `cutoff_hz` = f_b = f_s, Q_ts 0.383, α = √2.

        [thiele1971]
        """
        return cls(
            tuning_hz=cutoff_hz, driver_resonance_hz=cutoff_hz, driver_q=1 / math.sqrt(4 + 2 * math.sqrt(2)),
            compliance_ratio=math.sqrt(2), leakage_q=math.inf,
        )

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """High-pass, 1 far above the tuning; shape (n_frequency,)."""
        s = 1j * np.asarray(frequency_hz, float)
        tb, ts, ql, qt = 1 / self.tuning_hz, 1 / self.driver_resonance_hz, self.leakage_q, self.driver_q
        top = s**4 * tb**2 * ts**2
        return top / (
            top
            + s**3 * (tb**2 * ts / qt + tb * ts**2 / ql)
            + s**2 * ((self.compliance_ratio + 1) * tb**2 + tb * ts / (ql * qt) + ts**2)
            + s * (tb / ql + ts / qt)
            + 1
        )

    def cone_share(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Volume velocity of the cone over that of cone, vent and leaks: 1 + f_b/(jf Q_L) - (f_b/f)².

        Small at the tuning, where the vent does the work; above 1 below it. Shape (n_frequency,).
        """
        s = 1j * np.asarray(frequency_hz, float) / self.tuning_hz
        return 1 + 1 / (s * self.leakage_q) + 1 / s**2


Box = ClosedBox | VentedBox


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Boxed(Wrapped):
    """A driver in a box: its directivity with the box's high-pass; a `Directivity` itself.

    Attributes
    ----------
    driver : the directivity without its low-end roll-off (a sketch is flat on axis)
    box : the alignment
    """

    box: Box

    def far_pressure(self, frequency_hz: ArrayLike, directions: ArrayLike) -> NDArray[np.complex128]:
        """D [Pa m], shape (n_direction, n_frequency)."""
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        return self.driver.far_pressure(f, directions) * self.box.response(f)


def _check(key: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise InvalidValue(key, value, f"must be {low:g} to {high:g}")
