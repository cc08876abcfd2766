"""How much of what is adjustable a room needs for a wanted decay time.

The statistical formula says which way to go, the traced energy of the room how far it has come. Each step solves the
formula, corrected by the last traces, for the areas that come nearest to the target within their limits and, among
equals, change least in proportion to their ranges. All traces of one solution share their random numbers, so that
what a square metre changes is known far better than the decay itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..bands import nominal
from ..room.adjustable import Adjustable
from ..room.room import Room
from ..room.statistics import Surfaces, eyring_with_kuttruff_s
from .decay import MID_HZ, MOST_RAYS, RoomDecay, room_decay

Floats = NDArray[np.float64]

RAYS = 4000
SEED = 20
NOISE = 0.01
BAND_NOISE = 0.015
"""Rays are taken until a mid-band decay time is known to 1 % and single octaves to 1.5 % (standard errors), or until
there are MOST_RAYS."""

MOST_ITERATIONS = 12
CLOSE = 0.003
"""The search ends where the target is met within 0.3 %, or within half of what the decay is known to."""

MET = 0.03
"""A target counts as met within 3 %: with the noise of another trace, within 5 % (the difference that can be heard,
ISO 3382-1)."""

LEAST_CHANGE = 1e-6
"""Weight of the change of areas beside the squared error: it only chooses among equals."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """What the solver found.

    Attributes
    ----------
    areas_m2 : of each adjustable
    target : as it was wanted: one decay time for the mid bands, or exact midband -> decay time
    error : relative error of each wanted decay time, in their order
    iterations : traces of the room that it took
    rays, noise : of each trace, and its relative standard error at the wanted decay times
    at_least, at_most : names of the adjustables that ended at a limit
    """

    areas_m2: tuple[float, ...]
    target: float | Mapping[float, float]
    error: tuple[float, ...]
    iterations: int
    rays: int
    noise: float
    at_least: tuple[str, ...]
    at_most: tuple[str, ...]

    @property
    def met(self) -> bool:
        """Whether every wanted decay time is met within `MET`."""
        return max(map(abs, self.error)) <= MET

    def described(self) -> str:
        """How close it came, and what limits it; for a target that is not met."""
        if not isinstance(self.target, Mapping):
            side = "shortest" if self.error[0] > 0 else "longest"
            came = f"{self.target * (1 + self.error[0]):.2f} s is the {side} within the limits (500 and 1000 Hz)"
        else:
            told = [f"{_name(f)} {time * (1 + e):.2f} s for {time:g} s"
                    for (f, time), e in zip(self.target.items(), self.error, strict=True) if abs(e) > MET]
            came = "nearest is " + ", ".join(told)
        limits = [f"{', '.join(names)} at {which}" for names, which in
                  ((self.at_least, "the least"), (self.at_most, "the most")) if names]
        if not limits:
            return f"{came}; no limit binds: no mix of them gives this"
        return f"{came}, with {' and '.join(limits)}"


def solve(
    room_with: Callable[[Sequence[float]], Room], adjustables: Sequence[Adjustable], start_m2: Sequence[float],
    fixed: frozenset[str], target: float | Mapping[float, float], *, rays: int = RAYS, seed: int = SEED,
) -> Solution:
    """Find the areas that meet a decay time.

    Parameters
    ----------
    room_with : the room with so much of each adjustable
    adjustables, start_m2 : what can be changed, and how much of it is usual
    fixed : names of those that stay at the start
    target : decay time for the mean of 500 and 1000 Hz, or exact midband -> decay time
    rays, seed : of each trace; more rays where their noise is above `NOISE`

    Notes
    -----
    Deterministic. Areas are whole square decimetres.
    """
    wanted = _Target(target)
    free = np.array([one.name not in fixed and one.range_m2 > 0 for one in adjustables])
    low = np.array([one.least_m2 for one in adjustables])
    high = np.array([one.most_m2 for one in adjustables])
    area = np.array(start_m2, float)
    model = _Formula(room_with, area, low, high, free, wanted.band_hz)
    found: list[tuple[float, Floats, Floats]] = []
    traces, certain = 0, False
    while traces < MOST_ITERATIONS:
        area = np.where(free, np.clip(np.round(area, 2), low, high), area)
        again = any(np.array_equal(area, tried) for _, tried, _ in found)
        if not again:
            decay = room_decay(room_with(area.tolist()), wanted.band_hz, rays=rays, seed=seed)
            traces += 1
            noise = float(np.nan_to_num(decay.error.mean() if wanted.mid else decay.error.max(), nan=1.0))
            traced = np.log(np.where(np.isfinite(decay.decay_s), decay.decay_s, np.exp(model.log_s(area))))
            error = wanted.error(traced)
            found.append((float(np.abs(error).max()), area.copy(), error))
            if found[-1][0] > max(CLOSE, noise / 2 if certain else noise) and free.any():
                model.learn(area, traced)
                area = model.nearest(area, np.array(start_m2, float), wanted)
                continue
        nearest = min(found, key=lambda one: one[0])
        needed = rays * (noise / (NOISE if wanted.mid else BAND_NOISE)) ** 2 * 1.2
        if certain or needed <= 1.2 * rays or nearest[0] > MET + 4 * noise or traces >= MOST_ITERATIONS:
            break
        rays, certain, area = int(min(np.ceil(needed), MOST_RAYS)), True, nearest[1]      # known too badly so far
        found.clear()
    _, area, error = min(found, key=lambda one: one[0])
    names = np.array([one.name for one in adjustables])
    return Solution(
        areas_m2=tuple(area.tolist()), target=target, error=tuple(np.expm1(error).tolist()), iterations=traces,
        rays=rays, noise=noise,
        at_least=tuple(names[free & (area <= low + 0.011)].tolist()),
        at_most=tuple(names[free & (area >= high - 0.011)].tolist()),
    )


class _Target:
    """The wanted decay times as rows of residuals."""

    def __init__(self, target: float | Mapping[float, float]) -> None:
        self.mid = not isinstance(target, Mapping)
        self.band_hz = MID_HZ if self.mid else np.array(sorted(target))          # type: ignore[arg-type]
        self.log_s = np.log([target] if self.mid else [target[f] for f in self.band_hz])   # type: ignore[index]
        self.order = np.array([0] if self.mid else [list(self.band_hz).index(f) for f in target])  # type: ignore

    def error(self, log_s: Floats) -> Floats:
        """Logarithm of decay over wanted decay, in the order of the target."""
        have = np.log([np.exp(log_s).mean()]) if self.mid else log_s
        return (have - self.log_s)[self.order]


class _Formula:
    """Eyring with Kuttruff's correction for any areas, corrected by what was traced."""

    def __init__(self, room_with: Callable[[Sequence[float]], Room], area: Floats, low: Floats, high: Floats,
                 free: NDArray[np.bool_], band_hz: Floats) -> None:
        self.low, self.high, self.free = low, high, free
        base = np.where(free, low, area)
        self.base, s = base, Surfaces.of(room_with(base.tolist()), band_hz)
        self.surface_m2, self.volume_m3 = float(s.areas_m2.sum()), s.free_volume_m3
        self.around = {key: value for key, value in s.surroundings.items() if key != "objects_m2"}
        self.absorbs = s.areas_m2 @ s.absorption + s.objects_m2
        self.per_m2 = np.zeros((len(area), band_hz.size))
        for k in np.flatnonzero(free):
            more = base.copy()
            more[k] = high[k]
            t = Surfaces.of(room_with(more.tolist()), band_hz)
            self.per_m2[k] = (t.areas_m2 @ t.absorption + t.objects_m2 - self.absorbs) / (high[k] - low[k])
        self.shift, self.slope = np.zeros(band_hz.size), np.ones(band_hz.size)
        self.last: tuple[Floats, Floats] | None = None

    def plain(self, area: Floats) -> Floats:
        """ln T by the formula, shape (n_band,)."""
        mean = np.clip((self.absorbs + (area - self.base) @ self.per_m2) / self.surface_m2, 1e-4, 0.99)
        return np.log(eyring_with_kuttruff_s([self.surface_m2], mean[None, :], self.volume_m3, **self.around))

    def log_s(self, area: Floats) -> Floats:
        """ln T as the traces say it, shape (n_band,)."""
        return self.shift + self.slope * self.plain(area)

    def learn(self, area: Floats, traced: Floats) -> None:
        """Take in a trace: the formula passes through it, and follows the change since the one before."""
        plain = self.plain(area)
        if self.last is not None:
            change = plain - self.last[0]
            known = np.abs(change) > 0.1              # less is lost in the noise of the traces
            ratio = (traced - self.last[1]) / np.where(known, change, 1)
            self.slope = np.where(known, np.clip(ratio, 0.25, 3.0), self.slope)
        self.shift = traced - self.slope * plain
        self.last = plain, traced

    def nearest(self, area: Floats, usual: Floats, wanted: _Target) -> Floats:
        """The areas whose decay comes nearest to the target, by the formula as corrected."""
        from scipy.optimize import least_squares

        span = np.where(self.free, self.high - self.low, 1.0)

        def areas(x: Floats) -> Floats:
            out = area.copy()
            out[self.free] = (self.low + x_full(x) * span)[self.free]
            return out

        def x_full(x: Floats) -> Floats:
            out = np.zeros(len(area))
            out[self.free] = x
            return out

        home = ((usual - self.low) / span)[self.free]

        def residuals(x: Floats) -> Floats:
            return np.concatenate([wanted.error(self.log_s(areas(x))), LEAST_CHANGE**0.5 * (x - home)])

        start = np.clip(((area - self.low) / span)[self.free], 1e-3, 1 - 1e-3)
        done = least_squares(residuals, start, bounds=(0, 1), xtol=1e-10, ftol=1e-12, gtol=1e-12, max_nfev=300)
        return areas(done.x)


def _name(frequency_hz: float) -> str:
    name = nominal(frequency_hz)
    return f"{name[:-1]} kHz" if name.endswith("k") else f"{name} Hz"


def predicted(decay: RoomDecay, target: float | Mapping[float, float]) -> list[float]:
    """The decay times that a target speaks of, as another trace finds them, in the target's order."""
    if not isinstance(target, Mapping):
        return [decay.mid_s]
    return [float(decay.decay_s[np.argmin(np.abs(np.log(decay.band_hz / f)))]) for f in target]
