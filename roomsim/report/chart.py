"""A chart as data: drawn as SVG in the page (chart_svg.py) and for papers (chart_paper.py) from the same values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import OCTAVE, nominal

FREQUENCY_TICKS_HZ = 1000 * OCTAVE ** np.arange(-6.0, 5)

TARGET, QUIET, INK = "target", "quiet", "ink"
"""Pens beside those of designs."""
OTHER_PENS = tuple((pen, dash) for dash in ("solid", "long", "short") for pen in (INK, QUIET))
"""Pens and dashes of what is no design, such as rooms: ink and grey, so that none looks like one."""

OUTLINE = -1
"""Shade of an area that is only outlined."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis.

    Attributes
    ----------
    label : what it shows, with its unit
    short : the same, for a small chart
    low, high : range
    ticks : values and what is written at them
    log : logarithmic
    unit, digits : of a value that is read out
    """

    label: str
    short: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]
    log: bool = False
    unit: str = ""
    digits: int = 1

    def fraction(self, values: ArrayLike) -> NDArray[np.float64]:
        """Where values lie, 0 at the low end and 1 at the high one."""
        v = np.asarray(values, float)
        if self.log:
            return np.log(v / self.low) / np.log(self.high / self.low)
        return (v - self.low) / (self.high - self.low)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One curve.

    Attributes
    ----------
    name : as it is read out
    x, y : shape (n,); NaN leaves a gap
    pen : index of a design's pen, TARGET or QUIET
    dash : instead of the pen's: "solid", "long", "short"
    low, high : a band about the curve, shape (n,)
    joined : points are joined by a line
    points : every value is marked: "filled", "open"; "" marks a few of a long curve, "none" none
    """

    name: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    pen: int | str = 0
    dash: str = ""
    low: NDArray[np.float64] | None = None
    high: NDArray[np.float64] | None = None
    joined: bool = True
    points: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Area:
    """An area of a map.

    Attributes
    ----------
    name : what it stands for
    shade : 0 (quietest) to 10, or OUTLINE for a line without filling
    rings : outlines in values of x and y, shape (n, 2) each; holes run the other way round
    """

    name: str
    shade: int
    rings: tuple[NDArray[np.float64], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """One panel.

    Attributes
    ----------
    key : short name, for files and links
    title, detail : above it
    x, y : axes
    lines : curves, the last on top
    zones : ranges of x that are hatched, with what is said there
    level_at : values of y with a stronger line, such as 0
    areas : of a map, the lowest first
    """

    key: str
    title: str
    detail: str
    x: Axis
    y: Axis
    lines: tuple[Line, ...]
    zones: tuple[tuple[float, float, str], ...] = ()
    level_at: tuple[float, ...] = field(default=())
    areas: tuple[Area, ...] = field(default=())


def frequency_axis(low_hz: float, high_hz: float) -> Axis:
    """Logarithmic, a tick at every octave."""
    inside = FREQUENCY_TICKS_HZ[(low_hz * 0.999 <= FREQUENCY_TICKS_HZ) & (high_hz * 1.001 >= FREQUENCY_TICKS_HZ)]
    return Axis(label="Frequency in Hz", short="Hz", low=float(low_hz), high=float(high_hz), log=True, unit="Hz",
                digits=0, ticks=tuple((float(f), nominal(f)) for f in inside))


def even_axis(label: str, short: str, low: float, high: float, step: float, unit: str, digits: int = 1) -> Axis:
    """Linear, a tick at every step."""
    values = np.arange(np.ceil(low / step - 1e-9) * step, high + 1e-9, step)
    written = [f"{v:.{0 if step >= 1 else 1 if step >= 0.1 else 2}f}".replace("-", "−") for v in values]
    written = [text.removeprefix("−") if not text.strip("−0.") else text for text in written]
    return Axis(label=label, short=short, low=float(low), high=float(high), unit=unit, digits=digits,
                ticks=tuple(zip((float(v) for v in values), written, strict=True)))


def level_limits(curves: Sequence[ArrayLike], step: float = 5.0, least: float = 20.0, most: float = 50.0
                 ) -> tuple[float, float]:
    """Limits in whole steps that hold all values; `least` to `most` apart, the top is kept."""
    values = np.concatenate([np.asarray(c, float).ravel() for c in curves] or [np.zeros(1)])
    values = values[np.isfinite(values)]
    if not values.size:
        return -least, 0.0
    top = np.ceil((values.max() + 0.3) / step) * step
    low = np.floor((values.min() - 0.3) / step) * step
    return float(np.clip(low, top - most, top - least)), float(top)


def sampled(x: NDArray[np.float64], most: int) -> NDArray[np.int64]:
    """Indices of at most `most` values, evenly picked, both ends among them."""
    if x.size <= most:
        return np.arange(x.size)
    return np.unique(np.round(np.linspace(0, x.size - 1, most)).astype(np.int64))
