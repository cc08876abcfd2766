"""A result judged: measures of every case, designs ranked over the rooms, and which of their differences are real."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InvalidValue
from .comparing import DRAW
from .measures import BY_KEY, MEASURES, Measure, averages, measure
from .pairing import Estimate, holm, over_rooms, over_seats, resampled_seats, student
from .seat_bands import SeatBands, seat_bands
from .spatial import spatial_measures
from .target import HOUSE_TARGET, Target
from .words import difference_words, ranking_words

if TYPE_CHECKING:
    from xarray import Dataset

CONFIDENCE = 0.9
"""Of intervals; 1 less it is the chance of one false "real" among all comparisons of a result."""
MOST_DRAWS, FEWEST_DRAWS, ALL_DRAWS = 400, 40, 20_000
"""Seats are drawn again so often per case; fewer times where there are many cases, whose errors average out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a design stands by one measure.

    Attributes
    ----------
    measure : key of the measure
    design : label
    rank, worst_rank : 1 is best, by the mean over the rooms and by the worst room
    mean : over rooms, settings, places and vary keys, every room counting alike
    worst, worst_room : the room in which it is worst
    """

    measure: str
    design: Any
    rank: int
    worst_rank: int
    mean: float
    worst: float
    worst_room: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Two designs by one measure, paired: same rooms, settings, places and seats.

    Attributes
    ----------
    measure : key of the measure
    first, second : labels; a difference is the first less the second
    rooms : room -> difference, mean over settings, places and vary keys
    here : mean over these rooms with its interval, had other seats of the same zone been taken
    p : of `here`, adjusted for all comparisons of the result
    elsewhere : the same mean with its interval for rooms like these, these being a sample of them
    p_elsewhere : of it, adjusted alike
    verdict : "none" (exactly 0), "not shown", "too small", "real" (here) or "general" (elsewhere too)
    better : the better design, None where that is not shown or the measure only describes
    words : one sentence
    """

    measure: str
    first: Any
    second: Any
    rooms: dict[Any, float]
    here: Estimate
    p: float
    elsewhere: Estimate
    p_elsewhere: float
    verdict: str
    better: Any
    words: str

    @property
    def real(self) -> bool:
        """Not by chance of the seats, and large enough to matter."""
        return self.verdict in ("real", "general")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judgement:
    """What `judge` finds.

    Attributes
    ----------
    measures : Dataset with a variable per measure over design, room, setting, place and the vary keys; attributes
        long_name, units, better, definition, source
    definitions : the measures
    ranking : of every measure that has a better end, best first
    differences : of every pair of designs by every measure that both have
    sentences : what matters most, in words: ranking and real differences
    target : what responses were measured against
    confidence : of the intervals
    """

    measures: Dataset
    definitions: tuple[Measure, ...]
    ranking: tuple[Standing, ...]
    differences: tuple[Difference, ...]
    sentences: tuple[str, ...]
    target: Target
    confidence: float


def judge(
    result: Dataset, *, target: Target = HOUSE_TARGET, confidence: float = CONFIDENCE, seed: int = 1
) -> Judgement:
    """Measures of every case, designs ranked over the rooms, and which of their differences are real.

    Parameters
    ----------
    result : as `roomsim.predict` or `roomsim.open_result` returns it
    target : curve that responses at the seats are measured against
    confidence : of the intervals, 0.5 to 0.999
    seed : of the seats drawn again; the same seed gives the same intervals

    Raises
    ------
    InvalidValue : confidence out of range

    Notes
    -----
    A design against itself differs by exactly 0 by every measure. Intervals for these rooms come from seats drawn
    again, the same for both designs; intervals for rooms like these from the differences in the rooms (Student), and
    say little with few rooms. All comparisons of a result share one error rate (Holm).

    Examples
    --------
    >>> judgement = roomsim.judge(quick_result())
    >>> [type(sentence).__name__ for sentence in judgement.sentences][:1]
    ['str']
    """
    if not 0.5 <= confidence <= 0.999:
        raise InvalidValue("confidence", confidence, "must be 0.5 to 0.999")
    seen = seat_bands(result)
    values, errors = _measured(seen, target, seed)
    values |= spatial_measures(result)
    ranking = _ranking(seen, values)
    differences = _differences(seen, values, errors, confidence)
    return Judgement(
        measures=_labelled(result, seen, values), definitions=MEASURES, ranking=ranking, differences=differences,
        sentences=(*ranking_words(ranking, BY_KEY), *(d.words for d in differences if d.real)),
        target=target, confidence=confidence,
    )


