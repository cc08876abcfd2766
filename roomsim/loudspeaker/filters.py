"""What electronics do to a driver: gain, delay, polarity, crossovers, equaliser sections, FIR.

Everything but the FIR is evaluated as its analogue prototype at s = jf/f0. A digital realisation departs
from that only near half of its sample rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InvalidValue

CROSSOVER_SHAPES = ("linkwitz-riley", "butterworth")
SECTION_KINDS = ("peak", "low-shelf", "high-shelf")
HIGHEST_ORDER = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One parametric equaliser section of second order.

    Attributes
    ----------
    kind : "peak", "low-shelf" or "high-shelf"
    frequency_hz : centre of the peak; of a shelf, where half of its gain (in dB) is reached
    gain_db : gain at the peak or on the shelf [dB]
    q : quality factor; of a peak, the bandwidth between half-gain points is frequency / q; of a shelf, 0.71
        gives the steepest slope without overshoot

    Notes
    -----
    With A = 10^(gain/40), s = jf/f0: peak (s² + sA/Q + 1)/(s² + s/(AQ) + 1); low shelf
    A(s² + s√A/Q + A)/(As² + s√A/Q + 1); the high shelf is its mirror s → 1/s. [bristow-johnson2021]
    """

    kind: str
    frequency_hz: float
    gain_db: float
    q: float = math.sqrt(0.5)

    def __post_init__(self) -> None:
        if self.kind not in SECTION_KINDS:
            raise InvalidValue("kind", self.kind, f"must be one of {', '.join(SECTION_KINDS)}")
        _check_frequency("frequency_hz", self.frequency_hz)
        if not abs(self.gain_db) <= 40:
            raise InvalidValue("gain_db", self.gain_db, "must be -40 to 40")
        if not 0.1 <= self.q <= 100:
            raise InvalidValue("q", self.q, "must be 0.1 to 100")

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Complex gain, shape (n_frequency,)."""
        s = 1j * np.asarray(frequency_hz, float) / self.frequency_hz
        a = 10 ** (self.gain_db / 40)
        if self.kind == "peak":
            return (s**2 + s * a / self.q + 1) / (s**2 + s / (a * self.q) + 1)
        middle = s * math.sqrt(a) / self.q
        if self.kind == "low-shelf":
            return a * (s**2 + middle + a) / (a * s**2 + middle + 1)
        return a * (a * s**2 + middle + 1) / (s**2 + middle + a)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fir:
    """Taps of a finite impulse response.

    Attributes
    ----------
    taps : shape (n_tap,), the first at time zero
    sample_rate_hz : rate of the taps

    Raises
    ------
    InvalidValue : no taps, values that are not finite, an impossible rate
    """

    taps: NDArray[np.float64]
    sample_rate_hz: float

    def __post_init__(self) -> None:
        taps = np.array(self.taps, float)
        if taps.ndim != 1 or not taps.size or not np.isfinite(taps).all() or not taps.any():
            raise InvalidValue("fir", f"{taps.shape} taps", "must be one row of finite taps, not all zero")
        if not 1000 <= self.sample_rate_hz <= 1e6:
            raise InvalidValue("sample_rate_hz", self.sample_rate_hz, "must be 1000 to 1e6")
        taps.setflags(write=False)
        object.__setattr__(self, "taps", taps)

    @property
    def delay_s(self) -> float:
        """Centre of gravity of the taps' energy [s]: the delay that a smooth description leaves out."""
        energy = self.taps**2
        return float(energy @ np.arange(energy.size) / energy.sum() / self.sample_rate_hz)

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Σ h_n e^{-j2πfn/rate}, shape (n_frequency,); nothing passes above half of the rate."""
        f = np.asarray(frequency_hz, float)
        turn = -2j * np.pi * f[..., None] / self.sample_rate_hz
        width = int(np.ceil(np.sqrt(self.taps.size)))      # in rows: 2 √n exponentials per frequency instead of n
        rows = np.zeros((-(-self.taps.size // width), width))
        rows.flat[: self.taps.size] = self.taps
        inner = np.exp(turn * np.arange(width)) @ rows.T
        outer = np.exp(turn * (width * np.arange(len(rows))))
        return np.where(f <= self.sample_rate_hz / 2, (inner * outer).sum(axis=-1), 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """All that a channel's electronics do to one driver.

    Attributes
    ----------
    gain_db : gain [dB]
    delay_ms : delay [ms]
    invert : reverse the polarity
    lowpass_hz, highpass_hz : crossover frequencies, None for none
    lowpass_order, highpass_order : 1 to 8; Linkwitz–Riley needs an even order
    lowpass_shape, highpass_shape : "linkwitz-riley" (-6 dB at the crossover) or "butterworth" (-3 dB)
    equaliser : parametric sections in series
    fir : a finite impulse response, None for none

    Notes
    -----
    A Linkwitz–Riley filter is a Butterworth filter of half the order, twice. [linkwitz1976] Low- and
    high-pass add to an all-pass; for orders 2 and 6 one of the two drivers must be inverted.

    Raises
    ------
    InvalidValue : a value outside its range
    """

    gain_db: float = 0.0
    delay_ms: float = 0.0
    invert: bool = False
    lowpass_hz: float | None = None
    highpass_hz: float | None = None
    lowpass_order: int = 4
    highpass_order: int = 4
    lowpass_shape: str = "linkwitz-riley"
    highpass_shape: str = "linkwitz-riley"
    equaliser: tuple[Section, ...] = ()
    fir: Fir | None = None

    def __post_init__(self) -> None:
        if not abs(self.gain_db) <= 120:
            raise InvalidValue("gain_db", self.gain_db, "must be -120 to 120")
        if not 0 <= self.delay_ms <= 1000:
            raise InvalidValue("delay_ms", self.delay_ms, "must be 0 to 1000")
        for side in ("lowpass", "highpass"):
            corner, order, shape = (getattr(self, f"{side}_{key}") for key in ("hz", "order", "shape"))
            if corner is not None:
                _check_frequency(f"{side}_hz", corner)
            if shape not in CROSSOVER_SHAPES:
                raise InvalidValue(f"{side}_shape", shape, f"must be one of {', '.join(CROSSOVER_SHAPES)}")
            if order != int(order) or not 1 <= order <= HIGHEST_ORDER:
                raise InvalidValue(f"{side}_order", order, f"must be a whole number from 1 to {HIGHEST_ORDER}")
            if shape == "linkwitz-riley" and order % 2:
                raise InvalidValue(f"{side}_order", order, "must be even for Linkwitz–Riley",
                                   "an odd order needs the Butterworth shape")

    @property
    def latency_s(self) -> float:
        """Pure delay [s] that `response` holds: the set one and the FIR's own."""
        return self.delay_ms / 1e3 + (self.fir.delay_s if self.fir else 0.0)

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Complex gain, shape (n_frequency,)."""
        f = np.asarray(frequency_hz, float)
        out = 10 ** (self.gain_db / 20) * np.exp(-2j * np.pi * f * self.delay_ms / 1e3)
        if self.invert:
            out = -out
        if self.lowpass_hz is not None:
            out = out * lowpass(1j * f / self.lowpass_hz, self.lowpass_order, self.lowpass_shape)
        if self.highpass_hz is not None:
            with np.errstate(divide="ignore", invalid="ignore"):
                mirrored = np.where(f > 0, self.highpass_hz / np.where(f > 0, 1j * f, 1), 0)
            high = lowpass(mirrored, self.highpass_order, self.highpass_shape)
            out = out * np.where(f > 0, high, 0)
        for section in self.equaliser:
            out = out * section.response(f)
        if self.fir is not None:
            out = out * self.fir.response(f)
        return out

    def without_latency(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """The response with `latency_s` taken out: smooth enough for a coarse grid, shape (n_frequency,)."""
        f = np.asarray(frequency_hz, float)
        if self.fir is None:
            return replace(self, delay_ms=0.0).response(f)
        return self.response(f) * np.exp(2j * np.pi * f * self.latency_s)


def lowpass(s: ArrayLike, order: int, shape: str) -> NDArray[np.complex128]:
    """Low-pass of unit corner at the complex frequency s; 1/s instead of s gives the high-pass.

    Poles of the Butterworth polynomial: s² + 2 sin((2k-1)π/2n) s + 1, and s + 1 for odd n.
    """
    s = np.asarray(s, complex)
    if shape == "linkwitz-riley":
        return lowpass(s, order // 2, "butterworth") ** 2
    out = 1 / (s + 1) if order % 2 else np.ones_like(s)
    for pair in range(order // 2):
        damping = 2 * math.sin((2 * pair + 1) * math.pi / (2 * order))
        out = out / (s**2 + damping * s + 1)
    return out


def _check_frequency(key: str, value: float) -> None:
    if not 1 <= value <= 1e5:
        cure = "is this in kilohertz?" if 0 < value < 1 else ""
        raise InvalidValue(key, value, "must be 1 to 100000 Hz", cure)
