"""From a survey of real rooms to target rooms at stated size percentiles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue

MEASURES = ("volume", "floor")
PERCENTILE_SETS = ("quartiles", "mean-to-75")
"""Named sets of percentiles: 25, 50, 75; and the mean, the 75th and the one midway (common practice, no source)."""

PLAUSIBLE = {"width_m": (1.5, 20.0), "length_m": (1.5, 20.0), "height_m": (1.9, 6.0)}
"""What a side of a living room may be before a row of a survey is questioned."""

PLAUSIBLE_RATIO = 5.0
_OTHER_UNITS = {"feet": 0.3048, "centimetres": 0.01, "millimetres": 0.001, "inches": 0.0254, "metres": 1 / 0.3048}
"""What a side read as metres times this would be; the last for metres that were read as feet."""

_BOOTSTRAP_DRAWS = 2000
_BOOTSTRAP_LIMIT = 4000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Survey:
    """Sizes of real rooms, shape (n_room,) each.

    Attributes
    ----------
    source : where it comes from, for the record
    width_m, length_m, height_m : along the wall that the loudspeaker stands at, into the room, up
    decay_s : measured decay time, NaN where not known
    furnishing : words, empty where not known
    """

    source: str
    width_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    height_m: NDArray[np.float64]
    decay_s: NDArray[np.float64]
    furnishing: NDArray[np.str_]

    def __len__(self) -> int:
        return self.width_m.size

    def measure(self, by: str) -> NDArray[np.float64]:
        """Volume [m³] or floor area [m²] of every room."""
        if by not in MEASURES:
            raise InvalidValue("by", by, f"must be {' or '.join(MEASURES)}")
        floor = self.width_m * self.length_m
        return floor * self.height_m if by == "volume" else floor

    def implausible(self) -> list[tuple[int, str]]:
        """Rows (from 0) that no living room has, and why."""
        found: dict[int, str] = {}
        for key, (low, high) in PLAUSIBLE.items():
            values = getattr(self, key)
            for row in np.flatnonzero((values < low) | (values > high)):
                found.setdefault(int(row), f"{key} = {values[row]:g} is not within {low:g} to {high:g} m")
        ratio = np.maximum(self.width_m, self.length_m) / np.minimum(self.width_m, self.length_m)
        for row in np.flatnonzero(ratio > PLAUSIBLE_RATIO):
            found.setdefault(int(row), f"one side is {ratio[row]:.1f} times the other; {PLAUSIBLE_RATIO:g} is the most")
        return sorted(found.items())

    def other_unit(self) -> str:
        """The unit in which the sides were probably written, empty where metres make sense.

        Only where most rows are implausible and a single other unit makes nearly all of them plausible.
        """
        if len(self.implausible()) <= len(self) / 2:
            return ""
        for name, factor in _OTHER_UNITS.items():
            sides = {key: getattr(self, key) * factor for key in PLAUSIBLE}
            scaled = Survey(source="", decay_s=self.decay_s, furnishing=self.furnishing, **sides)
            if len(scaled.implausible()) < 0.1 * len(self):
                return name
        return ""

    def without(self, rows: Sequence[int]) -> Survey:
        """The same survey less some rows."""
        keep = np.ones(len(self), bool)
        keep[list(rows)] = False
        columns = ("width_m", "length_m", "height_m", "decay_s", "furnishing")
        return Survey(source=self.source, **{name: getattr(self, name)[keep] for name in columns})


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetRoom:
    """A room that stands for one size percentile.

    Attributes
    ----------
    label : what it was asked for as: "25", "mean"
    percentile : 0 to 100
    by : "volume" or "floor"
    size : that percentile of the measure [m³ or m²]
    low, high : its 90 % bootstrap interval
    width_m, length_m, height_m : rounded to a centimetre
    neighbours : how many real rooms its shape comes from
    decay_s : median of their measured decay times [s], None where none was measured
    measured : how many of them were
    """

    label: str
    percentile: float
    by: str
    size: float
    low: float
    high: float
    width_m: float
    length_m: float
    height_m: float
    neighbours: int
    decay_s: float | None
    measured: int


def parse_percentiles(text: str, survey: Survey, by: str) -> list[tuple[str, float]]:
    """(label, percentile) of "25,50,75", "mean,75" or one of PERCENTILE_SETS.

    "mean" is the percentile rank of the mean size; "mean-to-75" is the mean, the 75th and midway between.

    Raises
    ------
    InvalidValue : not a number above 0 and below 100, or one asked for twice
    """
    values = survey.measure(by)
    mean_rank = 100 * float(np.mean(values <= values.mean()))
    if text == "quartiles":
        text = "25,50,75"
    if text == "mean-to-75":
        between = (mean_rank + 75) / 2
        return [("mean", mean_rank), (f"{between:.0f}", between), ("75", 75.0)]
    wanted: list[tuple[str, float]] = []
    for part in (piece.strip() for piece in text.split(",")):
        if part == "mean":
            wanted.append(("mean", mean_rank))
            continue
        try:
            value = float(part)
        except ValueError:
            value = np.nan
        if not 0 < value < 100:
            raise InvalidValue(
                "percentile", part, "must be numbers above 0 and below 100, or mean, parted by commas",
                f"or one of the sets {', '.join(PERCENTILE_SETS)}")
        wanted.append((f"{value:g}", value))
    if len({label for label, _ in wanted}) < len(wanted):
        raise InvalidValue("percentile", text, "each may be asked for once")
    return wanted


def target_rooms(
    survey: Survey, percentiles: Sequence[tuple[str, float]], by: str = "volume", seed: int = 1
) -> tuple[TargetRoom, ...]:
    """One room per percentile, shaped like the real rooms of that size.

    Parameters
    ----------
    survey : at least five rooms
    percentiles : (label, percentile) as `parse_percentiles` gives them
    by : "volume" or "floor"
    seed : of the bootstrap

    Notes
    -----
    The size is the percentile of the measure itself. The shape is that of the nearest tenth of the rooms
    (at least five, at most 50) by the ratio of sizes: the median of length over width and the median height,
    both of these real rooms; width and length are then scaled so that the measure is met. A product of
    three separate percentiles would be a room that nobody has: large in every direction at once.

    Raises
    ------
    InvalidValue : too few rooms
    """
    if len(survey) < 5:
        raise InvalidValue("survey", f"{len(survey)} rooms", "a percentile needs at least five rooms")
    values = survey.measure(by)
    count = int(np.clip(round(0.1 * len(survey)), 5, 50))
    rng = np.random.default_rng(seed)
    ordered = np.sort(values)
    rooms = []
    for label, percentile in percentiles:
        size = float(np.percentile(ordered, percentile))
        near = np.argsort(np.abs(np.log(values / size)), kind="stable")[:count]
        height = float(np.median(survey.height_m[near]))
        ratio = float(np.exp(np.median(np.log(survey.length_m[near] / survey.width_m[near]))))
        floor = size / height if by == "volume" else size
        decays = survey.decay_s[near][np.isfinite(survey.decay_s[near])]
        low, high = _bootstrap_interval(ordered, percentile, rng)
        rooms.append(
            TargetRoom(
                label=label, percentile=percentile, by=by, size=size, low=low, high=high,
                width_m=round(float(np.sqrt(floor / ratio)), 2), length_m=round(float(np.sqrt(floor * ratio)), 2),
                height_m=round(height, 2), neighbours=count,
                decay_s=round(float(np.median(decays)), 2) if decays.size else None, measured=int(decays.size),
            )
        )
    return tuple(rooms)


def _bootstrap_interval(
    ordered: NDArray[np.float64], percentile: float, rng: np.random.Generator
) -> tuple[float, float]:
    """90 % percentile-bootstrap interval of a percentile.

    Above 4,000 rooms the resampled percentile is drawn as the order statistic that it is: the rank of a
    resampled quantile is n times a Beta variable, which needs no resampling [efron-tibshirani1993].
    """
    n = ordered.size
    if n <= _BOOTSTRAP_LIMIT:
        draws = np.percentile(ordered[rng.integers(0, n, (_BOOTSTRAP_DRAWS, n))], percentile, axis=1)
    else:
        rank = percentile / 100 * (n - 1) + 1
        draws = np.quantile(ordered, rng.beta(rank, n + 1 - rank, _BOOTSTRAP_DRAWS))
    low, high = np.percentile(draws, [5, 95])
    return float(low), float(high)
