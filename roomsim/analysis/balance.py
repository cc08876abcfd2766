"""Direct, early and late sound: their levels per band, and early reflections against what reference rooms allow.

The recommendation: in reference listening rooms every reflection that arrives within 15 ms of the direct sound is at
least 10 dB weaker than it, 1 to 8 kHz [itu-bs1116-3, ebu1998] (from memory: high confidence, the text was not at
hand). Homes are no reference rooms; the number says how far a place is from one, not whether it sounds well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bands import band_means, db, from_db, midbands_hz
from ..conventions import DIRECT_S, EARLY_WINDOW_MS, LISTED_DB
from ..errors import InvalidValue

REFERENCE_LIMIT_DB = -10.0
"""Reflections in the first EARLY_WINDOW_MS stay below this level re the direct sound in reference rooms."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Balance:
    """Levels of the three parts per band; all of shape (..., n_band).

    Attributes
    ----------
    band_hz : exact midbands, shape (n_band,)
    direct_db : direct sound with what belongs to it (its image in the mounting wall)
    early_db : reflections and scattered sound up to the hand-over
    late_db : everything after it
    """

    band_hz: NDArray[np.float64]
    direct_db: NDArray[np.float64]
    early_db: NDArray[np.float64]
    late_db: NDArray[np.float64]

    @property
    def direct_to_rest_db(self) -> NDArray[np.float64]:
        """Direct sound re early and late sound together: above 0 the loudspeaker leads, below the room."""
        return self.direct_db - db(from_db(self.early_db) + from_db(self.late_db))

    @property
    def early_to_late_db(self) -> NDArray[np.float64]:
        """Direct and early sound re late sound: the clarity of ISO 3382-1, split at the hand-over [iso3382-1]."""
        return db(from_db(self.direct_db) + from_db(self.early_db)) - self.late_db


def balance(
    direct: ArrayLike, early: ArrayLike, late: ArrayLike, frequency_hz: ArrayLike, *, fraction: int = 3,
    low_hz: float = 25.0, high_hz: float = 16000.0, reference: float = 1.0,
) -> Balance:
    """Levels of direct, early and late sound per band.

    Parameters
    ----------
    direct, early, late : mean-square pressures of the three parts, without their cross terms,
        shape (..., n_frequency); averages over seats and sums over channels are taken before, of these
    frequency_hz : rising, shape (n_frequency,)
    fraction, low_hz, high_hz : bands of 1/fraction octave, those whose midbands lie in both ranges
    reference : mean-square pressure of 0 dB

    Raises
    ------
    InvalidValue : parts of unlike shapes
    """
    f = np.asarray(frequency_hz, float)
    parts = [np.asarray(part, float) for part in (direct, early, late)]
    if len({part.shape for part in parts}) != 1 or parts[0].shape[-1:] != f.shape:
        raise InvalidValue("direct, early, late", [part.shape for part in parts],
                           f"must have one shape that ends in the {f.size} frequencies")
    mids = midbands_hz(fraction, max(low_hz, f[0]), min(high_hz, f[-1]))
    levels = [db(band_means(part, f, mids, fraction), reference) for part in parts]
    return Balance(band_hz=mids, direct_db=levels[0], early_db=levels[1], late_db=levels[2])


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlyJudgement:
    """Early reflections of one channel at one seat beside the recommendation for reference rooms.

    Attributes
    ----------
    gap_ms : until the first reflection of at least LISTED_DB; None where none comes within the window
    strongest_db : level of the strongest reflection in the window re the direct sound, None where there is none
    too_strong : positions of the reflections in the window that exceed the limit, strongest first
    """

    gap_ms: float | None
    strongest_db: float | None
    too_strong: tuple[int, ...]

    @property
    def within_recommendation(self) -> bool:
        """Nothing in the window exceeds the limit."""
        return not self.too_strong


def judge_early(
    delay_ms: ArrayLike, level_db: ArrayLike, *, window_ms: float = EARLY_WINDOW_MS,
    limit_db: float = REFERENCE_LIMIT_DB, least_db: float = LISTED_DB,
) -> EarlyJudgement:
    """Early reflections beside the recommendation for reference rooms.

    Parameters
    ----------
    delay_ms : after the direct sound, shape (n_reflection,)
    level_db : re the direct sound, 1 to 8 kHz, shape (n_reflection,); complete in the window down to `least_db`
    window_ms, limit_db : the recommendation
    least_db : what ends the reflection-free gap (this project's own choice)

    Raises
    ------
    InvalidValue : unlike lengths
    """
    delay, level = np.atleast_1d(np.asarray(delay_ms, float)), np.atleast_1d(np.asarray(level_db, float))
    if delay.shape != level.shape or delay.ndim != 1:
        raise InvalidValue("delay_ms, level_db", (delay.shape, level.shape), "must be lists of one length")
    inside = np.flatnonzero((delay <= window_ms) & (level >= least_db))
    strong = inside[level[inside] > limit_db]
    return EarlyJudgement(
        gap_ms=float(delay[inside].min()) if inside.size else None,
        strongest_db=float(level[inside].max()) if inside.size else None,
        too_strong=tuple(int(k) for k in strong[np.argsort(-level[strong], kind="stable")]),
    )


def with_wall_images(
    faces: Sequence[Sequence[str]], delay_ms: ArrayLike, *level_db: ArrayLike
) -> tuple[NDArray[np.int64], tuple[NDArray[np.float64], ...]]:
    """Reflections as they are heard: each together with its image in the wall behind the loudspeaker.

    The direct sound holds that image, and everything else that follows within DIRECT_S. So a path that first hits
    one more face than another, and is then alike and no more than DIRECT_S later, belongs to that other.

    Parameters
    ----------
    faces : names of the faces of each path, from the loudspeaker to the listener, n_reflection of them
    delay_ms : after the direct sound, shape (n_reflection,)
    level_db : one or more levels of each path, shape (n_reflection,) each

    Returns
    -------
    positions of the reflections that stay, in their order, shape (n,); for each kind of level the sums of energy,
    shape (n,): over a few octaves interference between the two averages out
    """
    delay = np.atleast_1d(np.asarray(delay_ms, float))
    energies = [from_db(np.atleast_1d(np.asarray(level, float))) for level in level_db]
    named = [tuple(path) for path in faces]
    stays = np.ones(len(named), bool)
    home = np.arange(len(named))
    for k in sorted(range(len(named)), key=lambda k: len(named[k])):
        for j in (j for j, path in enumerate(named) if path and path == named[k][1:]):
            if abs(delay[k] - delay[j]) <= DIRECT_S * 1e3:
                stays[k], home[k] = False, home[j]
                break
    kept = np.flatnonzero(stays)
    sums = [np.bincount(home, energy, minlength=len(named))[kept] for energy in energies]
    return kept, tuple(db(total) for total in sums)