def _measured(
    seen: SeatBands, target: Target, seed: int
) -> tuple[dict[str, NDArray[np.float64]], dict[str, NDArray[np.float64]]]:
    """Measures of all cases, shape (*leading,), and of seats drawn again, (*leading, n_draw); seats of a room alike."""
    shape = seen.total.shape[:-2]
    seats = seen.total.shape[-2]
    draws = int(np.clip(ALL_DRAWS // max(np.prod(shape), 1), FEWEST_DRAWS, MOST_DRAWS))
    values = {key: np.full(shape, np.nan) for key in BY_KEY}
    drawn = {key: np.full((*shape, draws), np.nan) for key in BY_KEY}
    weights = {
        room: _weights(np.random.default_rng([seed, room]), draws, seats) for room in range(shape[1])
    }
    for at in np.ndindex(shape):
        parts = {name: getattr(seen, name)[at] for name in ("total", "direct", "early", "late")}
        here = np.isfinite(parts["total"]).all(axis=-1)
        if not here.any():
            continue
        parts = {name: energy[here] for name, energy in parts.items()}
        if seen.pair is not None and np.isfinite(seen.pair[at][:, here]).all():
            parts["pair"] = seen.pair[at][:, here]
        if seen.speech is not None:
            parts["speech"] = seen.speech[at][here]
        w = weights[at[1]] if here.all() else _weights(np.random.default_rng([seed, at[1]]), draws, int(here.sum()))
        for store, weight in ((values, None), (drawn, w)):
            for key, value in measure(averages(parts, seen.band_hz, weight), seen.band_hz, target).items():
                store[key][at] = value[0] if weight is None else value
    return values, drawn


def _weights(rng: np.random.Generator, draws: int, seats: int) -> NDArray[np.float64]:
    picked = resampled_seats(rng, draws, seats)
    return np.stack([np.bincount(row, minlength=seats) for row in picked]) / seats


def _by_room(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over everything but design and room, (design, room, …) -> (design, room); NaN where a room has none."""
    flat = values.reshape(*values.shape[:2], -1)
    count = np.isfinite(flat).sum(axis=-1)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, np.nansum(flat, axis=-1) / np.maximum(count, 1), np.nan)


def _ranking(seen: SeatBands, values: dict[str, NDArray[np.float64]]) -> tuple[Standing, ...]:
    designs, rooms = seen.labels[0], seen.labels[1]
    found = []
    for one in MEASURES:
        room_values = _by_room(values[one.key])
        judged = np.isfinite(room_values).any(axis=1)
        if one.better == "" or not judged.any():
            continue
        sign = 1 if one.better == "low" else -1
        worst = {k: int(np.nanargmax(sign * room_values[k])) for k in np.flatnonzero(judged)}
        mean = {k: float(np.nanmean(room_values[k])) for k in worst}
        lows = {k: float(room_values[k, at]) for k, at in worst.items()}
        for k in sorted(worst, key=lambda k: (sign * mean[k], k)):
            found.append(Standing(
                measure=one.key, design=designs[k], mean=mean[k], worst=lows[k], worst_room=rooms[worst[k]],
                rank=1 + sum(sign * (mean[j] - mean[k]) < 0 for j in worst),
                worst_rank=1 + sum(sign * (lows[j] - lows[k]) < 0 for j in worst),
            ))
    return tuple(found)


def _differences(
    seen: SeatBands, values: dict[str, NDArray[np.float64]], drawn: dict[str, NDArray[np.float64]], confidence: float
) -> tuple[Difference, ...]:
    designs, rooms = seen.labels[0], seen.labels[1]
    seats = seen.total.shape[-2]
    pairs = list(itertools.combinations(range(len(designs)), 2))
    rows = []
    for one, (a, b) in itertools.product(MEASURES, pairs):
        case = values[one.key][a] - values[one.key][b]
        each = _by_room(case[None])[0]
        known = np.isfinite(each)
        if not known.any():
            continue
        if not case[np.isfinite(case)].any():                  # exactly alike, whatever the seats
            same = Estimate(value=0.0, low=0.0, high=0.0, p=1.0)
            rows.append((one, a, b, each, same, same))
            continue
        again = drawn[one.key][a] - drawn[one.key][b]                       # (room, …, draw)
        by_room = _mean_known(again.reshape(len(rooms), -1, again.shape[-1])[known])
        inputs = _between_draws(case, seen.dims[1:])
        here = over_seats_of_rooms(each[known], by_room, seats, confidence, inputs)
        rows.append((one, a, b, each, here, over_rooms(each[known], confidence)))
    p_here, p_there = (holm([row[k].p for row in rows]) for k in (4, 5))
    return tuple(
        _difference(row, designs, rooms, p, q, confidence) for row, p, q in zip(rows, p_here, p_there, strict=True)
    )


def _mean_known(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over the second axis of what is known, NaN where nothing is."""
    count = np.isfinite(values).sum(axis=1)
    return np.where(count > 0, np.nansum(values, axis=1) / np.maximum(count, 1), np.nan)


def _between_draws(case: NDArray[np.float64], dims: tuple[str, ...]) -> float:
    """Standard deviation over drawn inputs of the mean over everything else; 0 where nothing was drawn."""
    if DRAW not in dims or case.shape[dims.index(DRAW)] < 2:
        return 0.0
    means = _mean_known(np.moveaxis(case, dims.index(DRAW), 0).reshape(case.shape[dims.index(DRAW)], -1))
    return float(means.std(ddof=1))


def over_seats_of_rooms(
    each: NDArray[np.float64], drawn: NDArray[np.float64], seats: int, confidence: float, inputs: float = 0.0
) -> Estimate:
    """Mean over rooms with its interval from the seats drawn again in each: (n_room,), (n_room, n_draw).

    `inputs` is the standard deviation that drawn inputs (studies/draws.py) bring, alike in all rooms.
    """
    if seats < 2 or not np.isfinite(drawn).all():
        return over_seats(float(each.mean()), drawn.mean(axis=0), 1, each.size, confidence)
    variance = drawn.var(axis=1, ddof=1) * seats / (seats - 1)
    error = float(np.hypot(np.sqrt(variance.sum()) / each.size, inputs))
    return student(float(each.mean()), error, each.size * (seats - 1), confidence)


def _difference(
    row: tuple, designs: tuple, rooms: tuple, p: float, p_elsewhere: float, confidence: float
) -> Difference:
    one, a, b, each, here, elsewhere = row
    alpha = 1 - confidence
    if not np.isfinite(here.value):
        verdict = "not shown"
    elif here.value == 0 and here.low == here.high == 0:
        verdict = "none"
    elif not p <= alpha:
        verdict = "not shown"
    elif abs(here.value) < one.least:
        verdict = "too small"
    else:
        verdict = "general" if p_elsewhere <= alpha else "real"
    better = None
    if verdict in ("real", "general") and one.better:
        better = designs[a] if (here.value < 0) == (one.better == "low") else designs[b]
    return Difference(
        measure=one.key, first=designs[a], second=designs[b], here=here, p=float(p), elsewhere=elsewhere,
        p_elsewhere=float(p_elsewhere), verdict=verdict, better=better,
        rooms={room: float(value) for room, value in zip(rooms, each, strict=True)},
        words=difference_words(one, designs[a], designs[b], here, verdict, better, each.size, confidence),
    )


def _labelled(result: Dataset, seen: SeatBands, values: dict[str, NDArray[np.float64]]) -> Dataset:
    import xarray as xr

    variables = {}
    for one in MEASURES:
        attrs = {"long_name": one.title, "units": one.unit, "better": one.better, "definition": one.definition,
                 "source": one.source}
        variables[one.key] = xr.Variable(seen.dims, values[one.key], attrs)
    return xr.Dataset(variables, coords={d: list(labels) for d, labels in zip(seen.dims, seen.labels, strict=True)},
                      attrs={"title": result.attrs.get("title", "")})
